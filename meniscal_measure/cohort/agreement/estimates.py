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
    """One line of a results table.

    Parameters
    ----------
    name
        What was estimated, in the words of the trade.
    value
        The point estimate.
    low, high
        Confidence interval; None where the statistic has none.
    unit
        Unit of all three numbers, empty for a bare number.
    source
        Where the formula was published.
    """

    name: str
    value: float
    low: float | None = None
    high: float | None = None
    unit: str = ""
    source: str = ""


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


def complete_pairs(first: ArrayLike, second: ArrayLike) -> tuple[FloatArray, FloatArray, Cases]:
    """Keep the cases on which both values are present.

    Parameters
    ----------
    first, second
        Shape (n,); NaN where missing.

    Returns
    -------
    tuple
        Both arrays without the incomplete cases, and the count of cases.

    Raises
    ------
    AgreementError
        If the two have different lengths.
    """
    one, two = as_floats(first), as_floats(second)
    if one.shape != two.shape or one.ndim != 1:
        raise AgreementError(
            f"The two columns to be compared hold {one.size} and {two.size} values;"
            " give one value of each for every case, empty where missing."
        )
    keep = ~(np.isnan(one) | np.isnan(two))
    used = int(keep.sum())
    return one[keep], two[keep], Cases(used, one.size - used)


def complete_labels(
    labels: ArrayLike | None, first: ArrayLike, second: ArrayLike
) -> NDArray[np.str_] | None:
    """Labels of the cases that `complete_pairs` keeps; None where there are none."""
    if labels is None:
        return None
    keep = ~(np.isnan(as_floats(first)) | np.isnan(as_floats(second)))
    return np.asarray(labels, dtype=str)[keep]


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
