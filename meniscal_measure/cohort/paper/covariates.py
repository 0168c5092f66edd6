"""Covariates of the manifest as numbers or categories, and Table 1 of a paper."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np

from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.labels import Labels, named
from meniscal_measure.cohort.paper.blocks import Table
from meniscal_measure.cohort.reader_agreement import GRADES
from meniscal_measure.cohort.readings import Readings
from meniscal_measure.cohort.visit_change import visits_of

MOST_CATEGORIES = 6
"""A covariate of so few different whole numbers is shown as categories, like a grade."""

ALL = "All"


def numbers_of(cells: Labels) -> FloatArray | None:
    """Take a covariate as numbers, NaN where it is empty; None where any cell is not a number.

    Examples
    --------
    >>> numbers_of(Labels.of(["61.5", "", "70"])).tolist(), numbers_of(Labels.of(["m", "f"]))
    ([61.5, nan, 70.0], None)
    """
    try:
        numbers = [float(name or "nan") for name in cells.names.tolist()]
    except ValueError:
        return None
    return np.array(numbers, dtype=np.float64)[cells.codes]


def model_covariates(readings: Readings) -> dict[str, FloatArray]:
    """Choose the covariates a model can hold constant: numbers, and categories of two."""
    chosen: dict[str, FloatArray] = {}
    for name, cells in readings.covariates.items():
        numbers = numbers_of(cells)
        kinds = [name for name in cells.names.tolist() if name]
        if numbers is not None and not np.isnan(numbers).all():
            chosen[name] = numbers
        elif numbers is None and len(kinds) == 2:
            first, second = kinds
            chosen[f"{name} {second} against {first}"] = np.where(
                cells.is_(""), np.nan, cells.is_(second)
            )
    return chosen


def table_one(readings: Readings) -> Table:
    """Describe the subjects and their knees at the first visit, by group."""
    first = visits_of(readings)[0]
    knees = readings.where(readings.visit.is_(first)).by_examination
    groups = knees.group.names.tolist()
    columns = [ALL, *groups] if len(groups) > 1 else [ALL]
    parts = [knees if name == ALL else knees.where(knees.group.is_(name)) for name in columns]
    lines = [dict(_lines(part)) for part in parts]
    rows = [(name, *(line.get(name, "–") for line in lines)) for name in lines[0]]
    header = ("", *map(named, columns))
    note = (
        f"At visit {named(first)}, each knee by the mean of its readings. Numbers are mean"
        " (SD); categories are count (%). Covariates are those of the first reading of a subject."
    )
    return Table("Table 1. Subjects and knees", header, tuple(rows), (note,))


def _lines(knees: Readings) -> Iterator[tuple[str, str]]:
    yield "Subjects", str(knees.subject.count)
    yield "Knees", str(knees.size)
    yield "Right knees", _share(int(knees.side.is_("right").sum()), knees.size)
    for name, cells in knees.covariates.items():
        yield from _covariate(name, cells.where(knees.subject.first))
    yield "Extrusion (mm)", _mean(knees.extrusion_mm)
    yield "Flagged", _share(int(np.nansum(knees.flag)), knees.size)
    for grade in range(GRADES):
        yield f"Extrusion grade {grade}", _share(int((knees.grade == grade).sum()), knees.size)


def _covariate(name: str, cells: Labels) -> Iterator[tuple[str, str]]:
    numbers = numbers_of(cells)
    if numbers is not None:
        known = numbers[~np.isnan(numbers)]
        kinds = np.unique(known)
        if kinds.size > MOST_CATEGORIES or (kinds != kinds.round()).any():
            missing = numbers.size - known.size
            yield name, _mean(known) + (f"; {missing} missing" if missing else "")
            return
    counts = Counter(cell or "missing" for cell in cells.texts.tolist())
    for kind in sorted(counts):
        yield f"{name}: {kind}", _share(counts[kind], cells.size)


def _mean(values: FloatArray) -> str:
    spread = f" ({values.std(ddof=1):.2f})" if values.size > 1 else ""
    return f"{values.mean():.2f}{spread}"


def _share(count: int, total: int) -> str:
    return f"{count} ({100 * count / total:.0f} %)" if total else "0"
