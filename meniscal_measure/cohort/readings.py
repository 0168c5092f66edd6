"""The measured readings of one compartment as columns: as they come, and one value a knee."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.decision import TIE_TOLERANCE_MM
from meniscal_measure.caliper.grades import GRADE_CUTS_MM
from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.caliper.reading import AxisConvention, Conventions, ThresholdRule
from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.labels import BETWEEN, Coder, Codes, Labels
from meniscal_measure.cohort.agreement.ratings import Ratings, ratings_from_rows
from meniscal_measure.cohort.columns import COMPARTMENTS
from meniscal_measure.cohort.store import Store
from meniscal_measure.errors import AgreementError
from meniscal_measure.report.words import threshold_words


@dataclass(frozen=True, eq=False)
class Readings:
    """The measured readings of one compartment, one row each; all columns have n rows."""

    conventions: Conventions
    """What every one of the numbers means."""
    subject: Labels
    visit: Labels
    side: Labels
    group: Labels
    reader: Labels
    repeat: NDArray[np.int32]
    extrusion_mm: FloatArray
    u_mm: FloatArray
    marks: Mapping[str, FloatArray] = field(default_factory=dict)
    """`verified`, 1 or 0, and `confidence` in a proposal, NaN where a person placed landmarks."""
    covariates: Mapping[str, Labels] = field(default_factory=dict)
    """Other columns of the manifest, as they are written there."""

    @property
    def size(self) -> int:
        """Number of readings."""
        return self.extrusion_mm.size

    @cached_property
    def knee(self) -> Labels:
        """Label of the knee, whatever the visit."""
        return self.subject.joined(self.side)

    @cached_property
    def examination(self) -> Labels:
        """Label of the knee at its visit."""
        return self.knee.joined(self.visit)

    @cached_property
    def flag(self) -> FloatArray:
        """1 where the threshold rule flags the value, else 0."""
        return flags_of(self.extrusion_mm, self.conventions)

    @cached_property
    def grade(self) -> FloatArray:
        """Grade of the value, 0 to 3."""
        return grades_of(self.extrusion_mm)

    @cached_property
    def by_examination(self) -> Readings:
        """One row for each knee at each visit: the mean of its readings, the reader empty.

        Flag and grade are those of the mean; `u_mm` is the root mean square of the single ones, as
        their errors may be common to all.
        """
        return replace(
            self._averaged(self.examination), reader=Labels.of([""] * self.examination.count)
        )

    @property
    def by_reader(self) -> Readings:
        """One row for each knee at each visit by each reader, without covariates: the mean."""
        bare = replace(self, marks={}, covariates={})
        return bare._averaged(self.examination.paired(self.reader))

    def _averaged(self, labels: Labels) -> Readings:
        counts = np.bincount(labels.codes)
        return replace(
            self.where(labels.first),
            repeat=np.ones(labels.count, dtype=np.int32),
            extrusion_mm=np.bincount(labels.codes, self.extrusion_mm) / counts,
            u_mm=np.sqrt(np.bincount(labels.codes, self.u_mm**2) / counts),
        )

    @cached_property
    def table(self) -> Ratings:
        """First readings, no repeats, as knees at their visits by readers."""
        first = self.repeat == 1
        cases, readers = self.examination.where(first), self.reader.where(first)
        owners = self.subject.where(first)
        return ratings_from_rows(cases, readers, self.extrusion_mm[first], subjects=owners)

    def where(self, rows: NDArray[np.bool_] | Codes) -> Readings:
        """Keep some rows."""
        kept: dict[str, Any] = {}
        for column in fields(self):
            match getattr(self, column.name):
                case Labels() as labels:
                    kept[column.name] = labels.where(rows)
                case np.ndarray() as values:
                    kept[column.name] = values[rows]
        return replace(
            self,
            marks={name: values[rows] for name, values in self.marks.items()},
            covariates={name: cells.where(rows) for name, cells in self.covariates.items()},
            **kept,
        )


def knee_label(subject: str, side: str, visit: str) -> str:
    """Name a knee at its visit, which may have no name of its own.

    Examples
    --------
    >>> knee_label("S1", "left", "2")
    'S1 / left / 2'
    """
    return BETWEEN.join([subject, side, *([visit] if visit else [])])


def flags_of(values_mm: FloatArray, conventions: Conventions) -> FloatArray:
    """Apply the threshold rule as `caliper.decision.flag` does; NaN where there is no value.

    Examples
    --------
    >>> flags_of(np.array([2.0, 3.0, 3.1]), Conventions()).tolist()
    [0.0, 0.0, 1.0]
    """
    above = conventions.threshold_rule is ThresholdRule.ABOVE
    cut = conventions.threshold_mm
    flags = values_mm > cut + TIE_TOLERANCE_MM if above else values_mm >= cut - TIE_TOLERANCE_MM
    return np.where(np.isnan(values_mm), np.nan, flags.astype(np.float64))


def grades_of(values_mm: FloatArray) -> FloatArray:
    """Grade values as `caliper.grades.grade` does; NaN where there is no value.

    Examples
    --------
    >>> grades_of(np.array([1.0, 2.5, 4.0, 6.0])).tolist()
    [0.0, 1.0, 2.0, 3.0]
    """
    cuts = np.array(GRADE_CUTS_MM) - TIE_TOLERANCE_MM
    grades = np.searchsorted(cuts, values_mm, side="right").astype(np.float64)
    return np.where(np.isnan(values_mm), np.nan, grades)


TEXT_COLUMNS = ("subject", "visit", "side_measured", "group", "reader", "covariates")
NUMBER_COLUMNS = ("repeat", "verified", "proposal_confidence")
CONVENTION_COLUMNS = ("axis_convention", "slice_convention", "threshold_rule", "threshold_mm")

CHUNK = 50_000
"""Rows turned into arrays at a time, so that a million readings fit into memory."""


def load_readings(store: Store, compartment: Compartment) -> Readings:
    """Take the current measured readings of one compartment; see `load_compartments`."""
    return load_compartments(store, (compartment,))[compartment]


def load_compartments(
    store: Store,
    compartments: Sequence[Compartment] = COMPARTMENTS,
    *,
    slice_convention: SliceConvention | None = None,
) -> dict[Compartment, Readings]:
    """Take the readings of several compartments at once; they share the columns they can.

    Parameters
    ----------
    store
        The store of the cohort.
    compartments
        Those wanted; one that was measured in no reading is left out.
    slice_convention
        Take only readings on slices chosen by this rule; None takes all, which must be by one.

    Raises
    ------
    AgreementError
        If there are none, or those of a compartment were made under different conventions.
    """
    names = ("extrusion_mm", "u_mm")
    values = [f"{where.value}_{name}" for where in compartments for name in names]
    numbers = (*NUMBER_COLUMNS, *values)
    there = " OR ".join(f"{name} IS NOT NULL" for name in values[::2])
    texts = [Coder() for _ in TEXT_COLUMNS]
    conventions, parts = Coder(), []
    rows = store.columns(
        *TEXT_COLUMNS,
        *CONVENTION_COLUMNS,
        *numbers,
        where=f"status = 'measured' AND ({there})"
        + (f" AND slice_convention = '{slice_convention}'" if slice_convention else ""),
    )
    while block := list(islice(rows, CHUNK)):
        columns = list(zip(*block, strict=True))
        for coder, column in zip(texts, columns, strict=False):
            coder.add(column)
        conventions.add(zip(*columns[len(texts) : -len(numbers)], strict=True))
        parts.append(np.array(columns[-len(numbers) :], dtype=np.float64))
    if not parts:
        raise AgreementError(
            f"The store holds no measured {' or '.join(compartments)} compartment. Measure knees"
            " with landmarks there."
        )
    repeat, verified, confidence, *measured = np.concatenate(parts, axis=1)
    known, codes = conventions.values()
    subject, visit, side, group, reader = (coder.labels() for coder in texts[:-1])
    marks = {"verified": verified, "confidence": confidence}
    whole, owners = texts[-1].values()  # all covariates of a row in one text
    cells = [json.loads(text) if text else {} for text in whole]
    covariates = {
        name: Labels.of([cell.get(name, "") for cell in cells]).where(owners)
        for name in store.covariates()
    }
    found = {}
    for where, value, u in zip(compartments, measured[::2], measured[1::2], strict=True):
        rows_of = ~np.isnan(value)
        if rows_of.any():
            one = _one_convention(known, codes[rows_of])
            every = Readings(one, subject, visit, side, group, reader, repeat.astype(np.int32),
                             value, u, marks, covariates)  # fmt: skip
            found[where] = every if rows_of.all() else every.where(rows_of)
    return found


def _one_convention(values: list[Any], codes: Codes) -> Conventions:
    """Refuse to pool readings whose numbers mean different things."""
    counts = np.bincount(codes, minlength=len(values)).tolist()
    met = sorted((value, count) for value, count in zip(values, counts, strict=True) if count)
    if len(met) > 1:
        said = "; ".join(
            f"{count} along {axis} on {slice_}, {threshold_words(conventions)}"
            for (axis, slice_, rule, threshold), count in met
            for conventions in (Conventions(AxisConvention(axis), ThresholdRule(rule), threshold),)
        )
        raise AgreementError(
            f"The readings were made under different conventions ({said}) and cannot be compared."
            " Report those of one slice convention (--slice-convention), or measure the cohort"
            " again under one."
        )
    (((axis, slice_, rule, threshold), _),) = met
    return Conventions(
        AxisConvention(axis), ThresholdRule(rule), threshold, slice=SliceConvention(slice_)
    )
