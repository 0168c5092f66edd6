"""The proximal tibia in a coronal stack: where it lies, and which voxels show it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from meniscal_measure.errors import GeometryError, NothingMeasurableError
from meniscal_measure.geometry import FloatArray, PixelGrid, Vector, unit_vector

BESIDE_RIMS_MM = 5.0
"""How far beyond its rims the tibia is taken, so that its side walls take part."""

ABOVE_RIMS_MM = 2.0
"""How far above the line through the rims: the joint surface, but not the femur."""

BELOW_RIMS_MM = 40.0
"""How far below it: metaphysis and the start of the shaft, where they are in view."""

BEFORE_AND_BEHIND_MM = 30.0
"""How far in front of and behind the slice with the rims; a plateau is 45 to 55 mm deep."""

LEAST_SEEN_MM = (55.0, 24.0, 15.0)
"""Least extent of the tibia in view: from side to side, from front to back, and below the plateau.
A smaller piece leaves its tilt undetermined (common practice, no source)."""

RANKED_EVERY = 7
"""Every seventh voxel is enough to know the distribution of grey values."""

CORTEX_MM, SMOOTHED_MM, NOISE_FLOOR = 5.0, 0.6, 0.03
"""Widest dark line that the closing fills, blur before it, and the fraction of a bright grey value
below which darkness is noise."""

HALF_DEPTH = 0.63
"""Depth of a plateau over its width: 1 / 1.58, the Iranian MRI series (n = 132)."""

EVEN = 0.9
"""Least over largest distance of neighbouring slices in an evenly spaced stack."""


@dataclass(frozen=True, eq=False)
class TibiaImages:
    """A coronal stack with its pixels and the place of the plateau in it."""

    pixels: NDArray[np.float32]
    """`[slice, row, column]`."""
    grids: tuple[PixelGrid, ...]
    """The plane of each slice, ordered along the normal."""
    medial_rim_mm: Vector
    lateral_rim_mm: Vector
    """The plateau rims on one slice near the middle of the plateau, LPS mm."""

    @property
    def centre_mm(self) -> FloatArray:
        """Middle between the rims, shape (3,)."""
        return (np.array(self.medial_rim_mm) + self.lateral_rim_mm) / 2

    @property
    def half_width_mm(self) -> float:
        """Half the distance between the rims."""
        return float(np.linalg.norm(np.subtract(self.medial_rim_mm, self.lateral_rim_mm))) / 2

    @property
    def axes(self) -> FloatArray:
        """Unit vectors towards medial, backwards and upwards, one a row."""
        medial = unit_vector(np.subtract(self.medial_rim_mm, self.lateral_rim_mm))
        normal = self.grids[0].normal
        back = normal if normal[1] > 0 else -normal
        back = unit_vector(back - (back @ medial) * medial)
        up = np.cross(medial, back)
        return np.stack([medial, back, up if up[2] > 0 else -up])

    @property
    def spacing_mm(self) -> float:
        """Distance between neighbouring slices.

        Raises
        ------
        GeometryError
            If it is not the same all through the stack, so that there is no regular volume.
        """
        normal = self.grids[0].normal
        gaps = np.diff([float(grid.origin @ normal) for grid in self.grids])
        if not (gaps.size and gaps.min() > EVEN * gaps.max()):
            raise GeometryError(
                "The slices of a series are not evenly spaced, or there is only one, so that its"
                " tibia cannot be registered. Give a complete series."
            )
        return float(gaps.mean())

    def in_plateau_axes(self) -> FloatArray:
        """Give the place of each voxel from the middle of the plateau, along `axes`, mm."""
        grid = self.grids[0]
        column, row = np.meshgrid(np.arange(grid.columns), np.arange(grid.rows))
        first = grid.to_patient(np.stack([column, row], axis=-1)) - self.centre_mm
        steps = np.array([other.origin - grid.origin for other in self.grids])
        turned = (first @ self.axes.T)[None] + (steps @ self.axes.T)[:, None, None]
        return np.asarray(turned, dtype=np.float64)

    def tibia(self) -> NDArray[np.bool_]:
        """Mark the voxels of the proximal tibia and its surface, shape [slice, row, column].

        Raises
        ------
        NothingMeasurableError
            If too little of it is in view.
        """
        places = self.in_plateau_axes()
        medial, back, up = np.moveaxis(places, -1, 0)
        region = (
            (np.abs(medial) <= self.half_width_mm + BESIDE_RIMS_MM)
            & (np.abs(back) <= BEFORE_AND_BEHIND_MM)
            & (up <= ABOVE_RIMS_MM)
            & (up >= -BELOW_RIMS_MM)
        )
        seen = np.ptp(places[region], axis=0) if region.any() else np.zeros(3)
        if np.any(seen < LEAST_SEEN_MM):
            side, depth, height = (float(extent) for extent in seen)
            raise NothingMeasurableError(
                f"Too little of the tibia is in view to register it: {side:.0f} mm from side to"
                f" side, {depth:.0f} mm from front to back and {height:.0f} mm in height; needed"
                " are {:.0f}, {:.0f} and {:.0f} mm. Give a series that shows more of it.".format(
                    *LEAST_SEEN_MM
                )
            )
        return np.asarray(region, dtype=np.bool_)

    def ranks(self) -> NDArray[np.float32]:
        """Rank the grey values among those of the tibia, 0 to 1.

        A contrast crowds marrow, cortex or fluid into few grey values and spreads others; by rank
        each counts by its volume.
        """
        known = np.sort(self.pixels[self.tibia()][::RANKED_EVERY])
        below = np.searchsorted(known, self.pixels)
        return np.asarray(below / len(known), dtype=np.float32)

    def darkness(self) -> NDArray[np.float32]:
        """Say how much darker each voxel is than the brightest places about it, 0 to 1.

        Cortical bone is dark in every contrast, and thin: one less the grey value over that of the
        closed image (grey-scale closing within the slice), in which thin dark lines are filled.
        """
        grid = self.grids[0]
        spacing_mm = np.array([grid.row_spacing_mm, grid.column_spacing_mm])
        smooth = ndimage.gaussian_filter(self.pixels, [0.0, *(SMOOTHED_MM / spacing_mm)])
        rows, columns = (2 * round(CORTEX_MM / (2 * mm)) + 1 for mm in spacing_mm)
        closed = ndimage.grey_closing(smooth, size=(1, max(3, rows), max(3, columns)))
        floor = NOISE_FLOOR * float(np.percentile(closed[self.tibia()], 90))
        return np.asarray(
            np.clip(1 - (smooth + floor) / (closed + floor), 0.0, 1.0), dtype=np.float32
        )

    def plateau_points(self) -> FloatArray:
        """Both rims, and front and back of the plateau, where the error counts; LPS mm, (4, 3)."""
        medial, back, _ = self.axes
        offsets = np.stack([medial, -medial, HALF_DEPTH * back, -HALF_DEPTH * back])
        return self.centre_mm + self.half_width_mm * offsets
