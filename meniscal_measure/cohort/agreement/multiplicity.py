"""Several tests of one question: p values that hold for all of them together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

SOURCE = "Holm S. Scand J Stat 1979;6:65-70"


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """Adjust p values for their number; NaN stays NaN and does not count.

    Examples
    --------
    >>> [round(p, 3) for p in holm([0.01, 0.04, 0.03])]
    [0.03, 0.06, 0.06]
    """
    values = np.asarray(p_values, dtype=np.float64)
    known = np.flatnonzero(~np.isnan(values))
    order = known[np.argsort(values[known], kind="stable")]
    factors = np.arange(order.size, 0, -1)
    adjusted = values.copy()
    adjusted[order] = np.minimum(np.maximum.accumulate(values[order] * factors), 1.0)
    return tuple(adjusted.tolist())
