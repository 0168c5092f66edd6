"""From landmarks to readings: one slice, and a measured slice among its neighbours."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.along_slices import choice_among
from meniscal_measure.caliper.axis import in_patient, in_plane_mm, name_of, outward
from meniscal_measure.caliper.budget import Geometry, SliceChoice, extrusion_budget, propagated
from meniscal_measure.caliper.checks import (
    PLATEAU_WIDTH_RANGE_MM,
    SQUARE_PIXEL_TOLERANCE,
    UNUSUAL_EXTRUSION_MM,
    UNUSUAL_HEIGHT_MM,
    UNUSUAL_INWARD_MM,
    check_complete,
    check_on_slice,
    check_order,
    check_side,
)
from meniscal_measure.caliper.compartments import named_by_anatomy
from meniscal_measure.caliper.decision import compare
from meniscal_measure.caliper.definitions import (
    Key,
    Measure,
    coverage_width,
    measured_compartments,
)
from meniscal_measure.caliper.grades import grade
from meniscal_measure.caliper.landmarks import ImagePlane, LandmarkSet, SliceLandmarks
from meniscal_measure.caliper.reading import (
    AxisConvention,
    CompartmentLandmarks,
    CompartmentReading,
    Conventions,
    Extrusion,
    Quantity,
    SliceReading,
)
from meniscal_measure.caliper.uncertainty import Combined
from meniscal_measure.errors import LandmarkError, prefixed
from meniscal_measure.findings import Code, Finding
from meniscal_measure.geometry import PixelGrid, as_vector

DEFAULT_CONVENTIONS = Conventions()
"""Axis through both rims, threshold of strictly more than 3 mm."""


@dataclass(frozen=True)
class MeasuredSet:
    """The readings of all slices with landmarks, and what a reader must be warned of."""

    measured: SliceReading
    neighbours: tuple[SliceReading, ...]
    warnings: tuple[Finding, ...]


def measure_set(
    landmarks: LandmarkSet,
    frames: Sequence[ImagePlane],
    *,
    conventions: Conventions = DEFAULT_CONVENTIONS,
    side: Side | None = None,
    measure_neighbours: bool = True,
) -> MeasuredSet:
    """Measure the chosen slice and its neighbours.

    What the choice of the slice adds is in the uncertainty of the measured slice only: the
    neighbours state what is on their own slice.

    Parameters
    ----------
    landmarks
        Landmarks on the measured slice and, where placed, on others of the same stack.
    frames
        The slices of the stack in geometric order.
    conventions
        Axis and threshold rule.
    side
        Body side of the knee, None while unknown.
    measure_neighbours
        False leaves the readings of the neighbours out, which takes most of the time; the
        uncertainty of the measured slice is the same.

    Raises
    ------
    LandmarkError
        If landmarks are missing, outside the image, off their slice or out of order.
    SideError
        If medial and lateral contradict the side.
    """
    placed = _checked_slices(landmarks, frames, side)
    measured_index = landmarks.measured.slice_index
    positions_mm = [float(frame.grid.origin @ frames[0].grid.normal) for frame in frames]
    geometries = {
        index: slice_geometry(item, frames[index].grid, conventions.axis)
        for index, item in placed.items()
    }
    choice = choice_among(geometries, measured_index, positions_mm)
    readings = {
        index: slice_reading(
            item,
            frames[index],
            geometries[index],
            conventions=conventions,
            position_mm=positions_mm[index],
            slice_choice=choice if index == measured_index else None,
        )
        for index, item in sorted(placed.items())
        if measure_neighbours or index == measured_index
    }
    measured = readings.pop(measured_index)
    findings = _findings(measured, choice, side, frames[measured_index].grid)
    return MeasuredSet(measured, tuple(readings.values()), tuple(findings))


def _checked_slices(
    landmarks: LandmarkSet, frames: Sequence[ImagePlane], side: Side | None
) -> dict[int, SliceLandmarks]:
    """Landmarks by slice index, with compartments named by anatomy as far as the side is known."""
    slices: dict[int, SliceLandmarks] = {}
    for item in (landmarks.measured, *landmarks.neighbours):
        index = item.slice_index
        if not 0 <= index < len(frames):
            raise LandmarkError(
                f"Landmarks are given for slice {index}, but the series has slices 0 to"
                f" {len(frames) - 1}. Count from 0 in geometric order."
            )
        if index in slices:
            raise LandmarkError(f"Slice {index} is given twice. Keep one set of landmarks for it.")
        with prefixed("Slice {slice:slice}", slice=index):
            check_side(item, frames[index].grid, side)
            slices[index] = named_by_anatomy(item, frames[index].grid, side)
    return slices


def _height_mm(found: CompartmentReading) -> float:
    """Measure how far the outer edge lies from its rim across the axis."""
    rim, edge = (
        np.asarray(found.landmarks[name].point_mm) for name in (Landmark.RIM, Landmark.OUTER_EDGE)
    )
    return float(np.linalg.norm(edge - rim - found.extrusion.extrusion_mm * np.asarray(found.axis)))


def _findings(
    measured: SliceReading, choice: SliceChoice | None, side: Side | None, grid: PixelGrid
) -> Iterator[Finding]:
    yield from _unknown_slopes(measured, choice)
    width = measured.plateau_width_mm
    shortest_mm, longest_mm = PLATEAU_WIDTH_RANGE_MM
    if width is not None and not shortest_mm <= width.value <= longest_mm:
        values = {"width_mm": width.value, "least_mm": shortest_mm, "most_mm": longest_mm}
        yield Finding(Code.UNUSUAL_PLATEAU_WIDTH, values)
    for compartment, found in measured.compartments.items():
        where, extrusion_mm = {"compartment": compartment.words}, found.extrusion.extrusion_mm
        if extrusion_mm < -UNUSUAL_INWARD_MM:
            yield Finding(Code.UNUSUALLY_INWARD, {**where, "inward_mm": -extrusion_mm})
        if extrusion_mm > UNUSUAL_EXTRUSION_MM:
            most = {"outward_mm": extrusion_mm, "most_mm": UNUSUAL_EXTRUSION_MM}
            yield Finding(Code.UNUSUALLY_FAR_OUT, {**where, **most})
        height_mm = _height_mm(found)
        if height_mm > UNUSUAL_HEIGHT_MM:
            most = {"height_mm": height_mm, "most_mm": UNUSUAL_HEIGHT_MM}
            yield Finding(Code.UNUSUAL_HEIGHT, {**where, **most})
    if side is None:
        yield Finding(Code.SIDE_UNKNOWN)
    ratio = grid.row_spacing_mm / grid.column_spacing_mm
    if width is not None and abs(ratio - 1) > SQUARE_PIXEL_TOLERANCE:
        values = {
            "row_mm": grid.row_spacing_mm,
            "column_mm": grid.column_spacing_mm,
            "width_mm": grid.columns * grid.column_spacing_mm,
            "height_mm": grid.rows * grid.row_spacing_mm,
            "plateau_mm": width.value,
            "square_mm": ratio * width.value,
        }
        yield Finding(Code.UNEQUAL_SPACINGS, values)


def _unknown_slopes(measured: SliceReading, choice: SliceChoice | None) -> Iterator[Finding]:
    """Say where no neighbour shows how extrusion changes along the slices."""
    if choice is None:
        yield Finding(Code.NO_NEIGHBOUR)
        return
    for compartment in measured.compartments:
        if (compartment, Measure.EXTRUSION) not in choice.slopes:
            values = {"compartment": compartment.words}
            yield Finding(Code.NO_NEIGHBOUR_OF_COMPARTMENT, values)


def slice_reading(
    landmarks: SliceLandmarks,
    frame: ImagePlane,
    geometry: Geometry,
    *,
    conventions: Conventions,
    position_mm: float,
    slice_choice: SliceChoice | None = None,
) -> SliceReading:
    """Measure both compartments on one slice whose landmarks `slice_geometry` checked.

    A compartment is measured where its rim and outer edge are placed; measures that need further
    landmarks are None without them. `position_mm` is that of the slice along the stack normal;
    `slice_choice`, how the measures change along the stack, enters the uncertainty.
    """
    results = propagated(geometry, landmarks, slice_choice)
    return SliceReading(
        slice_index=landmarks.slice_index,
        sop_instance_uid=frame.sop_instance_uid,
        instance_number=frame.instance_number,
        frame_number=None if frame.frame_index is None else frame.frame_index + 1,
        position_mm=position_mm,
        centre_mm=as_vector(frame.grid.centre),
        plateau_width_mm=_quantity(results, (None, Measure.PLATEAU_WIDTH)),
        compartments={
            compartment: _compartment(
                landmarks, frame.grid, geometry, results, compartment, conventions
            )
            for compartment in geometry.axes
        },
        unmeasured=_unmeasured(landmarks, frame.grid, geometry),
    )


def _unmeasured(
    landmarks: SliceLandmarks, grid: PixelGrid, geometry: Geometry
) -> CompartmentLandmarks | None:
    for compartment, placed in landmarks.points.items():
        if placed and compartment not in geometry.axes:
            return CompartmentLandmarks(compartment, placed, _pixels(landmarks, compartment, grid))
    return None


def slice_geometry(
    landmarks: SliceLandmarks, grid: PixelGrid, convention: AxisConvention
) -> Geometry:
    """Check the landmarks of a slice and bring them into its plane.

    Raises
    ------
    LandmarkError
        If landmarks are missing, outside the image, off the slice or out of order.
    """
    points, sds_mm = {}, {}
    with prefixed("Slice {slice:slice}", slice=landmarks.slice_index):
        check_complete(landmarks)
        for compartment, placed in landmarks.points.items():
            for landmark, record in placed.items():
                check_on_slice(name_of(compartment, landmark), record, grid)
                points[compartment, landmark] = in_plane_mm(grid, record.point_mm)
                sds_mm[compartment, landmark] = record.sd_mm
        check_order(points, sds_mm, convention)
    axes = {
        compartment: outward(points, compartment, convention)
        for compartment in measured_compartments(points)
    }
    return Geometry(points, axes, convention)


def _compartment(
    landmarks: SliceLandmarks,
    grid: PixelGrid,
    geometry: Geometry,
    results: Mapping[Key, Combined],
    compartment: Compartment,
    conventions: Conventions,
) -> CompartmentReading:
    def quantity(measure: Measure) -> Quantity | None:
        return _quantity(results, (compartment, measure))

    result = results[compartment, Measure.EXTRUSION]
    extrusion = Extrusion(
        extrusion_mm=result.value,
        u_mm=result.u,
        interval95_mm=result.interval(),
        budget=extrusion_budget(result, compartment),
        grade=grade(result.value),
        **compare(result.value, result.u, conventions)._asdict(),
    )
    return CompartmentReading(
        compartment=compartment,
        landmarks=landmarks.points[compartment],
        landmark_pixels=_pixels(landmarks, compartment, grid),
        axis=as_vector(in_patient(grid, geometry.axes[compartment])),
        extrusion=extrusion,
        body_width_mm=quantity(Measure.BODY_WIDTH),
        overlap_mm=quantity(Measure.OVERLAP),
        relative_extrusion=quantity(Measure.RELATIVE_EXTRUSION),
        coverage=quantity(Measure.COVERAGE),
        coverage_width=coverage_width(geometry.points, compartment),
        extrusion_over_plateau_width=quantity(Measure.EXTRUSION_OVER_PLATEAU_WIDTH),
    )


def _quantity(results: Mapping[Key, Combined], key: Key) -> Quantity | None:
    result = results.get(key)
    return None if result is None else Quantity(result.value, result.u)


def _pixels(
    landmarks: SliceLandmarks, compartment: Compartment, grid: PixelGrid
) -> dict[Landmark, tuple[float, float]]:
    pixels = {}
    for landmark, placed in landmarks.points[compartment].items():
        column, row = grid.to_pixel(placed.point_mm)
        pixels[landmark] = (float(column), float(row))
    return pixels
