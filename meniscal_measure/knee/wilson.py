"""Interval of a published count."""

from __future__ import annotations

from scipy.stats import binomtest


def wilson_percent(hits: int, total: int) -> tuple[float, float]:
    """Give the 95 % interval of a proportion in per cent.

    Wilson EB. J Am Stat Assoc 1927;22:209-212.

    Examples
    --------
    >>> [round(end, 1) for end in wilson_percent(29, 30)]
    [83.3, 99.4]
    """
    found = binomtest(hits, total).proportion_ci(0.95, method="wilson")
    return 100 * float(found.low), 100 * float(found.high)
