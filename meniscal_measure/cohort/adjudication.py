"""Knees on which readers differ so much that a third reading is needed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import astuple, dataclass, fields
from itertools import compress

import numpy as np

from meniscal_measure.cohort.readings import Readings, flags_of
from meniscal_measure.files import csv_text


@dataclass(frozen=True)
class Disagreement:
    """One knee and the two readers who differ most on it."""

    knee: str
    first_reader: str
    second_reader: str
    first_mm: float
    second_mm: float
    reason: str


def to_adjudicate(readings: Readings, detectable_mm: float) -> Iterator[Disagreement]:
    """Find the knees on which readers differ beyond error, or on the flag.

    Parameters
    ----------
    readings
        All readings; only first ones count.
    detectable_mm
        Smallest detectable change of the method; a larger difference is not chance.

    Yields
    ------
    Disagreement
        In the order of the knees' names, at most one for each.
    """
    table = readings.table
    several = (~np.isnan(table.values)).sum(axis=1) > 1
    names, values = table.cases[several], table.values[several]
    low, high = (place(values, axis=1) for place in (np.nanargmin, np.nanargmax))
    rows = np.arange(len(values))
    least, most = values[rows, low], values[rows, high]
    beyond = most - least > detectable_mm
    on_flag = flags_of(least, readings.conventions) != flags_of(most, readings.conventions)
    for row in np.flatnonzero(beyond | on_flag).tolist():
        apart = f"differ by {most[row] - least[row]:.2f} mm, more than the smallest detectable"
        apart += f" change of {detectable_mm:.2f} mm"
        reasons = compress((apart, "differ on the flag"), (beyond[row], on_flag[row]))
        a, b = sorted((int(low[row]), int(high[row])))
        who = str(table.readers[a]), str(table.readers[b])
        one, two = float(values[row, a]), float(values[row, b])
        yield Disagreement(str(names[row]), *who, one, two, "; ".join(reasons))


def adjudication_csv(found: Iterable[Disagreement]) -> str:
    """Write the list for the person who decides.

    Examples
    --------
    >>> print(adjudication_csv([Disagreement("S1", "A", "B", 2.0, 4.0, "differ")]), end="")
    knee,first_reader,second_reader,first_mm,second_mm,reason
    S1,A,B,2.0,4.0,differ
    """
    return csv_text([column.name for column in fields(Disagreement)], map(astuple, found))
