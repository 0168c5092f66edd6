"""The tibial spines: ridges on the rise between the plateaus."""

from __future__ import annotations

import math
from dataclasses import dataclass

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.parameters import TibiaParameters
from meniscal_measure.workshop.knees.signed_distance import Field, bump, maximum, negative

SPINES_Y = 1.6
"""Where the apex of the medial spine of the average knee lies."""

LATERAL_RIDGE_MM = 5.0
"""Height of the ridge of the lateral spine of the average knee."""

FOOTPRINT_U = {Compartment.MEDIAL: 6.5, Compartment.LATERAL: -5.0}
FOOTPRINT_Y = {Compartment.MEDIAL: 0.9, Compartment.LATERAL: 3.0}
"""Apices of the average knee, from which the root footprints are given."""


@dataclass(frozen=True)
class Spine:
    """A ridge of compact support on the plateau, running from front to back."""

    u: float
    y: float
    height: float
    medial: float
    """Half width towards medial."""
    lateral: float
    front: float
    """Length in front of y."""
    back: float
    """Length behind y."""
    slant: float = 0.0
    """Run of the ridge in u per mm in front of `turn_y`."""
    turn_y: float = 0.0

    def rise(self, u: Field, y: Field) -> Field:
        """Height added to the plateau.

        Examples
        --------
        >>> import numpy as np
        >>> ridge = Spine(0.0, 0.0, 8.0, medial=6.0, lateral=6.0, front=20.0, back=20.0)
        >>> ridge.rise(np.array([0.0, 7.0]), np.zeros(2)).tolist()
        [8.0, 0.0]
        """
        across = u - self.u
        if self.slant != 0.0:
            across = across - self.slant * negative(y - self.turn_y)
        across = maximum(across * (1.0 / self.medial), across * (-1.0 / self.lateral))
        along = y - self.y
        along = maximum(along * (1.0 / self.back), along * (-1.0 / self.front))
        return self.height * bump(across * across) * bump(along * along)


def build_spines(
    shape: TibiaParameters, scale: float, deeper: float
) -> tuple[tuple[Spine, Spine], tuple[Spine, ...]]:
    """Build the ridges of both spines and the rise that carries them.

    The medial ridge runs to the front and the lateral one to the back, so that only where they
    pass the rise does each have its apex: the heights by place of 44 real knees (see
    `tests/workshop/morphometry`) less those of the valley between them.

    Examples
    --------
    >>> (medial, lateral), _ = build_spines(TibiaParameters(), 1.0, 1.0)
    >>> round(medial.u - lateral.u, 1)
    12.8
    """
    y = SPINES_Y * deeper + shape.spine_shift_mm
    apart = 0.5 * shape.spine_separation_mm
    lift_medial, lift_lateral = _lifts(shape, scale)
    rise = 0.54 * shape.medial_spine_mm + shape.spine_valley_mm
    rise = rise + 0.5 * (lift_medial + lift_lateral)
    ridge = LATERAL_RIDGE_MM * scale + lift_lateral - 0.375 * (lift_medial + lift_lateral)
    broad = shape.spine_breadth * scale
    medial = Spine(
        u=0.75 * scale + apart,
        y=y - 2.5 * deeper,
        height=shape.medial_spine_mm + lift_medial - 0.75 * rise,
        medial=8.6 * broad,
        lateral=5.6 * scale,
        front=20.0 * deeper,
        back=19.0 * deeper,
    )
    lateral = Spine(
        u=0.75 * scale - apart,
        y=y + 5.0 * deeper,
        height=ridge,
        medial=5.4 * scale,
        lateral=9.4 * broad,
        front=24.0 * deeper,
        back=48.0 * deeper,
        slant=0.45,
        turn_y=y - 2.0 * deeper,
    )
    eminence = Spine(
        u=0.0,
        y=y + 1.0 * deeper,
        height=rise,
        medial=17.4 * broad,
        lateral=18.8 * broad,
        front=11.3 * deeper,
        back=11.0 * deeper,
    )
    above = shape.lateral_spine_mm + lift_lateral - 0.75 * rise - ridge
    tip_y = y - 0.8 * deeper + shape.lateral_spine_shift_mm
    narrow = 6.0 * scale
    tip = Spine(lateral.u, tip_y, above, narrow, narrow, 12.0 * deeper, 10.0 * deeper)
    return (medial, lateral), (eminence, tip)


def _lifts(shape: TibiaParameters, scale: float) -> tuple[float, float]:
    """How much the spines must rise so that tilted plateaus leave them as high over the rim line.

    The rims lie 16.6 mm outward of the centres of the plateaus and the spines 14.5 mm inward; the
    rim line under a spine follows its own side by 0.58 and the other by 0.42.
    """
    medial, lateral = (
        scale * math.tan(math.radians(tilt))
        for tilt in (shape.medial_tilt_deg, shape.lateral_tilt_deg)
    )
    own, other = 0.58 * 16.6 + 14.5, 0.42 * 16.6
    return own * medial + other * lateral, own * lateral + other * medial
