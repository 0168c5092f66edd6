"""Muscle bellies about the knee: long ellipsoids with a slanting axis, parted by fat."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from meniscal_measure.workshop.knees.layers import Box
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.signed_distance import Field, ellipsoid
from meniscal_measure.workshop.knees.tibia import MEAN_PLATEAU_WIDTH_MM
from meniscal_measure.workshop.knees.tissue import Depth, Tissue


@dataclass(frozen=True)
class Belly:
    """One muscle belly."""

    centre: tuple[float, float, float]
    half_axes: tuple[float, float, float]
    slant: tuple[float, float] = (0.0, 0.0)
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
        """Return the belly."""
        up = z - self.centre[2]
        offset = (
            u - self.centre[0] - self.slant[0] * up,
            y - self.centre[1] - self.slant[1] * up,
            up,
        )
        yield Tissue.MUSCLE, Depth.MUSCLE, ellipsoid(offset, self.half_axes)


BELLIES = (
    Belly((22.0, -15.0, 84.0), (23.0, 24.0, 64.0), (-0.10, -0.05)),  # vastus medialis
    Belly((-25.0, -15.0, 97.0), (21.0, 27.0, 66.0), (0.03, -0.05)),  # vastus lateralis
    Belly((-2.0, -31.0, 108.0), (26.0, 14.0, 58.0)),  # vastus intermedius and rectus femoris
    Belly((-28.0, 25.0, 82.0), (14.0, 17.0, 80.0), (0.12, 0.0)),  # biceps femoris
    Belly((17.0, 33.0, 88.0), (18.0, 15.0, 82.0), (-0.10, 0.0)),  # semimembranosus
    Belly((39.0, 14.0, 78.0), (7.0, 17.0, 92.0), (-0.05, -0.05)),  # sartorius and gracilis
    Belly((18.5, 35.0, -44.0), (20.0, 17.0, 80.0), (0.02, -0.05)),  # gastrocnemius, medial head
    Belly((-18.0, 34.0, -44.0), (19.0, 16.0, 78.0), (-0.02, -0.05)),  # gastrocnemius, lateral head
    Belly((1.0, 19.0, -34.0), (22.0, 10.0, 30.0), (-0.30, 0.1)),  # popliteus
    Belly((-4.0, 24.0, -88.0), (36.0, 19.0, 66.0)),  # soleus
    Belly((-27.0, -6.0, -76.0), (14.0, 21.0, 64.0), (-0.04, 0.0)),  # tibialis anterior, extensors
    Belly((-40.0, 9.0, -76.0), (10.0, 18.0, 60.0), (-0.05, 0.0)),  # peroneus longus
)
"""Bellies for a plateau 73.4 mm wide (textbook places, by eye on public images)."""


def build_muscles(parameters: KneeParameters) -> tuple[Belly, ...]:
    """Build the muscles of one knee.

    Examples
    --------
    >>> len(build_muscles(KneeParameters())) == len(BELLIES)
    True
    """
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
