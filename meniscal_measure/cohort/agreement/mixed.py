"""A linear mixed model: readings that are correlated because they come from one subject.

Random intercepts for nested levels, such as subject, knee and examination, fitted by restricted
maximum likelihood; checked against general libraries in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from meniscal_measure.cohort.agreement.clusters import Error
from meniscal_measure.cohort.agreement.design import Design
from meniscal_measure.cohort.agreement.estimates import (
    Cases,
    Estimate,
    FloatArray,
    as_floats,
    require,
)
from meniscal_measure.cohort.agreement.restricted_likelihood import RestrictedFit
from meniscal_measure.errors import AgreementError

SOURCE = (
    "Laird NM, Ware JH. Biometrics 1982;38:963-974 (REML); degrees of freedom: Satterthwaite FE."
    " Biometrics Bull 1946;2:110-114"
)


@dataclass(frozen=True)
class Effect:
    """A fixed effect or a contrast of several, with its test against zero."""

    estimate: Estimate
    se: float
    df: float
    """Satterthwaite's degrees of freedom."""
    p: float


@dataclass(frozen=True)
class MixedModel:
    """Fixed effects and variances of a fitted model."""

    design: Design
    fit: RestrictedFit
    residuals: FloatArray
    """In the order of the rows, without the random levels; shape (n,), NaN where left out."""
    fitted: FloatArray
    cases: Cases

    @property
    def effects(self) -> tuple[Effect, ...]:
        """Every fixed effect, the intercept first."""
        names = self.design.names
        rows = np.eye(len(names))
        return tuple(self.contrast(name, row) for name, row in zip(names, rows, strict=True))

    def contrast(self, name: str, weights: FloatArray) -> Effect:
        """Estimate a weighted sum of fixed effects."""
        value = float(weights @ self.fit.coefficients)
        variance = float(weights @ self.fit.covariance @ weights)
        error = Error(math.sqrt(variance), self._freedom(weights))
        estimate = Estimate(name, value, *error.interval(value), "mm", SOURCE)
        return Effect(estimate, error.se, error.df, error.p_value(value))

    def _freedom(self, weights: FloatArray) -> float:
        variance = float(weights @ self.fit.covariance @ weights)
        slope = np.einsum("i,kij,j->k", weights, self.fit.slopes, weights)
        return float(2 * variance**2 / (slope @ self.fit.log_sd_covariance @ slope))

    def joint_p(self, columns: tuple[int, ...]) -> float:
        """Test several fixed effects at once: Wald F, the fewest of their degrees of freedom."""
        places = list(columns)
        found = self.fit.coefficients[places]
        rows = np.eye(self.fit.coefficients.size)[places]
        covariance = self.fit.covariance[np.ix_(places, places)]
        f = found @ np.linalg.solve(covariance, found) / len(places)
        return float(stats.f.sf(f, len(places), min(self._freedom(row) for row in rows)))


def mixed_model(
    values_mm: ArrayLike, design: Design, levels: Mapping[str, ArrayLike]
) -> MixedModel:
    """Fit a linear mixed model with nested random intercepts.

    Parameters
    ----------
    values_mm
        Measurements, shape (n,). Rows with a missing value or covariate are left out and counted.
    design
        Fixed effects, n rows.
    levels
        Labels of each row by the name of the level, the outermost first, such as subject, knee and
        examination. A level that has as many groups as there are rows cannot be distinguished
        from the residuals and must not be given.

    Raises
    ------
    AgreementError
        If there are fewer rows than effects, the readings cannot separate two effects, or they
        do not scatter.
    """
    y = as_floats(values_mm)
    keep = ~(np.isnan(y) | np.isnan(design.matrix).any(axis=1))
    cases = Cases(int(keep.sum()), int((~keep).sum()), "readings")
    effects = design.matrix.shape[1]
    require(cases.used, effects + 2, "A mixed model")
    if np.linalg.matrix_rank(design.matrix[keep]) < effects:
        raise AgreementError(
            f"The effects {', '.join(design.names)} cannot be told apart by these readings. Leave"
            " one out, or add readings."
        )
    fit = RestrictedFit(
        y[keep], design.matrix[keep], {n: np.asarray(v)[keep] for n, v in levels.items()}
    )
    residuals = np.full(y.size, np.nan)
    residuals[keep] = fit.residuals
    return MixedModel(design, fit, residuals, y - residuals, cases)
