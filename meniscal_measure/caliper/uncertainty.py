"""Propagation of uncertainty to first order, after the GUM (JCGM 100:2008).

Knows nothing of knees: a model, its inputs, and what each input adds to the result.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from meniscal_measure.geometry import FloatArray

COVERAGE_PROBABILITY = 0.95
"""Probability of the intervals stated beside every result."""


@dataclass(frozen=True)
class Input:
    """An input quantity of a model: estimate, standard uncertainty, degrees of freedom."""

    name: str
    estimate: float
    u: float
    dof: float = math.inf


@dataclass(frozen=True)
class Contribution:
    """What one input adds: `c_i u(x_i)`, signed, in the unit of the result."""

    name: str
    u: float
    dof: float = math.inf


@dataclass(frozen=True)
class Combined:
    """A result with its combined standard uncertainty and what it is made of."""

    value: float
    u: float
    dof: float
    """Effective degrees of freedom, infinite when every input's are."""
    contributions: tuple[Contribution, ...]

    def interval(self) -> tuple[float, float]:
        """Coverage interval, Student's t times u to either side (JCGM 100:2008 G.3.2).

        Examples
        --------
        >>> [round(end, 2) for end in Combined(5.2, 0.5, math.inf, ()).interval()]
        [4.22, 6.18]
        """
        half_width = coverage_factor(self.dof) * self.u
        return self.value - half_width, self.value + half_width


def propagate(
    model: Callable[[FloatArray], Sequence[FloatArray]], inputs: Sequence[Input]
) -> tuple[Combined, ...]:
    """Carry the uncertainty of uncorrelated inputs through a model with one or more outputs.

    Each contribution is half the change of the output when its input is moved by one standard
    uncertainty either way, the numerical form given in JCGM 100:2008 5.1.3 note 2; it is exact
    for models up to the second degree in each input.

    The model takes the inputs in their order, one row for each and one column for each case, shape
    (inputs, cases), and gives the outputs, each of shape (cases,). It is called once, with the
    estimates and every input moved either way.

    Examples
    --------
    >>> area, = propagate(lambda x: [x[0] * x[1]], [Input("a", 10, 0.1), Input("b", 2, 0.03)])
    >>> round(area.value, 2), round(area.u, 3)
    (20.0, 0.361)
    """
    estimates = np.array([[item.estimate] for item in inputs])
    steps = np.diag([item.u for item in inputs])
    outputs = model(np.hstack([estimates, estimates + steps, estimates - steps]))
    return tuple(_combined(output, inputs) for output in outputs)


def _combined(cases: FloatArray, inputs: Sequence[Input]) -> Combined:
    """Combine an output from its value, then with each input moved up, then with each down."""
    value, *moved = cases.tolist()
    up, down = moved[: len(inputs)], moved[len(inputs) :]
    return combine(
        value,
        [
            Contribution(item.name, (more - less) / 2, item.dof)
            for item, more, less in zip(inputs, up, down, strict=True)
        ],
    )


def combine(value: float, contributions: Sequence[Contribution]) -> Combined:
    """Add uncorrelated contributions in quadrature, with Welch-Satterthwaite degrees of freedom.

    JCGM 100:2008 equations (10) and (G.2b).

    Examples
    --------
    >>> combine(5.2, [Contribution("rim", 0.3), Contribution("edge", -0.4)]).u
    0.5
    """
    u = math.hypot(*(part.u for part in contributions))
    shares = sum((part.u / u) ** 4 / part.dof for part in contributions) if u > 0 else 0.0
    dof = 1 / shares if shares > 0 else math.inf  # of shares, as u**4 of a huge u overflows
    return Combined(value, u, dof, tuple(contributions))


def coverage_factor(dof: float, probability: float = COVERAGE_PROBABILITY) -> float:
    """Student's t for a two-sided interval; the degrees of freedom are cut to a whole number.

    Examples
    --------
    >>> round(coverage_factor(16.7, 0.99), 2)
    2.92
    >>> round(coverage_factor(math.inf), 2)
    1.96
    """
    quantile = (1 + probability) / 2
    if math.isinf(dof):
        return float(ndtri(quantile))
    return float(stdtrit(max(1, math.floor(dof)), quantile))
