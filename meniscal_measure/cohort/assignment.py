"""Handing knees to readers: who reads what, in which order, and what is hidden from them.

A reader gets each reading under a code: copies of the images lie in a folder of that name, see
`blinded_images`, so that neither work list nor files show the subject, the visit or a repeat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePath

import numpy as np

from meniscal_measure.cohort.entry import Entry
from meniscal_measure.errors import UsageError
from meniscal_measure.files import csv_text
from meniscal_measure.reading_order import drawn_order

CODES = 36**5
"""Number of codes of five letters and digits."""

WORK_COLUMNS = ("knee", "study", "side")
"""Columns of a work list of the review page; the knee is the code."""

KEY_COLUMNS = ("reader", "order", "code", "subject", "visit", "side", "repeat", "study", "seed")


@dataclass(frozen=True)
class Assigned:
    """One reading that a reader is to make.

    `code` is all the reader learns; `entry` says what it is, and `entry.landmarks` where the
    reader's landmarks go.
    """

    order: int
    code: str
    entry: Entry


@dataclass(frozen=True)
class Plan:
    """Readings asked of each reader, and the seed that gives the same plan again."""

    readings: tuple[Assigned, ...]
    seed: int

    @property
    def entries(self) -> tuple[Entry, ...]:
        """The manifest with which the readings are measured once the landmarks are placed."""
        return tuple(assigned.entry for assigned in self.readings)

    @property
    def readers(self) -> tuple[str, ...]:
        """The readers, in the order in which they were named."""
        return tuple(dict.fromkeys(assigned.entry.reader for assigned in self.readings))

    @property
    def sentence(self) -> str:
        """What was done, ready for a methods section."""
        examinations = len({replace(e, reader="", repeat=1, landmarks="") for e in self.entries})
        knees = len({(entry.subject, entry.side) for entry in self.entries})
        repeats = sum(entry.repeat > 1 for entry in self.entries) // len(self.readers)
        what = f"{knees} knees"
        if knees < examinations:
            what = f"{examinations} examinations of {what}"
        return (
            f"{len(self.readers)} readers each were given {what} in an order drawn at random for"
            " each, under codes and with coded folders of images that show neither subject nor"
            f" visit; {repeats} of them were given to each reader a second time under another code"
            f" (seed {self.seed})."
        )


def plan_readings(
    knees: Sequence[Entry], readers: Sequence[str], *, repeats: int, seed: int, landmarks: PurePath
) -> Plan:
    """Give every knee to every reader in a random order, some of them twice without notice.

    Parameters
    ----------
    knees
        What there is to read; excluded ones are left out.
    readers
        Names of the readers.
    repeats
        Number of knees each reader gets a second time, drawn for each.
    seed
        Seed of the drawing; the same seed gives the same order, see `drawn_order`, and codes.
    landmarks
        Folder for the readers' landmark files.

    Raises
    ------
    UsageError
        If there are no knees or readers, a reader is named twice, or there are too many repeats
        to hide.
    """
    usable = [knee for knee in knees if not knee.exclude]
    if not usable or not readers or len(set(readers)) < len(readers):
        raise UsageError("Give at least one knee and at least one reader, each named once.")
    found: list[Assigned] = []
    for number, reader in enumerate(readers):
        order = drawn_order(len(usable), repeats, seed=seed, reader=reader)
        read = [replace(usable[knee], reader=reader, repeat=time) for knee, time in order]
        codes = np.random.default_rng([seed, number]).choice(CODES, len(read), replace=False)
        for place, (drawn, entry) in enumerate(zip(codes, read, strict=True), start=1):
            code = np.base_repr(int(drawn), 36).zfill(5)
            own = str(landmarks / reader / f"{code}.json")
            found.append(Assigned(place, code, replace(entry, landmarks=own)))
    return Plan(tuple(found), seed)


def blinded_place(one: Assigned, folder: Path) -> Path:
    """Where the images of a reading lie for its reader."""
    return folder / one.entry.reader / one.code


def work_list_csv(plan: Plan, reader: str, folder: Path) -> str:
    """Write what one reader is to read, in order, for the review page.

    It shows neither subject nor visit, nor which readings are repeats.

    Parameters
    ----------
    plan
        Who reads what.
    reader
        Whose list it is.
    folder
        Where `blinded_images.write_blinded_images` put the images.
    """
    rows = [
        (one.code, blinded_place(one, folder), one.entry.side_word)
        for one in plan.readings
        if one.entry.reader == reader
    ]
    return csv_text(WORK_COLUMNS, rows)


def key_csv(plan: Plan) -> str:
    """Write what each code stands for: for whoever runs the study, not for the readers."""
    rows = [
        (e.reader, one.order, one.code, e.subject, e.visit, e.side_word, e.repeat, e.path,
         plan.seed)
        for one in plan.readings
        for e in (one.entry,)
    ]  # fmt: skip
    return csv_text(KEY_COLUMNS, rows)
