"""Agreement of two readers on a yes-or-no finding, such as extrusion above 3 mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from meniscal_measure.cohort.agreement.chance_corrected import gwet_ac1
from meniscal_measure.cohort.agreement.clusters import (
    complete_pairs,
    is_clustered,
    linearised_error,
)
from meniscal_measure.cohort.agreement.estimates import Cases, Estimate, FloatArray, require
from meniscal_measure.cohort.agreement.kappa import Kappa, Weights, weighted_kappa
from meniscal_measure.cohort.agreement.labels import Codes
from meniscal_measure.cohort.agreement.proportions import clustered_proportion
from meniscal_measure.errors import AgreementError

SOURCE_SPECIFIC = (
    "2a / (2a + b + c) (Fleiss JL. Biometrics 1975;31:651-659); interval from that of"
    " a / (a + b + c)"
)
SOURCE_MCNEMAR = "McNemar Q. Psychometrika 1947;12:153-157 (exact binomial form)"
SOURCE_MCNEMAR_CLUSTERED = "Obuchowski NA. Stat Med 1998;17:1495-1507 (clustered pairs)"


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
    ac1: Estimate
    equal_flagging: Estimate
    """p value: chance of so uneven a split of the disagreements if neither reader flags more."""
    cases: Cases

    @property
    def estimates(self) -> tuple[Estimate, ...]:
        """All of them, as lines of a results table."""
        kappa = () if self.kappa is None else (self.kappa.kappa,)
        agreement = self.overall, self.positive, self.negative
        return *agreement, *kappa, self.ac1, self.equal_flagging


def flag_agreement(
    first: ArrayLike, second: ArrayLike, *, subjects: ArrayLike | None = None
) -> FlagAgreement:
    """Compare two readers' flags.

    Parameters
    ----------
    first, second
        1 or True for flagged, 0 or False for not, NaN where missing, shape (n,).
    subjects
        Whose each case is, shape (n,); where a subject has several, the intervals respect it.

    Raises
    ------
    AgreementError
        If a value is neither yes nor no, or no case is complete.

    Notes
    -----
    Two readings of one case are not independent trials. Of the cases that at least one reader
    flagged, the share that both did is a plain proportion j, and the agreement on flagged is
    2 j / (1 + j); its interval is that of j carried through the same formula.

    Examples
    --------
    >>> flag_agreement([1, 1, 0, 0], [1, 0, 0, 0]).overall.value
    0.75
    """
    one, two, codes, cases = complete_pairs(first, second, subjects)
    require(cases.used, 1, "Agreement on the flag")
    if not np.isin(np.concatenate([one, two]), (0, 1)).all():
        raise AgreementError("A flag must be 1 (yes) or 0 (no), or empty if missing.")
    counts = np.bincount((2 * one + two).astype(int), minlength=4)
    neither, only_second, only_first, both = counts.tolist()

    def share(name: str, agreed: FloatArray, among: FloatArray) -> Estimate:
        return clustered_proportion(name, agreed[among > 0], codes[among > 0])

    union, common = np.maximum(one, two), np.minimum(one, two)
    return FlagAgreement(
        both,
        only_first,
        only_second,
        neither,
        overall=share("Overall agreement on the flag", 1 - np.abs(one - two), np.ones_like(one)),
        positive=_specific(share("Agreement on flagged", common, union)),
        negative=_specific(share("Agreement on not flagged", 1 - union, 1 - common)),
        kappa=None
        if cases.used in (both, neither)
        else weighted_kappa(one, two, grades=2, weights=Weights.NONE, subjects=codes),
        ac1=gwet_ac1(np.column_stack([one, two]), grades=2, subjects=codes),
        equal_flagging=_equal_flagging(one, two, codes),
        cases=cases,
    )


def _specific(common: Estimate) -> Estimate:
    """Turn the share on which both agree, of those either reader gave, into specific agreement."""
    shares = common.value, common.low or 0.0, common.high or 0.0
    value, low, high = (2 * j / (1 + j) for j in shares)
    return Estimate(common.name, value, low, high, source=f"{SOURCE_SPECIFIC}: {common.source}")


def _equal_flagging(one: FloatArray, two: FloatArray, codes: Codes) -> Estimate:
    """Test whether one reader flags more than the other."""
    name, split = "p of equal flagging", one != two
    if is_clustered(codes):
        difference = one - two
        p = linearised_error(difference, codes).p_value(float(difference.mean()))
        return Estimate(name, p if split.any() else 1.0, source=SOURCE_MCNEMAR_CLUSTERED)
    p = stats.binomtest(int(one[split].sum()), int(split.sum())).pvalue if split.any() else 1.0
    return Estimate(name, float(p), source=SOURCE_MCNEMAR)
