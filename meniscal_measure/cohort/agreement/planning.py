"""How many knees a study needs."""

from __future__ import annotations

import math

from scipy import optimize, stats

from meniscal_measure.cohort.agreement.estimates import COUNT, TAIL, Estimate
from meniscal_measure.errors import UsageError

SOURCE_ICC = "Bonett DG. Stat Med 2002;21:1331-1335"
SOURCE_CHANGE = (
    "power of the paired t test, noncentral t (Cohen J. Statistical Power Analysis 1988)"
)

POWER = 0.80
"""Chance of finding a true change, by default."""

MOST_CASES = 10_000_000
"""Largest sample size that is tried."""


def knees_for_icc(expected: float, width: float, *, readers: int) -> Estimate:
    """Find how many knees give an interval of the ICC no wider than asked.

    Parameters
    ----------
    expected
        ICC that is expected, a fraction below 1.
    width
        Full width of the confidence interval that is wanted.
    readers
        Readings of each knee.

    Raises
    ------
    UsageError
        If a number lies outside its range.

    Examples
    --------
    >>> knees_for_icc(0.90, 0.10, readers=2).value
    61.0
    """
    if not (readers >= 2 and 0 <= expected < 1 and 0 < width < 1):
        raise UsageError(
            f"Give two or more readers (not {readers}), an expected ICC from 0 to below 1 (not"
            f" {expected}) and a width between 0 and 1 (not {width})."
        )
    z, k, r = stats.norm.ppf(1 - TAIL), readers, expected
    knees = 1 + 8 * (z * (1 - r) * (1 + (k - 1) * r)) ** 2 / (k * (k - 1) * width**2)
    if k == 2 and r >= 0.7:  # the paper's correction of its approximation, too small there
        knees += 5 * r
    name = f"For an ICC of {r:g} with an interval {width:g} wide, {k} readings of each knee"
    return Estimate(name, float(math.ceil(knees)), unit=COUNT, source=SOURCE_ICC)


def knees_for_change(change_mm: float, sd_change_mm: float, *, power: float = POWER) -> Estimate:
    """Find how many knees, each measured at two visits, show a mean change between these.

    Parameters
    ----------
    change_mm
        Smallest mean change worth finding, mm.
    sd_change_mm
        Standard deviation of the change from knee to knee, measurement error included, mm.
    power
        Chance of finding it, a fraction.

    Raises
    ------
    UsageError
        If a number lies outside its range, or more knees would be needed than there are.

    Examples
    --------
    >>> knees_for_change(0.5, 1.0).value
    34.0
    """
    effect = abs(change_mm) / sd_change_mm if sd_change_mm > 0 else 0.0
    if not (0 < effect < math.inf and 0 < power < 1):
        raise UsageError(
            f"Give a change (not {change_mm}) other than zero, its SD (not {sd_change_mm}) above"
            f" zero, and a power between 0 and 1 (not {power})."
        )

    def shortfall(knees: float) -> float:
        critical, shift = stats.t.ppf(1 - TAIL, knees - 1), effect * math.sqrt(knees)
        above = stats.nct.sf(critical, knees - 1, shift)
        return float(above + stats.nct.cdf(-critical, knees - 1, shift)) - power

    enough = 2.0
    while shortfall(enough) < 0:
        enough *= 2
        if enough > MOST_CASES:
            raise UsageError(f"More than {MOST_CASES} knees would be needed; look for more change.")
    knees = enough if enough == 2 else optimize.brentq(shortfall, enough / 2, enough)
    asked = f"a mean change of {change_mm:g} mm with SD {sd_change_mm:g} mm"
    name = f"For {asked}, power {100 * power:g} %"
    return Estimate(name, float(math.ceil(knees)), unit=COUNT, source=SOURCE_CHANGE)
