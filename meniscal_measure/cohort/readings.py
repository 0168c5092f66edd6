"""The measured readings of one compartment as columns, as they come and as one value a knee."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.decision import flag
from meniscal_measure.caliper.grades import grade
from meniscal_measure.caliper.reading import AxisConvention, Conventions, ThresholdRule
from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.store import Store
from meniscal_measure.errors import AgreementError
from meniscal_measure.report.words import threshold_words

Texts = NDArray[np.str_]


@dataclass(frozen=True)
class Readings:
    """The measured readings of one compartment, one row each; all arrays have shape (n,)."""

    conventions: Conventions
    """What every one of the numbers means."""
    subject: Texts
    visit: Texts
    side: Texts
    group: Texts
    reader: Texts
    repeat: NDArray[np.int64]
    extrusion_mm: FloatArray
    u_mm: FloatArray

    @cached_property
    def knee(self) -> Texts:
        """Label of the knee at its visit."""
        rows = zip(self.subject, self.side, self.visit, strict=True)
        return np.array([knee_label(*row) for row in rows], dtype=str)

    @cached_property
    def flag(self) -> FloatArray:
        """1 where the threshold rule flags the value, else 0."""
        return flags_of(self.extrusion_mm, self.conventions)

    @cached_property
    def grade(self) -> FloatArray:
        """Grade of the value, 0 to 3."""
        return np.array([grade(value) for value in self.extrusion_mm.tolist()], dtype=np.float64)

    def joined(self, *names: str) -> Texts:
        """Columns joined into one label for each row."""
        rows = zip(*(getattr(self, name) for name in names), strict=True)
        return np.array([" / ".join(row) for row in rows], dtype=str)

    def where(self, rows: NDArray[np.bool_] | NDArray[np.intp]) -> Readings:
        """Keep some rows."""
        columns = [column.name for column in fields(self) if column.name != "conventions"]
        return replace(self, **{name: getattr(self, name)[rows] for name in columns})


def knee_label(subject: str, side: str, visit: str) -> str:
    """Name a knee at its visit, which may have no name of its own."""
    return f"{subject} / {side} / {visit}" if visit else f"{subject} / {side}"


def flags_of(values_mm: FloatArray, conventions: Conventions) -> FloatArray:
    """Apply the threshold rule to values; NaN where there is none."""
    flags = [flag(value, conventions) for value in values_mm.tolist()]
    return np.where(np.isnan(values_mm), np.nan, np.array(flags, dtype=np.float64))


def load_readings(store: Store, compartment: Compartment) -> Readings:
    """Take the current measured readings of one compartment from a store.

    Raises
    ------
    AgreementError
        If there are none, or they were made under different conventions.
    """
    where = compartment.value
    rows = [
        row for row in store.rows()
        if row["status"] == "measured" and row[f"{where}_extrusion_mm"] is not None
    ]  # fmt: skip
    if not rows:
        raise AgreementError(
            f"The store holds no measured {where} compartment. Measure knees with landmarks there."
        )

    def texts(name: str) -> Texts:
        return np.array([row[name] for row in rows], dtype=str)

    def numbers(name: str) -> FloatArray:
        return np.array([row[name] for row in rows], dtype=np.float64)

    return Readings(
        _conventions(rows),
        texts("subject"),
        texts("visit"),
        texts("side_measured"),
        texts("group"),
        texts("reader"),
        np.array([row["repeat"] for row in rows], dtype=np.int64),
        numbers(f"{where}_extrusion_mm"),
        numbers(f"{where}_u_mm"),
    )


def _conventions(rows: Iterable[dict[str, Any]]) -> Conventions:
    found = {conventions_of(row) for row in rows}
    if len(found) > 1:
        said = "; ".join(sorted(f"{one.axis}, {threshold_words(one)}" for one in found))
        raise AgreementError(
            f"The readings were made under different conventions ({said}) and do not compare."
            " Measure the cohort again under one."
        )
    return found.pop()


def conventions_of(row: Mapping[str, Any]) -> Conventions:
    """Take from a row of the store what its numbers mean."""
    axis, rule = AxisConvention(row["axis_convention"]), ThresholdRule(row["threshold_rule"])
    return Conventions(axis, rule, row["threshold_mm"])


def mean_of_readings(readings: Readings) -> Readings:
    """Take the mean of all readings of each knee at each visit.

    Returns
    -------
    Readings
        One row for each knee at each visit, reader empty; flag and grade are those of the mean.
        `u_mm` is the root mean square of the single ones, as their errors may be common to all.
    """
    return _averaged(readings, readings.knee)


def mean_of_repeats(readings: Readings) -> Readings:
    """Take the mean of the readings of each knee at each visit by each reader."""
    return _averaged(readings, readings.joined("subject", "side", "visit", "reader"), reader=True)


def _averaged(readings: Readings, labels: Texts, *, reader: bool = False) -> Readings:
    _, first, codes = np.unique(labels, return_index=True, return_inverse=True)
    counts = np.bincount(codes)
    kept = readings.where(first)
    return replace(
        kept,
        reader=kept.reader if reader else np.full(first.size, "", dtype=str),
        repeat=np.ones(first.size, dtype=np.int64),
        extrusion_mm=np.bincount(codes, readings.extrusion_mm) / counts,
        u_mm=np.sqrt(np.bincount(codes, readings.u_mm**2) / counts),
    )
