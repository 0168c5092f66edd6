"""An estimated number with its interval and source, and what missing data did to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meniscal_measure.errors import AgreementError

FloatArray = NDArray[np.float64]

LEVEL = 0.95
"""Confidence level of every interval."""

TAIL = (1 - LEVEL) / 2
"""Probability above it, and below."""

COUNT = "knees"
"""Unit of a number of knees, which is whole."""


@dataclass(frozen=True)
class Estimate:
    """One line of a results table, with its confidence interval where the statistic has one."""

    name: str
    value: float
    low: float | None = None
    high: float | None = None
    unit: str = ""
    """Of all three numbers; empty for a bare number."""
    source: str = ""
    """Where the formula was published."""


class Lines:
    """Base of the result of several estimates."""

    @property
    def estimates(self) -> tuple[Estimate, ...]:
        """All that there are, as lines of a results table."""
        return tuple(one for one in vars(self).values() if isinstance(one, Estimate))


def as_percent(share: Estimate) -> Estimate:
    """Turn a fraction with its interval into per cent.

    Examples
    --------
    >>> as_percent(Estimate("flagged", 0.25, 0.125, 0.5)).low
    12.5
    """
    low, high = (None if end is None else 100 * end for end in (share.low, share.high))
    return Estimate(share.name, 100 * share.value, low, high, "%", share.source)


@dataclass(frozen=True)
class Cases:
    """How many cases went into a statistic and how many were left out for missing values."""

    used: int
    left_out: int = 0
    noun: str = "cases"

    @property
    def sentence(self) -> str:
        """What was done about missing data, ready for a methods section.

        Examples
        --------
        >>> Cases(used=6, left_out=1).sentence
        '6 of 7 cases were analysed; 1 had a missing value and was left out.'
        """
        total = self.used + self.left_out
        if not self.left_out:
            return f"All {total} {self.noun} were analysed; no value was missing."
        were = "was" if self.left_out == 1 else "were"
        return (
            f"{self.used} of {total} {self.noun} were analysed; {self.left_out} had a missing value"
            f" and {were} left out."
        )


def as_floats(values: ArrayLike) -> FloatArray:
    """Turn values into floats and refuse infinities."""
    array = np.asarray(values, dtype=np.float64)
    if np.isinf(array).any():
        raise AgreementError("A value is infinite. Correct it, or leave it empty if it is missing.")
    return array


def require(count: int, least: int, what: str) -> None:
    """Refuse to estimate from too few cases.

    Raises
    ------
    AgreementError
        If `count` is smaller than `least`.
    """
    if count < least:
        raise AgreementError(
            f"{what} needs at least {least} complete cases and has {count}. Add readings,"
            " or fill in the missing values."
        )
