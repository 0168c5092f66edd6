"""A mixed model: readings that hang together because they come from one subject."""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.cohort.agreement.estimates import LEVEL, Cases, Estimate, tail
from meniscal_measure.errors import AgreementError, UsageError

SOURCE = "Laird NM, Ware JH. Biometrics 1982;38:963-974 (REML by statsmodels; Wald intervals)"

OPTIMIZERS = ("bfgs", "lbfgs", "cg", "powell")
"""Tried one after the other; the last needs no gradient and ends where a variance is nought."""

NEAR_NOUGHT = (
    "The variance of a random level is near nought, where its estimate is unsure (the fit lies on"
    " the boundary of the parameters)."
)


@dataclass(frozen=True)
class MixedModel:
    """Fixed effects and variances of a linear mixed model with nested random levels."""

    formula: str
    effects: Mapping[str, Estimate]
    spreads: Mapping[str, Estimate]
    """Standard deviation of each random level by its column, the outermost first."""
    residual_sd: Estimate
    remarks: tuple[str, ...]
    """What there is to know of the fit."""
    cases: Cases

    @property
    def estimates(self) -> tuple[Estimate, ...]:
        """All of them, as lines of a results table."""
        return *self.effects.values(), *self.spreads.values(), self.residual_sd


def mixed_model(
    formula: str,
    columns: Mapping[str, ArrayLike],
    *,
    subject: str,
    nested: Sequence[str] = (),
    level: float = LEVEL,
) -> MixedModel:
    """Fit a linear mixed model with a random level for each subject, and for what lies within.

    Parameters
    ----------
    formula
        Measurement and fixed effects, such as ``"extrusion_mm ~ group * visit"``.
    columns
        Columns by name, each of shape (n,). Rows with a missing value are left out and counted.
    subject
        Name of the column whose values share a random level.
    nested
        Names of columns whose values share one within a subject, such as the examination that
        several readers read: without it their readings would pass for independent ones.
    level
        Confidence level of the intervals of the effects, a fraction.

    Raises
    ------
    UsageError
        If statsmodels is not installed.
    AgreementError
        If a column is missing, or the fit did not converge.
    """
    frame, cases = _complete_frame(columns, (subject, *nested))
    fit, remarks = _fit(formula, frame, subject, nested)
    bounds = fit.conf_int(2 * tail(level))
    effects = {
        name: _effect(_words(name, frame), float(value), bounds.loc[name].tolist())
        for name, value in fit.fe_params.items()
    }
    variances = [float(fit.cov_re.iloc[0, 0]), *(float(value) for value in fit.vcomp)]
    names = (subject, *sorted(nested))  # the library sorts its variance components by name
    spreads = {
        name: Estimate(f"SD between {name}s", math.sqrt(variance), unit="mm", source=SOURCE)
        for name, variance in zip(names, variances, strict=True)
    }
    residual_sd = Estimate("Residual SD", math.sqrt(float(fit.scale)), unit="mm", source=SOURCE)
    return MixedModel(formula, effects, spreads, residual_sd, remarks, cases)


def _effect(name: str, value: float, bounds: list[float]) -> Estimate:
    low, high = bounds
    return Estimate(name, value, low, high, "mm", SOURCE)


def _words(name: str, frame: Any) -> str:
    """Say against what the effect of a category stands; other names stay those of the formula."""
    found = re.fullmatch(r"(\w+)\[T\.([^\]]*)\]", name)
    if found is None:
        return name
    term, level = found.groups()
    return f"{term}: {level or 'not named'} against {min(map(str, frame[term])) or 'not named'}"


def _complete_frame(columns: Mapping[str, ArrayLike], levels: Sequence[str]) -> tuple[Any, Cases]:
    try:
        import pandas as pd
    except ImportError as error:
        raise _not_installed() from error
    for name in levels:
        if name not in columns:
            raise AgreementError(f"There is no column {name!r}; there are {sorted(columns)}.")
    frame = pd.DataFrame({name: np.asarray(column) for name, column in columns.items()})
    complete = frame.dropna()
    return complete, Cases(len(complete), len(frame) - len(complete), "rows")


def _fit(
    formula: str, frame: Any, subject: str, nested: Sequence[str]
) -> tuple[Any, tuple[str, ...]]:
    try:
        from patsy import PatsyError  # type: ignore[import-untyped]
        from statsmodels.formula.api import mixedlm  # type: ignore[import-untyped]
    except ImportError as error:
        raise _not_installed() from error
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        try:
            fit = mixedlm(
                formula,
                frame,
                groups=frame[subject],
                re_formula="1",
                vc_formula={name: f"0 + C({name})" for name in nested},
            ).fit(reml=True, method=list(OPTIMIZERS))
        except (ValueError, np.linalg.LinAlgError, PatsyError) as error:
            raise AgreementError(f"The model {formula!r} cannot be fitted: {error}") from error
    reasons = "; ".join(dict.fromkeys(str(one.message) for one in said))
    if not fit.converged:
        raise AgreementError(
            f"The model {formula!r} did not converge ({reasons or 'no reason given'}). Leave"
            " out an effect that the readings cannot tell apart, or add readings."
        )
    return fit, (NEAR_NOUGHT,) if "boundary" in reasons else ()


def _not_installed() -> UsageError:
    return UsageError(
        "A mixed model needs statsmodels, which is not installed:"
        " pip install 'meniscal-measure[models]'."
    )
