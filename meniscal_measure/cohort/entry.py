"""One reading to be made: which knee, at which visit, by whom, from which images."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import NamedTuple

from meniscal_measure.anatomy import Side


@dataclass(frozen=True)
class Entry:
    """A line of the manifest.

    Parameters
    ----------
    subject, visit, group
        Names the study gives them. They are stored and exported as they are, so they should be
        pseudonyms.
    side
        Body side; None where the images are to say it.
    path
        Folder, archive or file of the study, or an fsspec URL of one; empty if not imaged.
    landmarks
        Landmark file, or an fsspec URL of one; empty if there is none.
    reader, repeat
        Who placed the landmarks, and the number of the reading, 1 = first.
    series
        Number of the series to measure; None for the one ranked first.
    exclude
        Why the knee is left out of the study; empty if it is not.
    covariates
        What else the manifest says, as pairs of a column and its cell, such as age.
    """

    subject: str
    path: str
    visit: str = ""
    side: Side | None = None
    group: str = ""
    landmarks: str = ""
    reader: str = ""
    repeat: int = 1
    series: int | None = None
    exclude: str = ""
    covariates: tuple[tuple[str, str], ...] = ()

    @property
    def key(self) -> str:
        """What tells this reading from every other one of the cohort.

        Examples
        --------
        >>> Entry(subject="S1", path="images", visit="2", reader="A").key
        '["S1", "2", "", "A", 1]'
        """
        side = self.side.word if self.side else ""
        return json.dumps([self.subject, self.visit, side, self.reader, self.repeat])


class StudyOwner(NamedTuple):
    """Whose a study is in the cohort."""

    subject: str
    visit: str
    group: str
