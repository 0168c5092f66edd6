"""Rigid registration of the tibia between two examinations of one knee.

Only the proximal tibia takes part: femur, patella and soft tissue lie otherwise on another day.
Points and directions are LPS mm in the coordinates of their own examination.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meniscal_measure.errors import GeometryError, NothingMeasurableError, UsageError
from meniscal_measure.geometry import FloatArray, PixelGrid, Vector, unit_vector

BESIDE_RIMS_MM = 5.0
"""The tibia is looked for so far beyond its rims, so that its side walls take part."""

ABOVE_RIMS_MM = 2.0
"""So far above the line through the rims: the joint surface, but not the femur."""

BELOW_RIMS_MM = 40.0
"""So far below it: metaphysis and the start of the shaft, where they are in view."""

BEFORE_AND_BEHIND_MM = 30.0
"""So far in front of and behind the slice with the rims; a plateau is 45 to 55 mm deep."""

LEAST_SEEN_MM = (55.0, 24.0, 15.0)
"""Least extent of the tibia in view: from side to side, from front to back, and below the plateau.
A smaller piece leaves its tilt undetermined (common practice, no source)."""

SAME_CONTRAST_MM, OTHER_CONTRAST_MM = 0.1, 0.4
"""Part of the error that no disagreement within the images shows: what is left on synthetic knees
imaged twice by the same protocol, and by others (fat displaced along the rows, other edges)."""

BINS, ITERATIONS, STEP_MM = 40, 150, (1.0, 1e-3)
"""Of the joint histogram (Mattes 2003, IEEE Trans Med Imaging 22:120-128), and of the search."""

PIXEL_MM, BLUR_MM = (1.8, 0.9), (2.0, 1.5)
"""Levels from coarse to fine: pixels about so large, and blur. Finer ones are led astray by noise,
which interpolation smooths."""

SEED = 20261127
SAMPLED = 0.7
"""Share of the voxels that the fine level compares, drawn alike in every run."""

CHECKER_MM = 12.0
"""Edge of the blocks that are dealt out to the two halves of the tibia."""

CENTRE_BELOW_MM = 15.0
"""Rotations are about this place below the plateau, in the midst of what is compared."""


@dataclass(frozen=True, eq=False)
class RigidMove:
    """A rigid movement `x -> rotation x + shift_mm`, from baseline to follow-up coordinates."""

    rotation: FloatArray
    """Shape (3, 3)."""
    shift_mm: FloatArray
    """Shape (3,)."""

    def __call__(self, point_mm: ArrayLike) -> FloatArray:
        """Move points, shape (..., 3).

        Examples
        --------
        >>> RigidMove(np.eye(3), np.array([1.0, 0.0, -2.0]))([[0, 0, 0], [5, 5, 5]]).tolist()
        [[1.0, 0.0, -2.0], [6.0, 5.0, 3.0]]
        """
        moved = np.asarray(point_mm, dtype=np.float64) @ self.rotation.T + self.shift_mm
        return np.asarray(moved, dtype=np.float64)

    @property
    def inverse(self) -> RigidMove:
        """The movement back."""
        return RigidMove(self.rotation.T, -self.rotation.T @ self.shift_mm)

    @property
    def angle_deg(self) -> float:
        """Angle of the rotation about its axis.

        Examples
        --------
        >>> RigidMove(np.eye(3), np.zeros(3)).angle_deg
        0.0
        """
        # by the sine as well, which keeps its digits where the cosine is close to 1
        turn = self.rotation - self.rotation.T
        sine = math.hypot(turn[2, 1], turn[0, 2], turn[1, 0]) / 2
        return math.degrees(math.atan2(sine, (float(np.trace(self.rotation)) - 1) / 2))

    def against(self, other: RigidMove) -> RigidMove:
        """Give the movement that this one makes beyond another one."""
        rotation = self.rotation @ other.rotation.T
        return RigidMove(rotation, self.shift_mm - rotation @ other.shift_mm)


@dataclass(frozen=True, eq=False)
class TibiaImages:
    """A coronal stack with its pixels and the place of the plateau in it.

    Parameters
    ----------
    pixels
        `[slice, row, column]`.
    grids
        The plane of each slice, ordered along the normal.
    medial_rim_mm, lateral_rim_mm
        The plateau rims on one slice near the middle of the plateau, LPS mm.
    """

    pixels: NDArray[np.float32]
    grids: tuple[PixelGrid, ...]
    medial_rim_mm: Vector
    lateral_rim_mm: Vector

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

    def plateau_points(self) -> FloatArray:
        """Places at which the error counts: both rims, and the front and back of the plateau.

        Returns
        -------
        ndarray
            LPS mm, shape (4, 3).
        """
        medial, back, _ = self.axes
        offsets = np.stack([medial, -medial, HALF_DEPTH * back, -HALF_DEPTH * back])
        return self.centre_mm + self.half_width_mm * offsets


HALF_DEPTH = 0.63
"""Depth of a plateau over its width: 1 / 1.58, the Iranian MRI series (n = 132)."""

EVEN = 0.9
"""Least over largest distance of neighbouring slices in an evenly spaced stack."""


@dataclass(frozen=True, eq=False)
class Registration:
    """Where the tibia of the baseline lies in the follow-up.

    Parameters
    ----------
    move
        From baseline to follow-up coordinates.
    error_mm, error_deg
        Standard uncertainty of the place of rims, front and back of the plateau, and of the
        rotation.
    """

    move: RigidMove
    error_mm: float
    error_deg: float


def register_tibia(
    baseline: TibiaImages, follow_up: TibiaImages, *, same_contrast: bool
) -> Registration:
    """Find the rigid movement of the tibia from the baseline to the follow-up.

    Mutual information of the grey values within the proximal tibia, from coarse to fine, starting
    where the rims of both readings and the planes of both stacks lie on each other.

    Parameters
    ----------
    baseline, follow_up
        The two examinations of one knee.
    same_contrast
        Whether both stacks have the same weighting and fat suppression.

    Raises
    ------
    UsageError
        If SimpleITK is not installed.
    NothingMeasurableError
        If too little of the tibia is in view.
    GeometryError
        If the slices of a stack are not evenly spaced.

    Notes
    -----
    The error is that of four further runs: two halves of the tibia, dealt out in blocks, and the
    way back; each half disagreement is a standard uncertainty, and what they have in common is
    added (`SAME_CONTRAST_MM`, `OTHER_CONTRAST_MM`).
    """
    there, back = _Pair(baseline, follow_up), _Pair(follow_up, baseline)
    turn = follow_up.axes.T @ baseline.axes
    start = RigidMove(turn, follow_up.centre_mm - turn @ baseline.centre_mm)
    tibia, tibia_later = baseline.tibia(), follow_up.tibia()
    whole = there.registered(start, tibia)
    blocks = np.floor(baseline.in_plateau_axes() / CHECKER_MM).sum(axis=-1) % 2
    first, second = (there.registered(whole, tibia & (blocks == part)) for part in (0, 1))
    returned = back.registered(start.inverse, tibia_later).inverse
    at = whole(baseline.plateau_points())
    differences = [first.against(second), returned.against(whole)]
    common_mm = SAME_CONTRAST_MM if same_contrast else OTHER_CONTRAST_MM
    lever_mm = baseline.half_width_mm
    return Registration(
        whole,
        math.hypot(common_mm, *(_rms_mm(other(at) - at) / 2 for other in differences)),
        math.hypot(
            math.degrees(common_mm / lever_mm), *(other.angle_deg / 2 for other in differences)
        ),
    )


def _rms_mm(offsets: FloatArray) -> float:
    return float(np.sqrt(np.mean(np.sum(offsets**2, axis=-1))))


class _Pair:
    """Two examinations as SimpleITK takes them."""

    def __init__(self, fixed: TibiaImages, moving: TibiaImages) -> None:
        self.itk, self.fixed = _simple_itk(), fixed
        images = [self._image(source, source.pixels) for source in (fixed, moving)]
        self.levels = [
            [self._coarse(image, pixel_mm, blur_mm) for image in images]
            for pixel_mm, blur_mm in zip(PIXEL_MM, BLUR_MM, strict=True)
        ]

    def registered(self, start: RigidMove, region: NDArray[np.bool_]) -> RigidMove:
        """Find the movement from the fixed to the moving images within a region of the fixed."""
        itk, mask = self.itk, self._image(self.fixed, region.astype(np.uint8))
        centre = self.fixed.centre_mm - CENTRE_BELOW_MM * self.fixed.axes[2]
        transform = itk.Euler3DTransform()
        transform.SetCenter(centre.tolist())
        transform.SetMatrix(start.rotation.ravel().tolist())
        transform.SetTranslation((start(centre) - centre).tolist())
        for fixed, moving in self.levels:
            method = itk.ImageRegistrationMethod()
            method.SetNumberOfThreads(1)  # sums in another order end elsewhere
            method.SetMetricAsMattesMutualInformation(BINS)
            method.SetMetricFixedMask(
                itk.Resample(mask, fixed, itk.Transform(), itk.sitkNearestNeighbor)
            )
            method.SetMetricSamplingStrategy(method.RANDOM)
            method.SetMetricSamplingPercentage(SAMPLED, SEED)
            method.SetInterpolator(itk.sitkLinear)
            method.SetOptimizerAsRegularStepGradientDescent(*STEP_MM, ITERATIONS)
            method.SetOptimizerScalesFromPhysicalShift()
            method.SetInitialTransform(transform, True)
            method.Execute(fixed, moving)
        rotation = np.array(transform.GetMatrix()).reshape(3, 3)
        moved = np.array(transform.TransformPoint(centre.tolist()))
        return RigidMove(rotation, moved - rotation @ centre)

    def _image(self, source: TibiaImages, voxels: NDArray[Any]) -> Any:
        grid = source.grids[0]
        image = self.itk.GetImageFromArray(voxels)
        image.SetOrigin(grid.position_mm)
        image.SetSpacing([grid.column_spacing_mm, grid.row_spacing_mm, source.spacing_mm])
        image.SetDirection(np.vstack([grid.plane_basis, grid.normal]).T.ravel().tolist())
        return image

    def _coarse(self, image: Any, pixel_mm: float, blur_mm: float) -> Any:
        """Blur and thin out within the slices; between them there is nothing to spare."""
        column_mm, row_mm, slice_mm = image.GetSpacing()
        smooth = self.itk.SmoothingRecursiveGaussian(image, [blur_mm, blur_mm, slice_mm / 100])
        steps = [max(1, int(pixel_mm / spacing_mm)) for spacing_mm in (column_mm, row_mm)]
        return self.itk.Shrink(smooth, [*steps, 1])


def _simple_itk() -> Any:
    try:
        import SimpleITK
    except ImportError as error:
        raise UsageError(
            "Finding the same slice in a follow-up needs SimpleITK, which is not installed."
            " Install it: pip install 'meniscal-measure[case]'."
        ) from error
    return SimpleITK
