"""Signal of the marrow at the footprint: what supports a sign of marrow oedema."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.knee.horn_signal import disc_values
from meniscal_measure.knee.named_landmarks import SpatialLandmark
from meniscal_measure.knee.quantity import Basis, TracedQuantity

MARROW_DISC_MM = 3.0
"""Radius of the disc over which marrow is averaged (common practice, no source)."""


def marrow_signal(
    footprint: SpatialLandmark,
    reference: SpatialLandmark,
    image: NDArray[np.float32],
    reference_image: NDArray[np.float32],
) -> TracedQuantity:
    """Compare the signal of the marrow at the footprint with marrow away from the joint.

    The images are those of the slice of each, `[row, column]`.
    """
    here, there = (
        disc_values(pixels, mark.grid, mark.pixel, MARROW_DISC_MM)
        for mark, pixels in ((footprint, image), (reference, reference_image))
    )
    ratio = float(here.mean() / there.mean())
    u = ratio * float(np.hypot(
        here.std() / here.mean() / here.size**0.5, there.std() / there.mean() / there.size**0.5
    ))  # fmt: skip
    return TracedQuantity(
        "signal of the marrow, footprint over reference", ratio, "1", u, Basis.PIXELS,
        (footprint.where, reference.where),
        f"means over {2 * MARROW_DISC_MM:g} mm discs; u from the scatter of pixels alone",
    )  # fmt: skip
