"""How readers agree with each other and themselves, and the change that is beyond their error."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations

import numpy as np

from meniscal_measure.caliper.detectable_change import smallest_detectable_change
from meniscal_measure.caliper.grades import GRADE_CUTS_MM
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.cohort.agreement.clusters import subject_codes
from meniscal_measure.cohort.agreement.estimates import Estimate, FloatArray
from meniscal_measure.cohort.agreement.flags import FlagAgreement, flag_agreement
from meniscal_measure.cohort.agreement.kappa import Kappa, weighted_kappa
from meniscal_measure.cohort.agreement.labels import Codes, Labels
from meniscal_measure.cohort.agreement.limits import (
    LimitsOfAgreement,
    ProportionalBias,
    limits_of_agreement,
    proportional_bias,
)
from meniscal_measure.cohort.agreement.ratings import Ratings, ratings_from_rows
from meniscal_measure.cohort.agreement.reliability import Reliability, intraclass_correlations
from meniscal_measure.cohort.agreement.repeatability import (
    ROUNDING,
    SOURCE_SDC,
    MeasurementError,
    WithinCases,
    measurement_error,
    pooled_detectable_change,
    within_cases,
)
from meniscal_measure.cohort.agreement.repeated import repeated_limits
from meniscal_measure.cohort.agreement.tables import interval_text
from meniscal_measure.cohort.readings import Readings, flags_of, grades_of
from meniscal_measure.errors import AgreementError

GRADES = len(GRADE_CUTS_MM) + 1
"""Number of grades of extrusion."""


@dataclass(frozen=True)
class PairOfReaders:
    """Two readers on the same knees."""

    first: str
    second: str
    values: tuple[FloatArray, FloatArray]
    limits: LimitsOfAgreement
    """For several examinations of a subject by the method for repeated measurements."""
    proportional: ProportionalBias
    flags: FlagAgreement
    grades: Kappa | None
    """None where all grades are the same."""


@dataclass(frozen=True)
class BetweenReaders:
    """How readers agree, each knee at each visit read once by each."""

    table: Ratings
    """Of those compared all at once: of the readers with the most cases in common."""
    left_out: tuple[str, ...]
    """Other readers, who have read too few of these cases and are compared in pairs only."""
    reliability: Reliability
    error: MeasurementError
    pairs: tuple[PairOfReaders, ...]

    @property
    def readers(self) -> tuple[str, ...]:
        """Those compared all at once."""
        return tuple(self.table.readers.tolist())

    @property
    def subjects(self) -> int:
        """How many subjects the cases come from."""
        return int(np.unique(self.table.complete_subjects()).size)

    @property
    def identical(self) -> bool:
        """Whether the readers do not differ at all, as copies do not."""
        return self.error.sdc_agreement.value < ROUNDING


@dataclass(frozen=True)
class WithinReader:
    """How one reader agrees with their own repeats."""

    reader: str
    repeats: WithinCases
    """Of all their repeats."""
    table: Ratings
    """As many repeats of as many cases as make up the most informative complete table."""

    @property
    def reliability(self) -> Reliability:
        """How well the reader distinguishes one knee from another."""
        return intraclass_correlations(self.table)

    @property
    def error(self) -> MeasurementError:
        """Error of a single reading, from the complete table."""
        return measurement_error(self.table)


@dataclass(frozen=True)
class DetectableChange:
    """The smallest detectable change of a single reading, and in words where it comes from."""

    estimate: Estimate
    evidence: str

    @property
    def value_mm(self) -> float:
        """The change, mm."""
        return self.estimate.value

    @property
    def words(self) -> str:
        """The change with its interval, if it has one, and its evidence."""
        interval = interval_text(self.estimate)
        return (
            f"{self.value_mm:.2f} mm ({f'95 % interval {interval}, ' if interval else ''}from"
            f" {self.evidence})"
        )


@lru_cache(maxsize=4)
def between_readers(readings: Readings) -> BetweenReaders | None:
    """Compare the first readings of all readers; None where there is only one reader.

    Several sections ask, so that the last answers are kept.

    Raises
    ------
    AgreementError
        If fewer than two knees were read by all, or all values are equal.
    """
    table = readings.table
    if table.readers.size < 2:
        return None
    common = with_most_in_common(table)
    return BetweenReaders(
        common,
        tuple(reader for reader in table.readers.tolist() if reader not in common.readers),
        intraclass_correlations(common),
        measurement_error(common),
        tuple(_pairs(table, readings.conventions)),
    )


def with_most_in_common(table: Ratings) -> Ratings:
    """Keep the readers whose complete cases leave the most degrees of freedom.

    Otherwise one reader of a few cases would reduce the table to those cases.

    Examples
    --------
    >>> readers = [*"ABCABABAB"]
    >>> table = ratings_from_rows([1, 1, 1, 2, 2, 3, 3, 4, 4], readers, [2, 2, 2, 3, 3, 4, 4, 5, 5])
    >>> with_most_in_common(table).readers.tolist()
    ['A', 'B']
    """
    if table.readers.size < 3:
        return table
    known = ~np.isnan(table.values)
    order = np.argsort(-known.sum(axis=0), kind="stable")

    def freedom(count: int) -> int:
        return (int(known[:, order[:count]].all(axis=1).sum()) - 1) * (count - 1)

    # Of equals the most readers: nobody who has read as much should be left out by chance.
    best = max(range(2, order.size + 1), key=lambda count: (freedom(count), count))
    kept = np.sort(order[:best])
    return replace(table, values=table.values[:, kept], readers=table.readers[kept])


def _pairs(table: Ratings, conventions: Conventions) -> Iterator[PairOfReaders]:
    owners = subject_codes(table.subjects, len(table.cases))
    flags, grades = flags_of(table.values, conventions), grades_of(table.values)
    for a, b in combinations(range(table.readers.size), 2):
        one, two = table.values[:, a], table.values[:, b]
        yield PairOfReaders(
            str(table.readers[a]),
            str(table.readers[b]),
            (one, two),
            _limits(owners, one, two),
            proportional_bias(one, two, subjects=owners),
            flag_agreement(flags[:, a], flags[:, b], subjects=owners),
            _kappa(grades[:, a], grades[:, b], owners),
        )


def _limits(owners: Codes, one: FloatArray, two: FloatArray) -> LimitsOfAgreement:
    both = ~np.isnan(one - two)
    if np.unique(owners[both]).size == both.sum():
        return limits_of_agreement(one, two)
    return repeated_limits(owners[both], one[both], two[both])


def _kappa(one: FloatArray, two: FloatArray, owners: Codes) -> Kappa | None:
    try:
        return weighted_kappa(one, two, grades=GRADES, subjects=owners)
    except AgreementError:  # one grade for all: there is nothing to agree on beyond chance
        return None


def within_readers(readings: Readings) -> tuple[WithinReader, ...]:
    """Compare the repeats of each reader who repeated two knees or more."""
    found = []
    for reader in readings.reader.where(readings.repeat > 1).names.tolist():
        own = np.flatnonzero(readings.reader.is_(reader))
        repeats = within_cases(readings.examination.where(own), readings.extrusion_mm[own])
        if repeats.cases >= 2:
            found.append(WithinReader(reader, repeats, _repeat_table(readings, own)))
    return tuple(found)


def _repeat_table(readings: Readings, own: Codes) -> Ratings:
    """Arrange the repeats of one reader in their order, cut off where most freedom is left."""
    knees = readings.examination.codes[own]
    several = np.bincount(knees)[knees] > 1
    order = np.lexsort((readings.repeat[own[several]], knees[several]))
    rows = own[several][order]
    cases = readings.examination.where(rows)
    counts = np.bincount(cases.codes)
    number = np.arange(rows.size) - (np.cumsum(counts) - counts)[cases.codes]

    def freedom(columns: int) -> int:
        return (int((counts >= columns).sum()) - 1) * (columns - 1)

    columns = max(range(2, int(counts.max()) + 1), key=freedom)
    kept = number < columns
    return ratings_from_rows(
        cases.where(kept),
        Labels(number[kept], np.arange(columns).astype(str)),
        readings.extrusion_mm[rows[kept]],
        subjects=readings.subject.where(rows[kept]),
    )


def detectable_change(readings: Readings) -> DetectableChange:
    """Find the smallest detectable change, from the best evidence the readings hold.

    Repeats by the same reader come first, pooled by their degrees of freedom; then the agreement of
    the readers; then the uncertainty that the readings state themselves. Readings that do not
    differ at all are no evidence, and the words say that they were passed over.
    """
    within = within_readers(readings)
    repeats = [one.repeats for one in within if not one.repeats.identical]
    copied = sum(one.repeats.cases for one in within if one.repeats.identical)
    passed = f"; identical repeats of {copied} cases, as of copies, do not count" if copied else ""
    if repeats:
        evidence = (
            f"{sum(one.cases for one in repeats)} cases repeated by the same reader,"
            f" {sum(one.readings for one in repeats)} readings with"
            f" {sum(one.freedom for one in repeats)} degrees of freedom"
        )
        return DetectableChange(pooled_detectable_change(repeats), evidence + passed)
    try:
        between = between_readers(readings)
    except AgreementError:  # too few knees that all have read
        between = None
    if between is not None and not between.identical:
        evidence = f"agreement between readers on {between.error.cases.used} cases"
        return DetectableChange(between.error.sdc_agreement, evidence + passed)
    if between is not None:
        passed += "; identical readings by different readers, as of copies, do not count"
    change_mm = smallest_detectable_change(float(np.sqrt(np.mean(readings.u_mm**2))))
    few = "" if within else ", fewer than two cases repeated by any reader"
    evidence = f"the stated uncertainty of the readings{few}{passed}"
    stated = Estimate("Smallest detectable change", change_mm, unit="mm", source=SOURCE_SDC)
    return DetectableChange(stated, evidence)
