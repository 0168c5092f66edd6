"""Muscle bellies about the knee: long ellipsoids with a slanting axis, parted by fat."""

from __future__ import annotations

from meniscal_measure.workshop.knees.layers import Point, Solid, box_around, solid
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.signed_distance import Field, ellipsoid
from meniscal_measure.workshop.knees.tibia import MEAN_PLATEAU_WIDTH_MM
from meniscal_measure.workshop.knees.tissue import Depth, Tissue

UPRIGHT = (0.0, 0.0)

BELLIES = (
    ((22.0, -15.0, 84.0), (23.0, 24.0, 64.0), (-0.10, -0.05)),  # vastus medialis
    ((-25.0, -15.0, 97.0), (21.0, 27.0, 66.0), (0.03, -0.05)),  # vastus lateralis
    ((-2.0, -31.0, 108.0), (26.0, 14.0, 58.0), UPRIGHT),  # vastus intermedius and rectus femoris
    ((-28.0, 25.0, 82.0), (14.0, 17.0, 80.0), (0.12, 0.0)),  # biceps femoris
    ((17.0, 33.0, 88.0), (18.0, 15.0, 82.0), (-0.10, 0.0)),  # semimembranosus
    ((39.0, 14.0, 78.0), (7.0, 17.0, 92.0), (-0.05, -0.05)),  # sartorius and gracilis
    ((18.5, 35.0, -44.0), (20.0, 17.0, 80.0), (0.02, -0.05)),  # gastrocnemius, medial head
    ((-18.0, 34.0, -44.0), (19.0, 16.0, 78.0), (-0.02, -0.05)),  # gastrocnemius, lateral head
    ((1.0, 19.0, -34.0), (22.0, 10.0, 30.0), (-0.30, 0.1)),  # popliteus
    ((-4.0, 24.0, -88.0), (36.0, 19.0, 66.0), UPRIGHT),  # soleus
    ((-27.0, -6.0, -76.0), (14.0, 21.0, 64.0), (-0.04, 0.0)),  # tibialis anterior, extensors
    ((-40.0, 9.0, -76.0), (10.0, 18.0, 60.0), (-0.05, 0.0)),  # peroneus longus
)
"""Centre, half axes, and run of the axis in u and y per mm upwards, of each belly for a plateau
73.4 mm wide (textbook places, by eye on public images)."""


def build_muscles(parameters: KneeParameters) -> list[Solid]:
    """Build the muscles of one knee.

    Examples
    --------
    >>> len(build_muscles(KneeParameters())) == len(BELLIES)
    True
    """
    s = parameters.tibia.plateau_width_mm / MEAN_PLATEAU_WIDTH_MM
    wide = s * parameters.soft.muscle_bulk
    return [
        _belly((s * u, s * y, s * z), (wide * half_u, wide * half_y, s * half_z), slant)
        for (u, y, z), (half_u, half_y, half_z), slant in BELLIES
    ]


def _belly(centre: Point, half_axes: Point, slant: tuple[float, float]) -> Solid:
    (middle_u, middle_y, middle_z), (half_u, half_y, half_z) = centre, half_axes

    def distance(u: Field, y: Field, z: Field) -> Field:
        up = z - middle_z
        return ellipsoid(
            (u - middle_u - slant[0] * up, y - middle_y - slant[1] * up, up), half_axes
        )

    reach_u, reach_y = half_u + abs(slant[0]) * half_z + 1.0, half_y + abs(slant[1]) * half_z + 1.0
    box = box_around([centre], (reach_u, reach_y, half_z + 1.0))
    return solid(Tissue.MUSCLE, Depth.MUSCLE, box, distance)
