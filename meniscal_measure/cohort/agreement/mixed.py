"""A mixed model: readings that hang together because they come from one subject."""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.cohort.agreement.estimates import LEVEL, Cases, Estimate, tail
from meniscal_measure.errors import AgreementError, UsageError

SOURCE = "Laird NM, Ware JH. Biometrics 1982;38:963-974 (REML by statsmodels; Wald intervals)"


@dataclass(frozen=True)
class MixedModel:
    """Fixed effects and variances of a linear mixed model with a random level per subject."""

    formula: str
    effects: Mapping[str, Estimate]
    subject_sd: Estimate
    residual_sd: Estimate
    cases: Cases

    @property
    def estimates(self) -> tuple[Estimate, ...]:
        """All of them, as lines of a results table."""
        return *self.effects.values(), self.subject_sd, self.residual_sd


def mixed_model(
    formula: str, columns: Mapping[str, ArrayLike], *, subject: str, level: float = LEVEL
) -> MixedModel:
    """Fit a linear mixed model with a random level for each subject.

    Parameters
    ----------
    formula
        Measurement and fixed effects, such as ``"extrusion_mm ~ group * visit"``.
    columns
        Columns by name, each of shape (n,). Rows with a missing value are left out and counted.
    subject
        Name of the column whose values share a random level.
    level
        Confidence level of the intervals of the effects, a fraction.

    Raises
    ------
    UsageError
        If statsmodels is not installed.
    AgreementError
        If a column is missing, or the fit did not converge.
    """
    frame, cases = _complete_frame(formula, columns, subject)
    fit = _fit(formula, frame, subject)
    bounds = fit.conf_int(2 * tail(level))
    effects = {
        name: _effect(name, float(value), bounds.loc[name].tolist())
        for name, value in fit.fe_params.items()
    }
    between, within = float(fit.cov_re.iloc[0, 0]), float(fit.scale)
    return MixedModel(
        formula,
        effects,
        Estimate("SD between subjects", math.sqrt(between), unit="mm", source=SOURCE),
        Estimate("Residual SD", math.sqrt(within), unit="mm", source=SOURCE),
        cases,
    )


def _effect(name: str, value: float, bounds: list[float]) -> Estimate:
    low, high = bounds
    return Estimate(name, value, low, high, source=SOURCE)


def _complete_frame(
    formula: str, columns: Mapping[str, ArrayLike], subject: str
) -> tuple[Any, Cases]:
    try:
        import pandas as pd
    except ImportError as error:
        raise _not_installed() from error
    if subject not in columns:
        raise AgreementError(f"There is no column {subject!r}; there are {sorted(columns)}.")
    frame = pd.DataFrame({name: np.asarray(column) for name, column in columns.items()})
    complete = frame.dropna()
    return complete, Cases(len(complete), len(frame) - len(complete), "rows")


def _fit(formula: str, frame: Any, subject: str) -> Any:
    try:
        from patsy import PatsyError  # type: ignore[import-untyped]
        from statsmodels.formula.api import mixedlm  # type: ignore[import-untyped]
    except ImportError as error:
        raise _not_installed() from error
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        try:
            fit = mixedlm(formula, frame, groups=frame[subject]).fit(reml=True)
        except (ValueError, np.linalg.LinAlgError, PatsyError) as error:
            raise AgreementError(f"The model {formula!r} cannot be fitted: {error}") from error
    if not fit.converged:
        reasons = "; ".join(str(one.message) for one in said) or "no reason given"
        raise AgreementError(
            f"The model {formula!r} did not converge ({reasons}). Leave out an effect that the"
            " readings cannot tell apart, or add readings."
        )
    return fit


def _not_installed() -> UsageError:
    return UsageError(
        "A mixed model needs statsmodels, which is not installed:"
        " pip install 'meniscal-measure[models]'."
    )
