"""Muscle bellies about the knee: long ellipsoids with a slanting axis, parted by fat."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from meniscal_measure.phantom.layers import Box
from meniscal_measure.phantom.parameters import KneeParameters
from meniscal_measure.phantom.shapes import Field, ellipsoid
from meniscal_measure.phantom.tibia import MEAN_PLATEAU_WIDTH_MM
from meniscal_measure.phantom.tissue import Depth, Tissue


@dataclass(frozen=True)
class Belly:
    """One muscle belly."""

    centre: tuple[Field, Field, Field]
    half_axes: tuple[Field, Field, Field]
    slant: tuple[Field, Field] = (0.0, 0.0)
    """Run of the axis in u and y per mm upwards."""

    @property
    def box(self) -> Box:
        """Box around the belly."""
        half_z = self.half_axes[2]
        reach_u = self.half_axes[0] + abs(self.slant[0]) * half_z + 1.0
        reach_y = self.half_axes[1] + abs(self.slant[1]) * half_z + 1.0
        u, y, z = self.centre
        return (
            (u - reach_u, u + reach_u),
            (y - reach_y, y + reach_y),
            (z - half_z - 1.0, z + half_z + 1.0),
        )

    def layers(self, u: Field, y: Field, z: Field) -> Iterator[tuple[Tissue, Depth, Field]]:
        """Give the belly."""
        up = z - self.centre[2]
        offset = (
            u - self.centre[0] - self.slant[0] * up,
            y - self.centre[1] - self.slant[1] * up,
            up,
        )
        yield Tissue.MUSCLE, Depth.MUSCLE, ellipsoid(offset, self.half_axes)


BELLIES = (
    Belly((23.0, -17.0, 82.0), (19.0, 19.0, 62.0), (-0.12, -0.05)),  # vastus medialis
    Belly((-27.0, -19.0, 95.0), (17.0, 20.0, 62.0), (0.05, -0.05)),  # vastus lateralis
    Belly((-2.0, -33.0, 105.0), (22.0, 11.0, 56.0)),  # vastus intermedius and rectus femoris
    Belly((-27.0, 25.0, 80.0), (12.0, 14.0, 78.0), (0.10, 0.0)),  # biceps femoris
    Belly((17.0, 33.0, 85.0), (15.0, 13.0, 80.0), (-0.10, 0.0)),  # semimembranosus
    Belly((38.0, 12.0, 75.0), (6.0, 13.0, 92.0), (-0.05, -0.05)),  # sartorius and gracilis
    Belly((17.5, 36.0, -42.0), (17.0, 14.0, 76.0), (0.02, -0.06)),  # gastrocnemius, medial head
    Belly((-17.0, 35.0, -42.0), (16.0, 13.0, 74.0), (-0.02, -0.06)),  # gastrocnemius, lateral head
    Belly((1.0, 20.0, -32.0), (19.0, 7.0, 26.0), (-0.35, 0.1)),  # popliteus
    Belly((-8.0, 24.0, -80.0), (27.0, 13.0, 52.0)),  # soleus
    Belly((-27.0, -6.0, -72.0), (12.0, 17.0, 56.0), (-0.04, 0.0)),  # tibialis anterior, extensors
    Belly((-41.0, 8.0, -72.0), (7.0, 14.0, 52.0), (-0.05, 0.0)),  # peroneus longus
)
"""Bellies for a plateau 73.4 mm wide (textbook places, by eye on public images)."""


def build_muscles(parameters: KneeParameters) -> tuple[Belly, ...]:
    """Give the muscles of one knee."""
    s = parameters.tibia.plateau_width_mm / MEAN_PLATEAU_WIDTH_MM
    bulk = parameters.soft.muscle_bulk
    return tuple(
        Belly(
            (s * belly.centre[0], s * belly.centre[1], s * belly.centre[2]),
            (s * bulk * belly.half_axes[0], s * bulk * belly.half_axes[1], s * belly.half_axes[2]),
            belly.slant,
        )
        for belly in BELLIES
    )
