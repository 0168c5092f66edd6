"""Rigid registration of the tibia between two examinations of one knee.

Only the proximal tibia takes part: femur, patella and soft tissue lie otherwise on another day.
Points and directions are LPS mm in the coordinates of their own examination.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.errors import UsageError
from meniscal_measure.knee.rigid_move import RigidMove
from meniscal_measure.knee.tibia_images import TibiaImages
from meniscal_measure.series.model import Contrast


class ContrastMatch(StrEnum):
    """How the contrasts of two series compare."""

    SAME = "same"
    OTHER_WEIGHTING = "other_weighting"
    OTHER_FAT = "other_fat"
    """Fat is suppressed in one of them."""


def contrast_match(first: Contrast, second: Contrast) -> ContrastMatch:
    """Compare the contrasts of two series.

    Examples
    --------
    >>> contrast_match(study.stacks[0].contrast, study.stacks[0].contrast)
    <ContrastMatch.SAME: 'same'>
    """
    if first.fat_suppressed is not second.fat_suppressed:
        return ContrastMatch.OTHER_FAT
    same = first.weighting is second.weighting
    return ContrastMatch.SAME if same else ContrastMatch.OTHER_WEIGHTING


COMMON_ERROR = {
    ContrastMatch.SAME: (0.1, 0.15),
    ContrastMatch.OTHER_WEIGHTING: (0.15, 0.2),
    ContrastMatch.OTHER_FAT: (0.9, 1.0),
}
"""Part of the error, mm and degrees, that no disagreement within the images shows: what is left on
synthetic knees (`tests/benchmarks/registration_contrasts.py`). Where fat is suppressed in one
series, most of it is how differently the two displace fat against water along the readout: about
0.5 mm where they displace it alike, 1.4 mm where one does so the other way round."""

ITERATIONS, SMALLEST_STEP_MM, PIXEL_MM = 150, 1e-3, (1.8, 0.9)
"""Steps and smallest step of the search, and the pixel size of its levels, coarse to fine. At finer
levels noise, which interpolation smooths, would lead it astray."""


@dataclass(frozen=True)
class Compared:
    """What is compared of the voxels."""

    of: Callable[[TibiaImages], NDArray[np.float32]]
    """Computes what is compared of images."""
    bins: int
    """Bins of the joint histogram (Mattes 2003, IEEE Trans Med Imaging 22:120-128)."""
    blur_mm: tuple[float, float]
    """Blur of each level."""
    step_mm: float
    """First step of the search."""


GREY = Compared(TibiaImages.ranks, 40, (2.0, 1.5), 1.0)
CORTEX = Compared(TibiaImages.darkness, 24, (1.5, 0.8), 0.5)
"""Where fat is suppressed in one series only, marrow and the tissue around the bone exchange their
brightness, and blurred edges move with them; cortical bone is dark in both."""

SEED = 20261127
SAMPLED = 0.7
"""Share of the voxels that are compared, the same ones in every run."""

CHECKER_MM = 12.0
"""Edge of the blocks that go to one half of the tibia and the other in turn."""

CENTRE_BELOW_MM = 15.0
"""Rotations are about a point this far below the plateau, in the middle of what is compared."""


@dataclass(frozen=True, eq=False)
class Registration:
    """Where the tibia of the baseline lies in the follow-up."""

    move: RigidMove
    """From baseline to follow-up coordinates."""
    error_mm: float
    error_deg: float
    """Standard uncertainty of the place of rims, front and back of the plateau, and of the
    rotation."""


def register_tibia(
    baseline: TibiaImages, follow_up: TibiaImages, contrasts: ContrastMatch
) -> Registration:
    """Find the rigid movement of the tibia from the baseline to the follow-up.

    Mutual information of the ranks of grey values within the proximal tibia, or of how dark they
    are against their surroundings where fat is suppressed in one series only, from coarse to fine,
    starting where the rims of both readings and the planes of both stacks coincide; the mean of the
    movement found from baseline to follow-up and of the one found from follow-up to baseline.

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
    The error is that of three further runs: two halves of the tibia, divided into blocks, and the
    way back; half of each disagreement is a standard uncertainty, to which comes what all runs have
    in common (`COMMON_ERROR`).
    """
    compared = CORTEX if contrasts is ContrastMatch.OTHER_FAT else GREY
    there, back = _Pair(baseline, follow_up, compared), _Pair(follow_up, baseline, compared)
    turn = follow_up.axes.T @ baseline.axes
    start = RigidMove(turn, follow_up.centre_mm - turn @ baseline.centre_mm)
    tibia, tibia_later = baseline.tibia(), follow_up.tibia()
    forth = there.registered(start, tibia)
    returned = back.registered(start.inverse, tibia_later).inverse
    whole = forth.midway(returned)
    blocks = np.floor(baseline.in_plateau_axes() / CHECKER_MM).sum(axis=-1) % 2
    first, second = (there.registered(whole, tibia & (blocks == part)) for part in (0, 1))
    at = whole(baseline.plateau_points())
    differences = [first.against(second), returned.against(forth)]
    common_mm, common_deg = COMMON_ERROR[contrasts]
    offsets_mm = [
        float(np.sqrt(np.mean(np.sum((other(at) - at) ** 2, axis=-1)))) for other in differences
    ]
    return Registration(
        whole,
        math.hypot(common_mm, *(offset_mm / 2 for offset_mm in offsets_mm)),
        math.hypot(common_deg, *(other.angle_deg / 2 for other in differences)),
    )


class _Pair:
    """Two examinations as SimpleITK takes them."""

    def __init__(self, fixed: TibiaImages, moving: TibiaImages, compared: Compared) -> None:
        self.itk, self.fixed, self.compared = _simple_itk(), fixed, compared
        images = [self._image(source, compared.of(source)) for source in (fixed, moving)]
        self.levels = [
            [self._coarse(image, pixel_mm, blur_mm) for image in images]
            for pixel_mm, blur_mm in zip(PIXEL_MM, compared.blur_mm, strict=True)
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
            method.SetMetricAsMattesMutualInformation(self.compared.bins)
            method.SetMetricFixedMask(
                itk.Resample(mask, fixed, itk.Transform(), itk.sitkNearestNeighbor)
            )
            method.SetMetricSamplingStrategy(method.RANDOM)
            method.SetMetricSamplingPercentage(SAMPLED, SEED)
            method.SetInterpolator(itk.sitkLinear)
            method.SetOptimizerAsRegularStepGradientDescent(
                self.compared.step_mm, SMALLEST_STEP_MM, ITERATIONS
            )
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
        """Blur and thin out within the slices only: they are far apart as they are."""
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
