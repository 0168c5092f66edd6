"""Change between two visits, knee by knee and on average."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from meniscal_measure.cohort.agreement.estimates import (
    TAIL,
    Cases,
    Estimate,
    FloatArray,
    Lines,
    require,
)
from meniscal_measure.cohort.agreement.group_comparison import Sample, mean_of
from meniscal_measure.cohort.agreement.labels import Codes, Texts
from meniscal_measure.cohort.agreement.proportions import clustered_proportion


@dataclass(frozen=True, eq=False)
class KneeChanges:
    """The same knees at two visits, mm; NaN where a visit is missing. All arrays have shape (n,).

    `u_*` are the standard uncertainties of the single readings.

    Examples
    --------
    >>> mm = np.array([3.3, 2.0]), np.array([5.5, 2.3]), np.array([0.3, 0.3]), np.array([0.4, 0.4])
    >>> changes = KneeChanges(np.array(["a", "b"]), *mm, np.arange(2), detectable_mm=0.8)
    >>> changes.u_mm.round(2).tolist(), changes.exceeds_uncertainty.tolist()
    ([0.5, 0.5], [True, False])
    """

    knees: Texts
    baseline_mm: FloatArray
    follow_up_mm: FloatArray
    u_baseline_mm: FloatArray
    u_follow_up_mm: FloatArray
    subjects: Codes
    """Number of the subject of each knee."""
    detectable_mm: float
    """Smallest detectable change of the method, from `repeatability.measurement_error`."""

    @property
    def change_mm(self) -> FloatArray:
        """Follow-up minus baseline."""
        return self.follow_up_mm - self.baseline_mm

    @property
    def u_mm(self) -> FloatArray:
        """Standard uncertainty of the change, the two visits' errors being independent."""
        return np.hypot(self.u_baseline_mm, self.u_follow_up_mm)

    @property
    def exceeds_detectable(self) -> NDArray[np.bool_]:
        """Whether each knee changed by more than the smallest detectable change."""
        return np.abs(self.change_mm) > self.detectable_mm

    @property
    def exceeds_uncertainty(self) -> NDArray[np.bool_]:
        """Whether each change lies outside its own interval about zero."""
        return np.abs(self.change_mm) > float(stats.norm.ppf(1 - TAIL)) * self.u_mm


@dataclass(frozen=True)
class MeanChange(Lines):
    """Change of a group of knees."""

    mean: Estimate
    sd: Estimate
    more: Estimate
    """Share whose extrusion grew by more than the smallest detectable change."""
    less: Estimate
    """Share whose extrusion shrank by more than it."""
    cases: Cases


def mean_change(changes: KneeChanges) -> MeanChange:
    """Summarise the change of a group.

    Raises
    ------
    AgreementError
        If fewer than two knees were measured at both visits.
    """
    seen = ~np.isnan(changes.change_mm)
    known, owners = changes.change_mm[seen], changes.subjects[seen]
    require(known.size, 2, "The mean change")
    limit = changes.detectable_mm

    def share(what: str, beyond: NDArray[np.bool_]) -> Estimate:
        name = f"{what} by more than the smallest detectable change"
        return clustered_proportion(name, beyond.astype(np.float64), owners)

    return MeanChange(
        mean_of("Mean change", Sample(known, owners)),
        Estimate("SD of change", float(known.std(ddof=1)), unit="mm"),
        share("Grew", known > limit),
        share("Shrank", known < -limit),
        Cases(known.size, seen.size - known.size, "knees"),
    )
