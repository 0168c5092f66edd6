"""Rigid registration of the tibia between two examinations of one knee.

Only the proximal tibia takes part: femur, patella and soft tissue lie otherwise on another day.
Points and directions are LPS mm in the coordinates of their own examination.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.errors import UsageError
from meniscal_measure.geometry import FloatArray
from meniscal_measure.knee.rigid_move import RigidMove
from meniscal_measure.knee.tibia_images import TibiaImages

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
