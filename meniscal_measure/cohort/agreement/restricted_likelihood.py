"""Restricted likelihood of nested random intercepts, and where it is largest.

Levels that are nested need sums over groups only, so that a fit takes time in proportion to the
rows (a general library takes 6 s for 6,000).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from meniscal_measure.cohort.agreement.estimates import TAIL, Estimate, FloatArray
from meniscal_measure.errors import AgreementError

SOURCE_SPREAD = (
    "REML; interval from the curvature of the likelihood on the log scale (Pinheiro JC, Bates DM."
    " Mixed-Effects Models in S and S-PLUS. Springer; 2000, section 2.4)"
)

AT_ZERO = 1e-3
"""Random level's SD over the residual SD below which the level is tried without any variance."""

STEP = 1e-3
"""Step of the numerical derivatives, in log SD."""

LARGEST_EXPONENT = 700.0
"""Of e, in double precision."""


LEAST_SCATTER_MM = 1e-9
"""Readings closer to their effects and to their groups than rounding have no scatter."""


class RestrictedFit:
    """Fixed effects and variances of rows, which are sorted by their nested groups.

    Parameters
    ----------
    y, x
        Measurements, shape (n,), and fixed effects, shape (n, p), none missing.
    levels
        Labels of each row by the name of the level, the outermost first.

    Raises
    ------
    AgreementError
        If fixed effects and groups leave no scatter.
    """

    def __init__(self, y: FloatArray, x: FloatArray, levels: Mapping[str, ArrayLike]) -> None:
        self._names = tuple(levels)
        codes = _nested_codes(list(levels.values()), y.size)
        self._order = np.lexsort(codes[::-1]) if codes else np.arange(y.size)
        self._columns = np.column_stack([x, y, np.ones(y.size)])[self._order]
        self._n, self._p = x.shape
        self._groups = [code[self._order] for code in codes]
        self._squares = self._columns.T @ self._columns
        self._runs, self._innermost = _runs(self._groups), self._columns
        if self._groups:
            starts = _starts(self._groups[-1])
            self._innermost = np.add.reduceat(self._columns, starts, axis=0)
        self._check_scatter()
        self.ratios = self._best_ratios()
        self.residual_sd = math.sqrt(self._profiled(self.ratios)[1])

    def _check_scatter(self) -> None:
        within = self._columns[:, :-1]
        if self._groups:
            group = self._groups[-1]
            sums = np.column_stack([np.bincount(group, column) for column in within.T])
            within = within - (sums / np.bincount(group)[:, None])[group]
        x, y = within[:, :-1], within[:, -1]
        if np.abs(y - x @ np.linalg.lstsq(x, y)[0]).max() < LEAST_SCATTER_MM:
            raise AgreementError(
                "The readings do not vary beyond their effects, so no model of their scatter can be"
                " fitted. Check that no file is listed twice."
            )

    def _products(self, variances: FloatArray, residual: float) -> tuple[FloatArray, float]:
        """Multiply the columns by each other through the inverse covariance; and its log det.

        Only sums of groups are needed: those of a level shrink by 1 / (1 + variance * sum of ones)
        on their way to the level outside it.
        """
        products, log_det = self._squares / residual, self._n * math.log(residual)
        sums = self._innermost / residual
        for variance, runs in reversed(list(zip(variances.tolist(), self._runs, strict=True))):
            if runs is not self._runs[-1]:
                sums = np.add.reduceat(sums, runs, axis=0)
            if variance > 0:
                grown = 1 + variance * sums[:, -1]
                log_det += float(np.log(grown).sum())
                products = products - variance * sums.T @ (sums / grown[:, None])
                sums = sums / grown[:, None]
        return products, log_det

    def _deviance(self, variances: FloatArray, residual: float) -> tuple[float, float]:
        """Return -2 log restricted likelihood without its constant, and the weighted squares."""
        products, log_det = self._products(variances, residual)
        p = self._p
        information, moment = products[:p, :p], products[:p, p]
        squares = float(products[p, p] - moment @ np.linalg.solve(information, moment))
        return log_det + float(np.linalg.slogdet(information)[1]) + squares, squares

    def _profiled(self, ratios: FloatArray) -> tuple[float, float]:
        """Return the deviance at the best residual variance, and that variance."""
        total, squares = self._deviance(ratios**2, 1.0)
        freedom = self._n - self._p
        residual = max(squares / freedom, np.finfo(float).tiny)
        return total - squares + freedom * (1 + math.log(residual)), residual

    def _best_ratios(self) -> FloatArray:
        """SD of each level over the residual SD."""
        count = len(self._groups)
        if not count:
            return np.zeros(0)

        def deviance(tried: NDArray[np.float64]) -> float:
            return self._profiled(tried)[0]

        ratios: FloatArray = np.ones(count)
        for _ in range(2):  # the second start frees a simplex that has collapsed
            # Only squares of the ratios enter, so the search may pass through zero.
            found = optimize.minimize(
                deviance, np.maximum(ratios, 0.1), method="Nelder-Mead", tol=1e-8
            )
            ratios = np.abs(found.x)
        for place in np.flatnonzero(ratios < AT_ZERO):
            ratios[place] = 0.0
        return ratios

    @cached_property
    def active(self) -> NDArray[np.intp]:
        """Places of the levels that have a variance."""
        return np.flatnonzero(self.ratios > 0)

    @cached_property
    def log_sds(self) -> FloatArray:
        """Log SD of the active levels and of the residuals."""
        return np.log(np.append(self.ratios[self.active], 1.0) * self.residual_sd)

    def _variances(self, log_sds: FloatArray) -> tuple[FloatArray, float]:
        variances = np.zeros(len(self._groups))
        variances[self.active] = np.exp(2 * log_sds[:-1])
        return variances, float(np.exp(2 * log_sds[-1]))

    def _covariance(self, log_sds: FloatArray) -> FloatArray:
        products, _ = self._products(*self._variances(log_sds))
        return np.asarray(np.linalg.inv(products[: self._p, : self._p]))

    @cached_property
    def covariance(self) -> FloatArray:
        """Covariance of the coefficients, shape (p, p)."""
        return self._covariance(self.log_sds)

    @cached_property
    def coefficients(self) -> FloatArray:
        """The fixed effects, shape (p,)."""
        products, _ = self._products(*self._variances(self.log_sds))
        information, moment = products[: self._p, : self._p], products[: self._p, self._p]
        return np.asarray(np.linalg.solve(information, moment))

    @cached_property
    def residuals(self) -> FloatArray:
        """Residual covariance times the inverse covariance times the distance from the mean."""
        variances, residual = self._variances(self.log_sds)
        x, y = self._columns[:, : self._p], self._columns[:, self._p]
        solved = np.column_stack([(y - x @ self.coefficients), np.ones(self._n)]) / residual
        for variance, group in reversed(list(zip(variances.tolist(), self._groups, strict=True))):
            sums = np.column_stack([np.bincount(group, column) for column in solved.T])
            taken = sums * (variance / (1 + variance * sums[:, 1]))[:, None]
            solved = solved - solved[:, 1:] * taken[group]
        unsorted = np.empty(self._n)
        unsorted[self._order] = residual * solved[:, 0]
        return unsorted

    @cached_property
    def slopes(self) -> FloatArray:
        """Derivative of the covariance by each log SD, as central differences, shape (k, p, p)."""
        steps = STEP * np.eye(self.log_sds.size)
        ends = (
            (self._covariance(self.log_sds + s), self._covariance(self.log_sds - s)) for s in steps
        )
        return np.array([(above - below) / (2 * STEP) for above, below in ends])

    @cached_property
    def log_sd_covariance(self) -> FloatArray:
        """Covariance of the log SDs: twice the inverse curvature of the deviance, shape (k, k)."""
        steps = STEP * np.eye(self.log_sds.size)

        def deviance(step: FloatArray) -> float:
            return self._deviance(*self._variances(self.log_sds + step))[0]

        curvature = [
            [deviance(a + b) - deviance(a - b) - deviance(b - a) + deviance(-a - b) for b in steps]
            for a in steps
        ]
        return np.asarray(2 * np.linalg.inv(np.array(curvature) / (4 * STEP**2)))

    @property
    def spreads(self) -> tuple[Estimate, ...]:
        """SD of each random level, the outermost first, and of the residuals.

        Each has its interval, but for a level without variance.
        """
        half = np.full(len(self._groups) + 1, np.nan)
        half[[*self.active, -1]] = stats.norm.ppf(1 - TAIL) * np.sqrt(
            np.diag(self.log_sd_covariance)
        )
        names = [*(f"SD between {name}s" for name in self._names), "Residual SD"]
        sds = (np.append(self.ratios, 1.0) * self.residual_sd).tolist()
        factors = np.exp(np.minimum(half, LARGEST_EXPONENT)).tolist()
        return tuple(
            Estimate(name, sd, unit="mm", source=SOURCE_SPREAD)
            if math.isnan(factor)
            else Estimate(name, sd, sd / factor, sd * factor, "mm", SOURCE_SPREAD)
            for name, sd, factor in zip(names, sds, factors, strict=True)
        )

    @property
    def remarks(self) -> tuple[str, ...]:
        """What there is to know of the fit: levels without variance."""
        return tuple(
            f"The readings show no variance between {self._names[place]}s beyond that of the other"
            " levels; it is estimated as zero, without an interval."
            for place in np.flatnonzero(self.ratios == 0)
        )


def _nested_codes(levels: list[ArrayLike], rows: int) -> list[NDArray[np.intp]]:
    """Give numbers to the groups of each level within those of the level outside it."""
    codes: list[NDArray[np.intp]] = []
    outer = np.zeros(rows, dtype=np.intp)
    for labels in levels:
        own = np.unique(np.asarray(labels), return_inverse=True)[1].reshape(-1)
        joined = outer * (int(own.max()) + 1) + own
        outer = np.unique(joined, return_inverse=True)[1].reshape(-1)
        codes.append(outer)
    return codes


def _starts(sorted_codes: NDArray[np.intp]) -> NDArray[np.intp]:
    """Find where each group begins."""
    return np.flatnonzero(np.r_[True, np.diff(sorted_codes) != 0])


def _runs(groups: list[NDArray[np.intp]]) -> list[NDArray[np.intp]]:
    """Find where each group begins among the groups of the next level within; of rows for none."""
    within = [_starts(inner) for inner in groups[1:]]
    among = [_starts(outer[inner]) for outer, inner in zip(groups[:-1], within, strict=True)]
    return [*among, *map(_starts, groups[-1:])]
