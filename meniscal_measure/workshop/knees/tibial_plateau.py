"""One tibial plateau: its outline, its slopes and dish, and the wall below it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from meniscal_measure.anatomy import Compartment
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.signed_distance import (
    Field,
    Oval,
    bump,
    maximum,
    smoothstep,
    unit_clip,
)


@dataclass(frozen=True)
class Plateau:
    """One tibial plateau: its outline about a centre, its slope and its dish."""

    outward: float
    """+1 medial, -1 lateral: sign of u that points to the rim."""
    centre_u: float
    centre_y: float
    outline: Oval
    slope: float
    """Fall per mm backwards."""
    lean: float
    """Run of the side wall inward per mm downwards, at the apex of the spine."""
    lean_back: float
    """Change of that run per mm backwards."""
    depth: float
    """How far the middle of the dish lies below the rim."""
    fall_off: float
    """Further fall towards the front and back edge (the lateral plateau is convex there)."""
    tilt: float
    """Rise per mm outward from the centre, beside the coronal slope of the whole plateau."""
    twist: float
    """Fall per mm outward and mm backwards."""
    roll: float
    """Fall per mm outward and squared mm in front of or behind the middle."""
    cartilage: float
    spine_base_u: float
    """Where the articular surface ends on the slope of the spine."""
    cartilage_base_u: float
    """Where the cartilage begins to thin out towards the spine."""
    osteophyte: float

    def local(self, u: Field, y: Field) -> tuple[Field, Field]:
        """Offset from the centre: outward and backwards.

        Examples
        --------
        >>> import numpy as np
        >>> plateau = build_plateau(KneeParameters(), Compartment.LATERAL, 1.0, 1.0)
        >>> plateau.local(np.array([-30.0]), np.array([0.0]))
        (array([10.]), array([0.8]))
        """
        return (u - self.centre_u) * self.outward, y - self.centre_y

    def height(self, u: Field, y: Field) -> Field:
        """Height of the plateau without spines and rounding.

        Examples
        --------
        >>> import numpy as np
        >>> plateau = build_plateau(KneeParameters(), Compartment.MEDIAL, 1.0, 1.0)
        >>> plateau.height(np.array([20.0]), np.array([0.0])).round(1).tolist()
        [-1.4]
        """
        p, q = self.local(u, y)
        turned = p * (self.tilt - q * (self.twist + self.roll * q))
        p = maximum(p * (1.0 / self.outline.p_positive), p * (-1.0 / self.outline.p_negative))
        q = maximum(q * (1.0 / self.outline.q_positive), q * (-1.0 / self.outline.q_negative))
        q = q * q
        return -self.slope * y - self.depth * bump(p * p + q) - self.fall_off * q + turned

    def flared(self, u: Field, y: Field, flare: Field) -> Field:
        """Distance beyond the outline, which narrows and moves inward as `flare` goes to 1."""
        p = (u - self.centre_u * (1.0 - 0.84 * flare)) * self.outward
        q = y - self.centre_y + 8.0 * flare
        return self.outline.beyond(p, q) + flare * 4.5

    def cartilage_thickness(self, u: Field, y: Field) -> Field:
        """Thickness of the cartilage, zero at the rim and towards the spine.

        Examples
        --------
        >>> import numpy as np
        >>> plateau = build_plateau(KneeParameters(), Compartment.MEDIAL, 1.0, 1.0)
        >>> plateau.cartilage_thickness(np.array([20.0]), np.array([0.0])).round(2).tolist()
        [2.0]
        """
        p, q = self.local(u, y)
        inside = unit_clip((self.outline.beyond(p, q) - 0.2) * -0.1)
        inside = inside * (2.0 - inside)
        clear = (u - self.cartilage_base_u) * self.outward
        return self.cartilage * inside * smoothstep((clear + 3.0) * 0.2)

    def leaning(self, y: Field) -> Field:
        """Run of the side wall inward per mm downwards."""
        return self.lean + self.lean_back * y


def build_plateau(
    parameters: KneeParameters, compartment: Compartment, scale: float, deeper: float
) -> Plateau:
    """Build one plateau of a knee; lengths grow with `scale`, from front to back with `deeper`.

    Examples
    --------
    >>> build_plateau(KneeParameters(), Compartment.LATERAL, 1.0, 1.0).outward
    -1.0
    """
    shape, cartilage, joint = parameters.tibia, parameters.cartilage, parameters.joint

    def side(medial: float, lateral: float) -> float:
        return medial if compartment is Compartment.MEDIAL else lateral

    def run(medial_deg: float, lateral_deg: float) -> float:
        return math.tan(math.radians(side(medial_deg, lateral_deg)))

    thickness = side(cartilage.tibial_medial_mm, cartilage.tibial_lateral_mm)
    return Plateau(
        outward=side(1.0, -1.0),
        centre_u=side(20.2, -20.0) * scale,
        centre_y=side(0.6, -0.8) * deeper,
        outline=Oval(
            side(16.5, 16.7) * scale,
            19.0 * scale,
            side(23.0, 19.4) * deeper,
            side(22.5, 20.0) * deeper,
            shape.outline_fullness,
        ),
        slope=run(shape.medial_slope_deg, shape.lateral_slope_deg),
        lean=run(shape.medial_wall_deg, shape.lateral_wall_deg),
        lean_back=side(0.0015, 0.008),
        depth=side(shape.medial_depth_mm, shape.lateral_depth_mm),
        fall_off=side(0.0, 0.8),
        tilt=run(shape.medial_tilt_deg, shape.lateral_tilt_deg),
        twist=side(0.0, 0.001),
        roll=side(0.0004, -0.0002),
        cartilage=thickness * (1.0 - 0.9 * side(cartilage.medial_loss, cartilage.lateral_loss)),
        spine_base_u=side(6.4, -4.7) * scale,
        cartilage_base_u=side(13.0, -12.5) * scale,
        osteophyte=side(joint.medial_tibial_osteophyte_mm, joint.lateral_tibial_osteophyte_mm),
    )
