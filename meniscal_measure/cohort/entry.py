"""One reading to be made: which knee, at which visit, by whom, from which images."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import NamedTuple

from meniscal_measure.anatomy import Side


@dataclass(frozen=True)
class Entry:
    """A line of the manifest.

    Subject, visit and group are stored and exported as they are, so they should be pseudonyms.
    """

    subject: str
    path: str
    """Folder, archive or file of the study, or an fsspec URL of one; empty if not imaged."""
    visit: str = ""
    side: Side | None = None
    """None where the images are to say it."""
    group: str = ""
    landmarks: str = ""
    """Landmark file, or an fsspec URL of one; empty if there is none."""
    reader: str = ""
    """Who placed the landmarks."""
    repeat: int = 1
    """Number of the reading, 1 = first."""
    series: int | None = None
    """Number of the series to measure; None for the one ranked first."""
    exclude: str = ""
    """Why the knee is left out of the study; empty if it is not."""
    covariates: tuple[tuple[str, str], ...] = ()
    """What else the manifest says, such as age: pairs of a column and its cell."""

    @property
    def side_word(self) -> str:
        """The side in a word; empty where the images are to say it."""
        return self.side.word if self.side else ""

    @property
    def key(self) -> str:
        """Identifies the reading within the cohort.

        Examples
        --------
        >>> Entry(subject="S1", path="images", visit="2", reader="A").key
        '["S1", "2", "", "A", 1]'
        """
        who = [self.subject, self.visit, self.side_word, self.reader, self.repeat]
        return json.dumps(who)


class StudyOwner(NamedTuple):
    """Whose a study is in the cohort."""

    subject: str
    visit: str
    group: str
