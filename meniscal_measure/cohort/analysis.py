"""From the readings of a store to statements about readers, groups and visits."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cached_property
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment
from meniscal_measure.cohort.agreement.change import (
    KneeChanges,
    MeanChange,
    Visits,
    knee_changes,
    mean_change,
)
from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.flags import FlagAgreement, flag_agreement
from meniscal_measure.cohort.agreement.grades import Kappa, weighted_kappa
from meniscal_measure.cohort.agreement.limits import (
    LimitsOfAgreement,
    ProportionalBias,
    limits_of_agreement,
    proportional_bias,
)
from meniscal_measure.cohort.agreement.ratings import Ratings, ratings_from_rows
from meniscal_measure.cohort.agreement.reliability import Reliability, intraclass_correlations
from meniscal_measure.cohort.agreement.repeatability import (
    MeasurementError,
    measurement_error,
    smallest_detectable_change,
)
from meniscal_measure.cohort.store import Store
from meniscal_measure.errors import AgreementError

GRADES = 4
"""Number of grades of extrusion, 0 to 3."""

Texts = NDArray[np.str_]


@dataclass(frozen=True)
class Readings:
    """The measured readings of one compartment, one row each; all arrays have shape (n,)."""

    subject: Texts
    visit: Texts
    side: Texts
    group: Texts
    reader: Texts
    repeat: NDArray[np.int64]
    extrusion_mm: FloatArray
    u_mm: FloatArray
    flag: FloatArray
    grade: FloatArray

    @cached_property
    def knee(self) -> Texts:
        """Label of the knee at its visit."""
        return self.joined("subject", "side", "visit")

    def joined(self, *names: str) -> Texts:
        """Columns joined into one label for each row."""
        rows = zip(*(getattr(self, name) for name in names), strict=True)
        return np.array([" / ".join(row) for row in rows], dtype=str)

    def where(self, rows: NDArray[np.bool_]) -> Readings:
        """Keep some rows."""
        columns = {column.name: getattr(self, column.name) for column in fields(self)}
        return Readings(**{name: column[rows] for name, column in columns.items()})


@dataclass(frozen=True)
class PairOfReaders:
    """Two readers on the same knees."""

    first: str
    second: str
    values: tuple[FloatArray, FloatArray]
    limits: LimitsOfAgreement
    proportional: ProportionalBias
    flags: FlagAgreement
    grades: Kappa | None
    """None where all grades are the same."""


@dataclass(frozen=True)
class BetweenReaders:
    """How readers agree, each knee read once by each."""

    readers: tuple[str, ...]
    reliability: Reliability
    error: MeasurementError
    pairs: tuple[PairOfReaders, ...]


@dataclass(frozen=True)
class WithinReader:
    """How one reader agrees with their own repeats."""

    reader: str
    reliability: Reliability
    error: MeasurementError


def load_readings(store: Store, compartment: Compartment) -> Readings:
    """Take the current measured readings of one compartment from a store.

    Raises
    ------
    AgreementError
        If there are none.
    """
    where = compartment.value
    rows = [
        (
            row["subject"], row["visit"], row["side_measured"], row["group"], row["reader"],
            row["repeat"], row[f"{where}_extrusion_mm"], row[f"{where}_u_mm"],
            row[f"{where}_flag"], row[f"{where}_grade"],
        )
        for row in store.rows()
        if row["status"] == "measured" and row[f"{where}_extrusion_mm"] is not None
    ]  # fmt: skip
    if not rows:
        raise AgreementError(f"The store holds no measured {where} compartment.")
    columns = list(zip(*rows, strict=True))
    subject, visit, side, group, reader = (np.array(c, dtype=str) for c in columns[:5])
    extrusion_mm, u_mm, flag, grade = (np.array(c, dtype=np.float64) for c in columns[6:])
    repeat = np.array(columns[5], dtype=np.int64)
    return Readings(subject, visit, side, group, reader, repeat, extrusion_mm, u_mm, flag, grade)


def between_readers(readings: Readings) -> BetweenReaders | None:
    """Compare the first readings of all readers; None where there is only one reader."""
    first = readings.where(readings.repeat == 1)
    ratings = ratings_from_rows(first.knee, first.reader, first.extrusion_mm)
    if len(ratings.readers) < 2:
        return None
    flags = ratings_from_rows(first.knee, first.reader, first.flag)
    grades = ratings_from_rows(first.knee, first.reader, first.grade)
    return BetweenReaders(
        ratings.readers,
        intraclass_correlations(ratings),
        measurement_error(ratings),
        tuple(
            _pair((a, b), ratings, flags, grades)
            for a, b in combinations(range(len(ratings.readers)), 2)
        ),
    )


def _pair(
    columns: tuple[int, int], ratings: Ratings, flags: Ratings, grades: Ratings
) -> PairOfReaders:
    a, b = columns
    values = ratings.values[:, a], ratings.values[:, b]
    try:
        kappa = weighted_kappa(grades.values[:, a], grades.values[:, b], grades=GRADES)
    except AgreementError:  # one grade for all: there is nothing to agree on beyond chance
        kappa = None
    return PairOfReaders(
        ratings.readers[a],
        ratings.readers[b],
        values,
        limits_of_agreement(*values),
        proportional_bias(*values),
        flag_agreement(flags.values[:, a], flags.values[:, b]),
        kappa,
    )


def within_readers(readings: Readings) -> tuple[WithinReader, ...]:
    """Compare the repeats of each reader who repeated any."""
    found = []
    for reader in np.unique(readings.reader[readings.repeat > 1]):
        own = readings.where(readings.reader == reader)
        repeated = np.isin(own.knee, own.knee[own.repeat > 1])
        own = own.where(repeated)
        ratings = ratings_from_rows(own.knee, own.repeat, own.extrusion_mm)
        error = measurement_error(ratings)
        found.append(WithinReader(str(reader), intraclass_correlations(ratings), error))
    return tuple(found)


def mean_of_readings(readings: Readings) -> Readings:
    """Take the mean of all readings of each knee.

    Returns
    -------
    Readings
        One row for each knee at each visit, reader empty. `u_mm` is the root mean square of the
        single ones, as their errors may be common to all; `flag` is the mean flag, `grade` the
        mean grade.
    """
    _, first, codes = np.unique(readings.knee, return_index=True, return_inverse=True)
    counts = np.bincount(codes)

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(codes, values) / counts, dtype=np.float64)

    return Readings(
        subject=readings.subject[first],
        visit=readings.visit[first],
        side=readings.side[first],
        group=readings.group[first],
        reader=np.full(first.size, "", dtype=str),
        repeat=np.ones(first.size, dtype=np.int64),
        extrusion_mm=mean(readings.extrusion_mm),
        u_mm=np.sqrt(mean(readings.u_mm**2)),
        flag=mean(readings.flag),
        grade=mean(readings.grade),
    )


def between_visits(
    readings: Readings, visits: tuple[str, str], *, detectable_mm: float
) -> tuple[KneeChanges, MeanChange]:
    """Compare each knee at two visits, by the mean of its readings.

    Parameters
    ----------
    readings
        All readings.
    visits
        Names of the earlier and the later visit. A knee seen at one of them only is counted as
        missing.
    detectable_mm
        Smallest detectable change of the method.

    Raises
    ------
    AgreementError
        If fewer than two knees were measured at both visits.
    """
    knees = mean_of_readings(readings.where(np.isin(readings.visit, visits)))
    names = knees.joined("subject", "side")
    tables: Mapping[str, Ratings] = {
        name: ratings_from_rows(names, knees.visit, getattr(knees, name))
        for name in ("extrusion_mm", "u_mm")
    }
    values, u = tables["extrusion_mm"], tables["u_mm"]
    missing = [visit for visit in visits if visit not in values.readers]
    if missing:
        raise AgreementError(f"No knee was measured at visit {missing[0]!r}.")
    early, late = (values.readers.index(visit) for visit in visits)
    paired = Visits(
        values.cases, values.values[:, early], values.values[:, late],
        u.values[:, early], u.values[:, late],
    )  # fmt: skip
    changes = knee_changes(paired, detectable_mm)
    return changes, mean_change(changes)


def detectable_change(readings: Readings) -> tuple[float, str]:
    """Find the smallest detectable change, from the best evidence the readings hold.

    Returns
    -------
    tuple
        The change in mm, and in words where it comes from.
    """
    try:
        within, between = within_readers(readings), between_readers(readings)
    except AgreementError:
        within, between = (), None
    if within:
        mean_square = float(np.mean([one.error.within_case_sd.value**2 for one in within]))
        return smallest_detectable_change(math.sqrt(mean_square)), "repeats by the same reader"
    if between is not None:
        return between.error.sdc_agreement.value, "agreement between readers"
    u = float(np.sqrt(np.mean(readings.u_mm**2)))
    return smallest_detectable_change(u), "the stated uncertainty of the readings, none repeated"
