"""Signed distances and the smooth ways to combine them, in mm, negative inside.

Fields keep their precision, single or double, since every other number is a plain float.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Field: TypeAlias = NDArray[np.floating]
"""Values at points, of single or double precision."""

ROUND_OFF = 1e-6
"""Added under square roots so that their value and slope stay finite at the centre of a shape."""

ROUND_OFF_NORM = 1e-9
"""The same for coordinates that are multiples of a half axis."""


def maximum(a: Field, b: Field | float) -> Field:
    """Return the larger of two fields, point by point.

    Examples
    --------
    >>> maximum(np.array([1.0, 4.0]), 2.0).tolist()
    [2.0, 4.0]
    """
    larger: Field = np.maximum(a, b)
    return larger


def minimum(a: Field, b: Field | float) -> Field:
    """Return the smaller of two fields, point by point.

    Examples
    --------
    >>> minimum(np.array([1.0, 4.0]), 2.0).tolist()
    [1.0, 2.0]
    """
    smaller: Field = np.minimum(a, b)
    return smaller


def positive(x: Field) -> Field:
    """Return the positive part of a field.

    Examples
    --------
    >>> positive(np.array([-1.5, 2.0])).tolist()
    [0.0, 2.0]
    """
    return maximum(x, 0.0)


def negative(x: Field) -> Field:
    """Return the negative part of a field, which is below zero.

    Examples
    --------
    >>> negative(np.array([-1.5, 2.0])).tolist()
    [-1.5, 0.0]
    """
    return minimum(x, 0.0)


def unit_clip(x: Field) -> Field:
    """Return a field held between 0 and 1.

    Examples
    --------
    >>> unit_clip(np.array([-0.5, 0.25, 7.0])).tolist()
    [0.0, 0.25, 1.0]
    """
    return (1.0 + abs(x) - abs(x - 1.0)) * 0.5


def smoothstep(t: Field) -> Field:
    """Rise from 0 at t = 0 to 1 at t = 1 with level ends.

    Examples
    --------
    >>> smoothstep(np.array([-1.0, 0.5, 2.0])).tolist()
    [0.0, 0.5, 1.0]
    """
    t = unit_clip(t)
    return t * t * (3.0 - 2.0 * t)


def bump(squared: Field) -> Field:
    """Return a hill of height 1 at `squared` = 0 that is exactly zero from `squared` = 1 on.

    Examples
    --------
    >>> bump(np.array([0.0, 0.5, 1.0, 3.0])).tolist()
    [1.0, 0.25, 0.0, 0.0]
    """
    rest = positive(1.0 - squared)
    return rest * rest


def smooth_max(a: Field, b: Field, k: float) -> Field:
    """Intersect two shapes with a fillet; exactly the maximum where |a - b| >= k.

    Examples
    --------
    >>> smooth_max(np.array([0.0, 0.0]), np.array([0.0, 4.0]), 2.0).tolist()
    [0.5, 4.0]
    """
    overlap = positive(k - abs(a - b))
    return maximum(a, b) + overlap * overlap * (0.25 / k)


def smooth_min(a: Field, b: Field, k: float) -> Field:
    """Unite two shapes with a fillet; exactly the minimum where |a - b| >= k.

    Examples
    --------
    >>> smooth_min(np.array([0.0, 0.0]), np.array([0.0, 4.0]), 2.0).tolist()
    [-0.5, 0.0]
    """
    overlap = positive(k - abs(a - b))
    return minimum(a, b) - overlap * overlap * (0.25 / k)


def rounded_corner(a: Field, b: Field, radius: float) -> Field:
    """Intersection of two faces whose common edge is a quarter circle of `radius`.

    Examples
    --------
    >>> rounded_corner(np.array([0.0]), np.array([0.0]), 1.0).round(3).tolist()
    [0.414]
    """
    p, q = a + radius, b + radius
    across, along = positive(p), positive(q)
    outside = (across * across + along * along) ** 0.5
    return outside + negative(maximum(p, q)) - radius


@dataclass(frozen=True)
class Oval:
    """A closed curve about the origin of a plane, with its own half axis in each direction.

    Along a ray (p, q) from the origin the curve is met where
    ``P^4 + Q^4 + fullness P^2 Q^2 = 1`` with P, Q the coordinates over their half axes:
    `fullness` 2 gives quarter ellipses, less gives squarer ones.
    """

    p_positive: float | Field
    p_negative: float | Field
    q_positive: float | Field
    q_negative: float | Field
    fullness: float = 2.0

    def norm(self, p: Field, q: Field) -> Field:
        """Distance from the origin as a multiple of the curve's in the same direction.

        Examples
        --------
        >>> Oval(3.0, 5.0, 1.0, 1.0).norm(np.array([6.0, -5.0]), np.zeros(2)).round(6).tolist()
        [2.0, 1.0]
        """
        big_p = maximum(p * (1.0 / self.p_positive), p * (-1.0 / self.p_negative))
        big_q = maximum(q * (1.0 / self.q_positive), q * (-1.0 / self.q_negative))
        p2, q2 = big_p * big_p, big_q * big_q
        total = p2 + q2 + ROUND_OFF_NORM
        if self.fullness == 2.0:
            return total**0.5
        return ((total * total + (self.fullness - 2.0) * p2 * q2) ** 0.5) ** 0.5

    def reach(self, cosine: Field, sine: Field) -> Field:
        """Distance from the origin to the curve in a direction.

        Examples
        --------
        >>> Oval(3.0, 5.0, 1.0, 1.0).reach(np.array([1.0, -1.0]), np.zeros(2)).round(6).tolist()
        [3.0, 5.0]
        """
        start = self.p_positive
        return start / self.norm(start * cosine, start * sine)

    def beyond(self, p: Field, q: Field) -> Field:
        """Distance beyond the curve along the ray from the origin.

        Examples
        --------
        >>> Oval(3.0, 5.0, 1.0, 1.0).beyond(np.array([4.0, -4.0]), np.zeros(2)).round(3).tolist()
        [1.0, -1.0]
        """
        r = (p * p + q * q + ROUND_OFF) ** 0.5
        return r - r / self.norm(p, q)


def ellipsoid(offset: tuple[Field, Field, Field], half_axes: tuple[float, float, float]) -> Field:
    """Approximate distance from an ellipsoid, exact in sign, true near the surface of a sphere.

    Examples
    --------
    >>> ball = ellipsoid((np.array([5.0]), np.zeros(1), np.zeros(1)), (3.0, 3.0, 3.0))
    >>> ball.round(3).tolist()
    [2.0]
    """
    (x, y, z), (a, b, c) = offset, half_axes
    p, q, r = x * (1.0 / a), y * (1.0 / b), z * (1.0 / c)
    norm2 = p * p + q * q + r * r + ROUND_OFF
    pa, qb, rc = p * (1.0 / a), q * (1.0 / b), r * (1.0 / c)
    slope = (pa * pa + qb * qb + rc * rc + 0.01 * ROUND_OFF) ** 0.5
    return (norm2 - norm2**0.5) / slope


@dataclass(frozen=True)
class Cord:
    """A straight cord between two points, with a round or flattened section.

    `flatten` above 1 widens the section along `wide` (a unit vector across the cord).
    """

    start: tuple[float, float, float]
    end: tuple[float, float, float]
    radius: float
    wide: tuple[float, float, float] = (0.0, 0.0, 0.0)
    flatten: float = 1.0

    def distance(self, u: Field, y: Field, z: Field) -> Field:
        """Distance from the surface of the cord.

        Examples
        --------
        >>> cord = Cord((0.0, 0.0, 0.0), (0.0, 0.0, 10.0), 2.0)
        >>> cord.distance(np.array([5.0]), np.zeros(1), np.array([4.0])).round(3).tolist()
        [3.0]
        """
        along = tuple(e - s for s, e in zip(self.start, self.end, strict=True))
        du, dy, dz = (c - s for c, s in zip((u, y, z), self.start, strict=True))
        length2 = sum(a * a for a in along)
        t = (du * along[0] + dy * along[1] + dz * along[2]) * (1.0 / length2)
        t = unit_clip(t)
        du, dy, dz = du - t * along[0], dy - t * along[1], dz - t * along[2]
        squared: Field = du * du + dy * dy + dz * dz
        if any(self.wide):
            across = du * self.wide[0] + dy * self.wide[1] + dz * self.wide[2]
            squared = squared - across * across * (1.0 - 1.0 / (self.flatten * self.flatten))
        return (squared + ROUND_OFF) ** 0.5 - self.radius
