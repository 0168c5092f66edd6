"""Change between two visits, knee by knee and on average."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from meniscal_measure.cohort.agreement.clusters import subject_codes
from meniscal_measure.cohort.agreement.estimates import (
    TAIL,
    Cases,
    Estimate,
    FloatArray,
    as_floats,
    require,
)
from meniscal_measure.cohort.agreement.group_comparison import Sample, mean_of
from meniscal_measure.cohort.agreement.labels import Codes, Texts
from meniscal_measure.cohort.agreement.proportions import clustered_proportion
from meniscal_measure.errors import AgreementError


@dataclass(frozen=True)
class Visits:
    """The same knees at two visits, mm; NaN where missing. All shape (n,).

    `u_*` are the standard uncertainties of the single readings.
    """

    knees: ArrayLike
    baseline_mm: ArrayLike
    follow_up_mm: ArrayLike
    u_baseline_mm: ArrayLike
    u_follow_up_mm: ArrayLike
    subjects: Codes | None = None
    """Number of the subject of each knee; None where each knee is a subject's only one."""


@dataclass(frozen=True)
class KneeChanges:
    """Change of each knee; NaN where a visit is missing. All arrays have shape (n,)."""

    knees: Texts
    baseline_mm: FloatArray
    change_mm: FloatArray
    """Follow-up minus baseline."""
    u_mm: FloatArray
    """Standard uncertainty of the change, the two visits' errors being independent."""
    detectable_mm: float
    """Smallest detectable change."""
    exceeds_detectable: NDArray[np.bool_]
    exceeds_uncertainty: NDArray[np.bool_]
    """Whether the change lies outside its own interval about zero."""
    subjects: Codes | None = None


@dataclass(frozen=True)
class MeanChange:
    """Change of a group of knees."""

    mean: Estimate
    sd: Estimate
    more: Estimate
    """Share whose extrusion grew by more than the smallest detectable change."""
    less: Estimate
    """Share whose extrusion shrank by more than it."""
    cases: Cases

    @property
    def estimates(self) -> tuple[Estimate, ...]:
        """All of them, as lines of a results table."""
        return self.mean, self.sd, self.more, self.less


def knee_changes(visits: Visits, detectable_mm: float) -> KneeChanges:
    """Say of each knee by how much it changed and whether that is beyond error.

    Parameters
    ----------
    visits
        Readings and uncertainties of both visits.
    detectable_mm
        Smallest detectable change of the method, from `repeatability.measurement_error`.

    Raises
    ------
    AgreementError
        If the columns differ in length or an uncertainty is negative.
    """
    columns = (visits.baseline_mm, visits.follow_up_mm, visits.u_baseline_mm, visits.u_follow_up_mm)
    baseline, follow_up, u_baseline, u_follow_up = (as_floats(column) for column in columns)
    knees = np.asarray(visits.knees)
    if any(c.shape != knees.shape for c in (baseline, follow_up, u_baseline, u_follow_up)):
        raise AgreementError("The two visits must list the same knees; pair them first.")
    if min(np.nanmin(u, initial=0.0) for u in (u_baseline, u_follow_up)) < 0:
        raise AgreementError(
            "A standard uncertainty is negative. Give it as a positive number of mm."
        )
    change, u = follow_up - baseline, np.hypot(u_baseline, u_follow_up)
    factor = float(stats.norm.ppf(1 - TAIL))
    return KneeChanges(
        knees,
        baseline,
        change,
        u,
        detectable_mm,
        exceeds_detectable=np.abs(change) > detectable_mm,
        exceeds_uncertainty=np.abs(change) > factor * u,
        subjects=visits.subjects,
    )


def mean_change(changes: KneeChanges) -> MeanChange:
    """Summarise the change of a group.

    Raises
    ------
    AgreementError
        If fewer than two knees were measured at both visits.
    """
    seen = ~np.isnan(changes.change_mm)
    known = changes.change_mm[seen]
    require(known.size, 2, "The mean change")
    owners = None if changes.subjects is None else changes.subjects[seen]
    codes = subject_codes(owners, known.size)
    limit = changes.detectable_mm

    def share(what: str, beyond: NDArray[np.bool_]) -> Estimate:
        name = f"{what} by more than the smallest detectable change"
        return clustered_proportion(name, beyond.astype(np.float64), codes)

    return MeanChange(
        mean_of("Mean change", Sample(known, owners)),
        Estimate("SD of change", float(known.std(ddof=1)), unit="mm"),
        share("Grew", known > limit),
        share("Shrank", known < -limit),
        Cases(known.size, changes.change_mm.size - known.size, "knees"),
    )
