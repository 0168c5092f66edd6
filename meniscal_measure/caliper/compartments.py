"""Naming the compartments: medial and lateral once the side of the knee is known."""

from __future__ import annotations

from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.caliper.landmarks import SliceLandmarks
from meniscal_measure.errors import LandmarkError
from meniscal_measure.geometry import PixelGrid

IMAGE_SIDES = frozenset({Compartment.IMAGE_LEFT, Compartment.IMAGE_RIGHT})
"""Names of the compartments while the side of the knee is unknown."""


def named_by_anatomy(
    landmarks: SliceLandmarks, grid: PixelGrid, side: Side | None
) -> SliceLandmarks:
    """Call the compartments medial and lateral where they were named by their place in the image.

    The grid of their slice gives the patient direction of image left. While the side of the knee is
    None the names stay as they are: it is never guessed.

    Raises
    ------
    LandmarkError
        If both kinds of names are used on one slice.
    """
    by_image = IMAGE_SIDES & landmarks.points.keys()
    if by_image and by_image != landmarks.points.keys():
        raise LandmarkError(
            "Compartments are named both by anatomy and by image side."
            " Use medial and lateral, or image_left and image_right."
        )
    if side is None or not by_image:
        return landmarks
    image_left_is_medial = -grid.row_direction[0] * side.medial_x > 0
    left = Compartment.MEDIAL if image_left_is_medial else Compartment.LATERAL
    names = {Compartment.IMAGE_LEFT: left, Compartment.IMAGE_RIGHT: left.opposite}
    return SliceLandmarks(
        landmarks.slice_index,
        {names[compartment]: placed for compartment, placed in landmarks.points.items()},
    )
