"""The measured readings of one compartment as columns, as they come and as one value a knee."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
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
    marks: Mapping[str, FloatArray] = field(default_factory=dict)
    """`verified`, 1 or 0, and `confidence` in a proposal, NaN where a person placed landmarks."""
    covariates: Mapping[str, Texts] = field(default_factory=dict)
    """Other columns of the manifest, as they are written there."""

    @cached_property
    def knee(self) -> Texts:
        """Label of the knee at its visit."""
        knees = self.joined("subject", "side")
        named = np.strings.add(np.strings.add(knees, " / "), self.visit)
        return np.where(self.visit == "", knees, named)

    @cached_property
    def flag(self) -> FloatArray:
        """1 where the threshold rule flags the value, else 0."""
        return flags_of(self.extrusion_mm, self.conventions)

    @cached_property
    def grade(self) -> FloatArray:
        """Grade of the value, 0 to 3."""
        cuts = np.array(GRADE_CUTS_MM) - TIE_TOLERANCE_MM
        return np.searchsorted(cuts, self.extrusion_mm, side="right").astype(np.float64)

    def joined(self, *names: str) -> Texts:
        """Columns joined into one label for each row."""
        first, *others = (getattr(self, name) for name in names)
        for other in others:
            first = np.strings.add(np.strings.add(first, " / "), other)
        return np.asarray(first)

    def where(self, rows: NDArray[np.bool_] | NDArray[np.intp]) -> Readings:
        """Keep some rows."""
        kept: dict[str, Any] = {}
        for column in fields(self):
            if column.name != "conventions":
                found = getattr(self, column.name)
                kept[column.name] = (
                    {name: values[rows] for name, values in found.items()}
                    if isinstance(found, Mapping)
                    else found[rows]
                )
        return replace(self, **kept)


def knee_label(subject: str, side: str, visit: str) -> str:
    """Name a knee at its visit, which may have no name of its own."""
    return f"{subject} / {side} / {visit}" if visit else f"{subject} / {side}"


def flags_of(values_mm: FloatArray, conventions: Conventions) -> FloatArray:
    """Apply the threshold rule as `caliper.decision.flag` does; NaN where there is no value."""
    above = conventions.threshold_rule is ThresholdRule.ABOVE
    cut = conventions.threshold_mm
    flags = values_mm > cut + TIE_TOLERANCE_MM if above else values_mm >= cut - TIE_TOLERANCE_MM
    return np.where(np.isnan(values_mm), np.nan, flags.astype(np.float64))


TEXT_COLUMNS = ("subject", "visit", "side_measured", "group", "reader")
CONVENTION_COLUMNS = ("axis_convention", "slice_convention", "threshold_rule", "threshold_mm")

MEASURED = "status = 'measured'"

CHUNK = 50_000
"""Rows turned into arrays at a time, so that a million readings fit into memory."""


def load_readings(
    store: Store, compartment: Compartment, *, slice_convention: SliceConvention | None = None
) -> Readings:
    """Take the current measured readings of one compartment from a store.

    Parameters
    ----------
    store
        The store of the cohort.
    compartment
        Which of its compartments.
    slice_convention
        Take only readings on slices chosen by this rule; None takes all, which must be by one.

    Raises
    ------
    AgreementError
        If there are none, or they were made under different conventions.
    """
    where = compartment.value
    names = (*TEXT_COLUMNS, "repeat", f"{where}_extrusion_mm", f"{where}_u_mm", "verified",
             "proposal_confidence", "covariates", *CONVENTION_COLUMNS)  # fmt: skip
    rows = (
        row for row in store.columns(*names, where=MEASURED)
        if row[6] is not None
        and (slice_convention is None or row[12] == slice_convention.value)
    )  # fmt: skip
    found: Counter[tuple[Any, ...]] = Counter()
    covariates = store.covariates()
    chunks = []
    while block := list(islice(rows, CHUNK)):
        found.update(row[-len(CONVENTION_COLUMNS) :] for row in block)
        chunks.append(_arrays(block, covariates))
    if not chunks:
        raise AgreementError(
            f"The store holds no measured {where} compartment. Measure knees with landmarks there."
        )
    columns = [np.concatenate(parts) for parts in zip(*chunks, strict=True)]
    subject, visit, side, group, reader, repeat, value, u, verified, confidence, *others = columns
    return Readings(
        _one_convention(found),
        subject,
        visit,
        side,
        group,
        reader,
        repeat.astype(np.int64),
        value,
        u,
        {"verified": verified, "confidence": confidence},
        dict(zip(covariates, others, strict=True)),
    )


def _arrays(block: list[tuple[Any, ...]], covariates: tuple[str, ...]) -> list[NDArray[Any]]:
    columns = list(zip(*block, strict=True))
    texts = [np.array(column, dtype=str) for column in columns[:5]]
    numbers = [np.array(column, dtype=np.float64) for column in columns[5:10]]
    parsed = {text: json.loads(text) if text else {} for text in set(columns[10])}
    told = [parsed[text] for text in columns[10]]
    others = [np.array([cells.get(name, "") for cells in told], dtype=str) for name in covariates]
    return [*texts, *numbers, *others]


def _one_convention(found: Counter[tuple[Any, ...]]) -> Conventions:
    """Refuse to pool readings whose numbers mean different things."""
    if len(found) > 1:
        said = "; ".join(
            f"{count} along {axis} on {slice_}, {threshold_words(conventions)}"
            for (axis, slice_, rule, threshold), count in sorted(found.items())
            for conventions in (Conventions(AxisConvention(axis), ThresholdRule(rule), threshold),)
        )
        raise AgreementError(
            f"The readings were made under different conventions ({said}) and do not compare."
            " Report those of one slice convention (--slice-convention), or measure the cohort"
            " again under one."
        )
    ((axis, slice_, rule, threshold),) = found
    return Conventions(
        AxisConvention(axis), ThresholdRule(rule), threshold, slice=SliceConvention(slice_)
    )


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
