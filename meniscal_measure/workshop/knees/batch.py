"""Many knees at once: their numbers stacked into arrays that broadcast with a batch of points.

The array library is the caller's choice, so that the same geometry runs on a graphics processor.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

from meniscal_measure.workshop.knees.knee import Knee
from meniscal_measure.workshop.knees.layers import Layer, Part, layers_of
from meniscal_measure.workshop.knees.shapes import Field

AsArray = Callable[[list[float]], Field]
"""Turns one number per knee into an array of shape (knees, 1, 1)."""


@dataclass(frozen=True)
class KneeBatch:
    """Several knees evaluated together.

    Parameters
    ----------
    parts
        Parts whose numbers are arrays of shape (knees, 1, 1), or numbers where all knees agree.
    mirror
        1 for right knees, -1 for left ones, of the same shape.
    """

    parts: tuple[Part, ...]
    mirror: Field

    def layers_at(self, points: Field) -> list[Layer]:
        """Give the layers of every knee at its own points.

        Parameters
        ----------
        points
            LPS mm, shape (knees, rows, columns, 3) or (1, rows, columns, 3).

        Returns
        -------
        list of Layer
            Back to front, distances of shape (knees, rows, columns).
        """
        return layers_of(self.parts, points[..., 0] * self.mirror, points[..., 1], points[..., 2])


def stacked_knees(knees: Sequence[Knee], as_array: AsArray) -> KneeBatch:
    """Stack knees into a batch.

    Examples
    --------
    >>> import numpy as np
    >>> from meniscal_measure.workshop.knees.parameters import KneeParameters
    >>> knee = Knee(KneeParameters())
    >>> batch = stacked_knees([knee, knee], lambda values: np.reshape(values, (-1, 1, 1)))
    >>> batch.layers_at(np.zeros((2, 4, 4, 3)))[0].distance_mm.shape
    (2, 4, 4)
    """
    parts = tuple(
        stacked(same, as_array) for same in zip(*(knee.parts for knee in knees), strict=True)
    )
    return KneeBatch(parts, as_array([knee.mirror for knee in knees]))


def stacked(items: Sequence[Any], as_array: AsArray) -> Any:
    """Stack records of the same kind: numbers that differ become arrays, the rest stays."""
    first = items[0]
    if is_dataclass(first) and not isinstance(first, type):
        values = {
            item.name: stacked([getattr(each, item.name) for each in items], as_array)
            for item in fields(first)
        }
        return type(first)(**values)
    if isinstance(first, tuple):
        return tuple(stacked(same, as_array) for same in zip(*items, strict=True))
    if isinstance(first, float) and any(item != first for item in items):
        return as_array([float(item) for item in items])
    return first
