"""A femoral condyle, and the notch between two of them."""

from __future__ import annotations

from dataclasses import dataclass

from meniscal_measure.workshop.knees.signed_distance import (
    Field,
    Oval,
    bump,
    maximum,
    minimum,
    negative,
    positive,
    rounded_corner,
    smoothstep,
)

FLATTER_BEHIND = 0.45
"""Slope of the notch's roof behind the slice through the apex of the medial spine, relative to that
in front."""

ARCH_POWER = 1.8
"""Shape of the notch in a coronal section: 1 for a gable, 2 for a parabola."""

COVER_TAPER_MM = 5.0
"""Width over which cartilage thins out towards the side of a condyle."""


@dataclass(frozen=True)
class Condyle:
    """A wheel with a crowned tread and rounded shoulders."""

    u: float
    y: float
    z: float
    profile: Oval
    """Outline seen from the side, backwards and upwards from the hub."""
    crown: float
    outer: float
    """Half width towards the side of the knee, at the tread."""
    inner: float
    """Half width towards the notch."""
    shoulder: float
    cartilage: float
    outward: float = 1.0
    """+1 medial, -1 lateral: sign of u that points to the side of the knee."""
    lean: float = 0.0
    """Run of the outer side outward per mm upwards."""
    splay: float = 0.0
    """Run of the outer side outward per mm backwards."""
    bend: float = 0.0
    """Turn of the outer side inward with the square of the distance from the hub."""
    waist: float = 100.0
    """Height above the tread from which the sides draw in."""
    tilt: float = 0.0
    """Rise of the tread per mm of u."""
    groove: float = 0.0
    """Depth of a groove along the middle of the tread."""
    osteophyte: float = 0.0
    """How far a spur stands out from both shoulders."""

    def faces(self, u: Field, y: Field, z: Field) -> tuple[Field, Field]:
        """Distances beyond the tread and beyond the sides."""
        across = u - self.u
        up = z - self.z - self.tilt * across
        tread = self.profile.beyond(y - self.y, up) + self.crown * across * across
        if self.groove > 0:
            part = across * (1.0 / 13.0)
            tread = tread + self.groove * bump(part * part)
        over = up + self.profile.q_negative
        out = across * self.outward
        outer = out - self.outer - self.lean * positive(over)
        along = y - self.y
        outer = outer - along * (self.splay - self.bend * along)
        high = positive(over - self.waist)
        side = maximum(outer + 0.35 * high, 0.2 * high - out - self.inner)
        if self.osteophyte > 0:
            part = (over - 9.0) * (1.0 / 5.0)
            side = side - self.osteophyte * bump(part * part)
        return tread, side

    def layers_at(self, u: Field, y: Field, z: Field) -> tuple[Field, Field]:
        """Distances from the bone, and from the bone thickened by its cartilage."""
        tread, side = self.faces(u, y, z)
        bone = rounded_corner(tread, side, self.shoulder)
        return bone, bone - self.cartilage * smoothstep((0.5 - side) * (1.0 / COVER_TAPER_MM))


@dataclass(frozen=True)
class Notch:
    """The intercondylar notch: an arch whose roof rises from the trochlea to its outlet behind."""

    u: float
    y: float
    """Where from front to back the roof has its height."""
    height: float
    slope: float
    """Rise of the roof per mm backwards."""
    half_width: float
    """At the foot of the arch."""
    outlet: float
    """Where the roof ends behind: the back of the metaphysis there."""

    def distance(self, u: Field, y: Field, height: Field) -> Field:
        """Distance from the notch, negative in it; `height` is mm above the condyles.

        Examples
        --------
        >>> import numpy as np
        >>> notch = Notch(u=0.0, y=0.0, height=24.0, slope=1.2, half_width=11.0, outlet=4.0)
        >>> (notch.distance(np.zeros(2), np.zeros(2), np.array([10.0, 40.0])) < 0).tolist()
        [True, False]
        """
        behind = y - self.y
        roof = self.height + self.slope * (negative(behind) + FLATTER_BEHIND * positive(behind))
        wide = self.half_width + 0.018 * negative(behind) * negative(behind)
        part = ((u - self.u) * (1.0 / wide)) ** 2 + 0.01
        power = maximum(ARCH_POWER + 0.11 * negative(behind), 1.1)
        inside = height - roof * (1.0 - part ** (0.5 * power))
        steep = roof * (1.0 / wide)
        return inside / (1.0 + steep * steep * minimum(part, 1.0)) ** 0.5
