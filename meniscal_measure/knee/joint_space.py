"""Width of the joint space between the bones of each compartment, on coronal images."""

from __future__ import annotations

from meniscal_measure.anatomy import Compartment, Plane
from meniscal_measure.errors import LandmarkError
from meniscal_measure.knee.named_landmarks import (
    KneeLandmark,
    LandmarkSpace,
    distance_mm,
    measured_between,
)
from meniscal_measure.knee.quantity import Basis, CasePart, TracedQuantity

SURFACES = {
    Compartment.MEDIAL: (KneeLandmark.MEDIAL_FEMORAL_SURFACE, KneeLandmark.MEDIAL_TIBIAL_SURFACE),
    Compartment.LATERAL: (KneeLandmark.LATERAL_FEMORAL_SURFACE,
                          KneeLandmark.LATERAL_TIBIAL_SURFACE),
}  # fmt: skip

SOURCE = (
    "distance between the marked bone surfaces, cartilage included; lying, without load: wider than"
    " on a standing radiograph"
)


def joint_space_part(space: LandmarkSpace) -> CasePart:
    """Give the width of each compartment whose surfaces are placed on one coronal slice.

    Raises
    ------
    LandmarkError
        If the two surfaces of a compartment are placed on different slices.
    """
    quantities = []
    for compartment, names in SURFACES.items():
        placed = [found for name in names for found in space.on_plane(name, Plane.CORONAL)[:1]]
        if len(placed) < len(names):
            continue
        if placed[0].where != placed[1].where:
            raise LandmarkError(
                f"The bone surfaces of the {compartment.words} compartment are placed on different"
                " slices. Place both on one coronal slice."
            )
        found = measured_between(distance_mm, placed)
        quantities.append(
            TracedQuantity(
                f"{compartment.words} joint space width", found.value, "mm", found.u,
                Basis.READER, (placed[0].where,), SOURCE,
            )
        )  # fmt: skip
    return CasePart("Joint space", tuple(quantities))
