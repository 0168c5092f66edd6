"""Agreement of two readers on a yes-or-no finding, such as extrusion above 3 mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from meniscal_measure.cohort.agreement.estimates import (
    LEVEL,
    Cases,
    Estimate,
    complete_pairs,
    require,
)
from meniscal_measure.cohort.agreement.kappa import Kappa, Weights, kappa_of_table
from meniscal_measure.cohort.agreement.proportions import ProportionInterval, proportion
from meniscal_measure.errors import AgreementError

SOURCE_SPECIFIC = (
    "2a / (2a + b + c) (Fleiss JL. Biometrics 1975;31:651-659); interval from that of"
    " a / (a + b + c)"
)
SOURCE_MCNEMAR = "McNemar Q. Psychometrika 1947;12:153-157 (exact binomial form)"


@dataclass(frozen=True)
class FlagAgreement:
    """Two readers' yes and no on the same cases."""

    both: int
    only_first: int
    only_second: int
    neither: int
    overall: Estimate
    positive: Estimate
    """Agreement on yes: twice the common yes over all yes."""
    negative: Estimate
    kappa: Kappa | None
    """None where every reading says the same."""
    p_one_sided_reader: float
    """Probability of so uneven a split of the disagreements if neither reader flags more."""
    cases: Cases

    @property
    def estimates(self) -> tuple[Estimate, ...]:
        """All of them, as lines of a results table."""
        p = Estimate("p of equal flagging", self.p_one_sided_reader, source=SOURCE_MCNEMAR)
        kappa = () if self.kappa is None else (self.kappa.kappa,)
        return self.overall, self.positive, self.negative, *kappa, p


def flag_agreement(
    first: ArrayLike,
    second: ArrayLike,
    *,
    interval: ProportionInterval = ProportionInterval.WILSON,
    level: float = LEVEL,
) -> FlagAgreement:
    """Compare two readers' flags.

    Parameters
    ----------
    first, second
        1 or True for flagged, 0 or False for not, NaN where missing, shape (n,).
    interval, level
        Kind and confidence level of the intervals of the proportions.

    Raises
    ------
    AgreementError
        If a value is neither yes nor no, or no case is complete.

    Notes
    -----
    Two readings of one case are not independent trials. Of the cases that at least one reader
    flagged, the share that both did is a plain proportion j, and the agreement on flagged is
    2 j / (1 + j); its interval is that of j carried through the same formula.
    """
    one, two, cases = complete_pairs(first, second)
    require(cases.used, 1, "Agreement on the flag")
    if not np.isin(np.concatenate([one, two]), (0, 1)).all():
        raise AgreementError("A flag must be 1 (yes) or 0 (no), or empty if missing.")
    neither, only_second, only_first, both = (
        int(n) for n in np.bincount((2 * one + two).astype(int), minlength=4)
    )
    split = only_first + only_second

    def share(name: str, agreed: int, total: int) -> Estimate:
        return proportion(name, agreed, total, interval=interval, level=level)

    return FlagAgreement(
        both,
        only_first,
        only_second,
        neither,
        overall=share("Overall agreement on the flag", both + neither, cases.used),
        positive=_specific(share("Agreement on flagged", both, both + split)),
        negative=_specific(share("Agreement on not flagged", neither, neither + split)),
        kappa=_kappa([[both, only_first], [only_second, neither]], cases, level),
        p_one_sided_reader=float(stats.binomtest(only_first, split).pvalue) if split else 1.0,
        cases=cases,
    )


def _specific(common: Estimate) -> Estimate:
    """Turn the share of common verdicts among those of either reader into specific agreement."""
    value, low, high = (
        2 * j / (1 + j) for j in (common.value, common.low or 0.0, common.high or 0.0)
    )
    source = f"{SOURCE_SPECIFIC}: {common.source}"
    return Estimate(common.name, value, low, high, source=source)


def _kappa(table: list[list[int]], cases: Cases, level: float) -> Kappa | None:
    if cases.used in (table[0][0], table[1][1]):
        return None
    return kappa_of_table(table, weights=Weights.NONE, level=level, cases=cases)
