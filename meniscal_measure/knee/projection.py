"""What a radiograph allows to be measured: angles always, lengths only where it is calibrated.

A projection shows what lies nearer to the tube larger. Its pixels have a size at the detector, or
in a plane of the patient if somebody calibrated them (DICOM PS3.3 10.7.1.3).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from meniscal_measure.caliper.uncertainty import Combined, Input, propagate
from meniscal_measure.errors import GeometryError, LandmarkError
from meniscal_measure.geometry import FloatArray

Pixel = tuple[float, float]
"""`[column, row]`, pixel centres at whole numbers."""

PLACEMENT_SD_PX = 3.0
"""Standard deviation of a landmark placed by hand on a long radiograph (common practice, no
source)."""

GEOMETRY_U = 0.05
"""Relative standard uncertainty of a spacing calibrated from the geometry of the X-ray unit: the
depth of the knee is assumed (common practice, no source)."""

FIDUCIAL_U = 0.01
"""And of one calibrated by an object of known size in the image (common practice, no source)."""

SAME_SPACING = 1e-3
"""Relative difference up to which two stated spacings are the same number written twice."""


class Calibration(StrEnum):
    """How the spacing of a radiograph's pixels is known."""

    FIDUCIAL = "fiducial"
    """From an object of known size (Pixel Spacing Calibration Type FIDUCIAL, or a ball placed by
    the reader)."""
    GEOMETRY = "geometry"
    """From the geometry of the X-ray unit (GEOMETRY, or Pixel Spacing unlike Imager Pixel
    Spacing)."""
    DETECTOR = "detector"
    """At the detector: the magnification of the patient is not known."""
    NONE = "none"
    """No size is known; at most the shape of the pixels."""

    @property
    def words(self) -> str:
        """What it means for lengths."""
        return {
            Calibration.FIDUCIAL: "calibrated by an object of known size",
            Calibration.GEOMETRY: "calibrated by the geometry of the X-ray unit, depth assumed",
            Calibration.DETECTOR: "spacing at the detector: MAGNIFICATION UNKNOWN",
            Calibration.NONE: "no pixel spacing: MAGNIFICATION UNKNOWN",
        }[self]


@dataclass(frozen=True)
class StatedSpacing:
    """What the header of a CR or DX image says of its pixels, each (row, column).

    Parameters
    ----------
    imager_mm
        Imager Pixel Spacing (0018,1164): at the detector.
    pixel_mm
        Pixel Spacing (0028,0030).
    calibration_type
        Pixel Spacing Calibration Type (0028,0A02): GEOMETRY, FIDUCIAL or empty.
    aspect
        Pixel Aspect Ratio (0028,0034): vertical and horizontal size; absent means square pixels.
    """

    imager_mm: tuple[float, float] | None = None
    pixel_mm: tuple[float, float] | None = None
    calibration_type: str = ""
    aspect: tuple[float, float] | None = None


@dataclass(frozen=True)
class ProjectionScale:
    """Size of a radiograph's pixels: in mm where it is calibrated, else only their shape."""

    row_mm: float
    column_mm: float
    calibration: Calibration
    u_relative: float = 0.0

    def __post_init__(self) -> None:
        if not (0 < self.row_mm < np.inf and 0 < self.column_mm < np.inf):
            raise GeometryError(
                f"The pixel size of the radiograph is {self.row_mm} x {self.column_mm}; both must"
                " be positive. Ask for the image to be exported again."
            )

    @property
    def measures_lengths(self) -> bool:
        """Whether lengths in the patient can be given."""
        return self.calibration in (Calibration.FIDUCIAL, Calibration.GEOMETRY)

    def with_ball(
        self, edges: tuple[Pixel, Pixel], diameter_mm: float, *, sd_px: float = 1.0
    ) -> ProjectionScale:
        """Calibrate by a ball of known size that lies at the height of the bone.

        Parameters
        ----------
        edges
            Both ends of a diameter of its shadow.
        diameter_mm
            Its true diameter.
        sd_px
            Standard deviation of each end along the diameter.

        Raises
        ------
        LandmarkError
            If the ends coincide or the ball has no size.

        Examples
        --------
        >>> square = ProjectionScale(1.0, 1.0, Calibration.NONE)
        >>> square.with_ball(((0, 0), (0, 125)), 25.0).row_mm
        0.2
        """
        shown = float(np.linalg.norm(np.subtract(*self.plane(np.array(edges, dtype=np.float64)))))
        if not (shown > 0 and diameter_mm > 0):
            raise LandmarkError(
                "The calibration ball has no size. Place its two edges apart and give its diameter."
            )
        factor = diameter_mm / shown
        end_mm = factor * sd_px * max(self.row_mm, self.column_mm)
        return ProjectionScale(
            self.row_mm * factor,
            self.column_mm * factor,
            Calibration.FIDUCIAL,
            float(np.hypot(FIDUCIAL_U, np.sqrt(2) * end_mm / diameter_mm)),
        )

    def plane(self, pixels: FloatArray) -> FloatArray:
        """Take pixels, shape (..., 2), to the plane of the image, x along rows and y down."""
        return np.asarray(pixels * [self.column_mm, self.row_mm], dtype=np.float64)


