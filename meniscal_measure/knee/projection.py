"""What a radiograph allows to be measured: angles always, lengths only where it is calibrated.

A projection shows what lies nearer to the tube larger. Its pixels have a size at the detector, or
in a plane of the patient if somebody calibrated them (DICOM PS3.3 10.7.1.3).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

import numpy as np

from meniscal_measure.caliper.uncertainty import Combined, Input, propagate
from meniscal_measure.errors import GeometryError, LandmarkError
from meniscal_measure.geometry import FloatArray
from meniscal_measure.series.radiographs import StatedSpacing

Pixel = tuple[float, float]
"""`[column, row]`, pixel centres at whole numbers."""

BALL_EDGES = ("ball_edge_a", "ball_edge_b")
"""Landmarks at both ends of a diameter of a calibration ball's shadow."""

PLACEMENT_SD_PX = 3.0
"""Standard deviation of a landmark placed by hand on a long radiograph (common practice, no
source)."""

BALL_EDGE_SD_PX = 1.0
"""Standard deviation of an end of the ball's diameter, along it (common practice, no source)."""

GEOMETRY_U = 0.05
"""Relative standard uncertainty of a spacing calibrated from the geometry of the X-ray unit: the
depth of the knee is assumed (common practice, no source)."""

FIDUCIAL_U = 0.01
"""And of one calibrated by an object of known size in the image (common practice, no source)."""

SAME_SPACING = 1e-3
"""Relative difference up to which two stated spacings are the same number written twice."""

SAME_MAGNIFICATION = 0.1
"""Relative difference up to which a stated magnification factor and two stated spacings agree: the
factor is an estimate for the table, the spacing for the bone above it (common practice, no
source)."""


MAX_MAGNIFICATION = 2.0
"""A leg shown larger than this would lie nearer to the tube than to the detector: no radiograph is
taken so, and the stated sizes are wrong (common practice, no source)."""

SAME_SHAPE = 0.01
"""Relative difference up to which two stated pixels have the same shape."""


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
    CONTRADICTORY = "contradictory"
    """The header states sizes that cannot all be true."""
    NONE = "none"
    """No size is known; at most the shape of the pixels."""

    @property
    def words(self) -> str:
        """What it means for lengths."""
        return {
            Calibration.FIDUCIAL: "calibrated by an object of known size",
            Calibration.GEOMETRY: "calibrated by the geometry of the X-ray unit, depth assumed",
            Calibration.DETECTOR: "spacing at the detector: MAGNIFICATION UNKNOWN",
            Calibration.CONTRADICTORY: "stated sizes contradict each other: MAGNIFICATION UNKNOWN",
            Calibration.NONE: "no pixel spacing: MAGNIFICATION UNKNOWN",
        }[self]


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

    def with_ball(self, edges: tuple[Pixel, Pixel], diameter_mm: float) -> ProjectionScale:
        """Calibrate by a ball of known size that lies at the height of the bone.

        `edges` are both ends of a diameter of its shadow.

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
        end_mm = factor * BALL_EDGE_SD_PX * max(self.row_mm, self.column_mm)
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
        If a stated size is not positive, or two stated sizes differ in the shape of the pixel.

    Notes
    -----
    DICOM PS3.3 10.7.1.3: with Pixel Spacing Calibration Type, or Pixel Spacing unlike Imager Pixel
    Spacing, Pixel Spacing has been calibrated; equal values, or one of them alone without a type,
    are those of the detector, from which Estimated Radiographic Magnification Factor leads to the
    patient; a factor of 1 corrects nothing. A patient is never shown smaller than at the detector.
    Without any size, square pixels
    unless Pixel Aspect Ratio says otherwise (C.7.6.3.1.7).

    Examples
    --------
    >>> projection_scale(StatedSpacing(imager_mm=(0.14, 0.14))).calibration
    <Calibration.DETECTOR: 'detector'>
    >>> round(projection_scale(StatedSpacing(imager_mm=(0.14, 0.14), magnification=1.12)).row_mm, 6)
    0.125
    """
    size_mm = stated.pixel_mm or stated.imager_mm
    if size_mm is None:
        return ProjectionScale(*(stated.aspect or (1.0, 1.0)), Calibration.NONE)
    kind = _calibration_of(stated)
    factor = stated.magnification
    if kind is Calibration.DETECTOR and factor is not None and factor > 1 + SAME_SPACING:
        kind = Calibration.GEOMETRY
        size_mm = size_mm[0] / factor, size_mm[1] / factor
    errors = {Calibration.FIDUCIAL: FIDUCIAL_U, Calibration.GEOMETRY: GEOMETRY_U}
    return ProjectionScale(*size_mm, kind, errors.get(kind, 0.0))


def _calibration_of(stated: StatedSpacing) -> Calibration:
    """How Pixel Spacing, or where there is none Imager Pixel Spacing, is known."""
    factor, shown = stated.magnification, _shown_larger(stated)
    if factor is not None and not 1 <= factor <= MAX_MAGNIFICATION:
        return Calibration.CONTRADICTORY
    named = {"FIDUCIAL": Calibration.FIDUCIAL, "GEOMETRY": Calibration.GEOMETRY}
    kind = named.get(stated.calibration_type) if stated.pixel_mm is not None else None
    if shown is None or np.allclose(shown, 1.0, rtol=SAME_SPACING):
        return kind or Calibration.DETECTOR
    unlike = factor is not None and not np.allclose(shown, factor, rtol=SAME_MAGNIFICATION)
    if not 1 - SAME_SPACING <= min(shown) <= max(shown) <= MAX_MAGNIFICATION or unlike:
        return Calibration.CONTRADICTORY
    return kind or Calibration.GEOMETRY


def _shown_larger(stated: StatedSpacing) -> tuple[float, float] | None:
    """Size at the detector over that in the patient, down and across, where both are stated."""
    if stated.imager_mm is None or stated.pixel_mm is None or min(stated.pixel_mm) <= 0:
        return None
    down, across = (float(size) for size in np.divide(stated.imager_mm, stated.pixel_mm))
    if min(down, across) > 0 and abs(down / across - 1) > SAME_SHAPE:
        raise GeometryError(
            "Pixel Spacing and Imager Pixel Spacing state pixels of different shape, so that"
            " neither angles nor lengths can be measured. Ask for the radiograph to be exported"
            " again."
        )
    return down, across


Name = TypeVar("Name", bound=str)
"""Name of a landmark."""


def projected(
    model: Callable[[Mapping[Name, FloatArray]], Sequence[FloatArray]],
    pixels: Mapping[Name, Pixel],
    scale: ProjectionScale,
    *,
    sd_px: float = PLACEMENT_SD_PX,
) -> tuple[Combined, ...]:
    """Carry the placement of landmarks, and the scale, through a model in the image plane.

    `model` takes places in the plane, each of shape (2, cases), to angles, ratios or lengths of
    shape (cases,); `sd_px` is the standard deviation of each landmark, each way.
    """
    names = list(pixels)
    start = np.array([pixels[name] for name in names], dtype=np.float64)

    def outputs(shifts: FloatArray) -> Sequence[FloatArray]:
        moved = start[:, :, None] + shifts[:-1].reshape(len(names), 2, -1)
        places = moved * np.array([scale.column_mm, scale.row_mm])[:, None] * (1.0 + shifts[-1])
        return model(dict(zip(names, places, strict=True)))

    inputs = [Input(f"{name} {axis}", 0.0, sd_px) for name in names for axis in "xy"]
    return propagate(outputs, [*inputs, Input("scale", 0.0, scale.u_relative)])