def projection_scale(stated: StatedSpacing) -> ProjectionScale:
    """Decide what the pixels of a radiograph measure.

    Raises
    ------
    GeometryError
        If a stated size is not positive.

    Notes
    -----
    DICOM PS3.3 10.7.1.3: with Pixel Spacing Calibration Type, or Pixel Spacing unlike Imager Pixel
    Spacing, Pixel Spacing has been calibrated; equal values, or one of them alone without a type,
    are those of the detector. Without any, square pixels unless Pixel Aspect Ratio says otherwise
    (C.7.6.3.1.7).

    Examples
    --------
    >>> projection_scale(StatedSpacing(imager_mm=(0.14, 0.14))).calibration
    <Calibration.DETECTOR: 'detector'>
    """
    if stated.pixel_mm is not None:
        kind = _calibration_of(stated)
        errors = {Calibration.FIDUCIAL: FIDUCIAL_U, Calibration.GEOMETRY: GEOMETRY_U}
        return ProjectionScale(*stated.pixel_mm, kind, errors.get(kind, 0.0))
    if stated.imager_mm is not None:
        return ProjectionScale(*stated.imager_mm, Calibration.DETECTOR)
    return ProjectionScale(*(stated.aspect or (1.0, 1.0)), Calibration.NONE)


def _calibration_of(stated: StatedSpacing) -> Calibration:
    named = {"FIDUCIAL": Calibration.FIDUCIAL, "GEOMETRY": Calibration.GEOMETRY}
    if stated.calibration_type.upper() in named:
        return named[stated.calibration_type.upper()]
    assert stated.pixel_mm is not None
    if stated.imager_mm is None or np.allclose(
        stated.pixel_mm, stated.imager_mm, rtol=SAME_SPACING, atol=0.0
    ):
        return Calibration.DETECTOR
    return Calibration.GEOMETRY


Model = Callable[[Mapping[str, FloatArray]], Sequence[FloatArray]]
"""Takes places in the plane, each of shape (2, cases), to values of shape (cases,)."""


def projected(
    model: Model,
    pixels: Mapping[str, Pixel],
    scale: ProjectionScale,
    *,
    sd_px: float = PLACEMENT_SD_PX,
) -> tuple[Combined, ...]:
    """Carry the placement of landmarks, and the scale, through a model in the image plane.

    Parameters
    ----------
    model
        Angles, ratios or lengths.
    pixels
        The landmarks by name.
    scale
        Size of the pixels.
    sd_px
        Standard deviation of each landmark, each way.
    """
    names = list(pixels)
    start = np.array([pixels[name] for name in names], dtype=np.float64)

    def outputs(shifts: FloatArray) -> Sequence[FloatArray]:
        moved = start[:, :, None] + shifts[:-1].reshape(len(names), 2, -1)
        places = moved * np.array([scale.column_mm, scale.row_mm])[:, None] * (1.0 + shifts[-1])
        return model(dict(zip(names, places, strict=True)))

    inputs = [Input(f"{name} {axis}", 0.0, sd_px) for name in names for axis in "xy"]
    return propagate(outputs, [*inputs, Input("scale", 0.0, scale.u_relative)])
