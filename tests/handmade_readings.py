"""Handmade readings: landmarks laid out on a grid so that the extrusion is known beforehand."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.landmarks import Origin, PlacedLandmark, SliceConvention
from meniscal_measure.caliper.reading import (
    CompartmentReading,
    Conventions,
    Decision,
    Extrusion,
    Quantity,
    Reading,
    SliceReading,
    Source,
    ThresholdRule,
    UncertaintyPart,
)
from meniscal_measure.findings import Code, Finding
from meniscal_measure.geometry import PixelGrid, Vector, as_vector
from meniscal_measure.records.signatures import signed_by
from meniscal_measure.report.images import SeriesImages

SLICES, MEASURED = 7, 3
SLICE_SPACING_MM = 3.0
FIELD_MM = (112.0, 96.0)
LEFT_RIM_MM, RIGHT_RIM_MM = (20.0, 50.0), (92.0, 50.0)
BODY_MM, SPINE_BASE_MM = 10.0, 31.0


@dataclass(frozen=True)
class Layout:
    """What a test wants to be different about its knee."""

    left_mm: float | None = 1.0
    """Extrusion on the left of the image; None leaves the compartment out."""
    right_mm: float | None = 4.5
    u_mm: float = 0.3
    side: Side | None = Side.RIGHT
    row_spacing_mm: float = 0.4
    column_spacing_mm: float = 0.7
    row_cosines: Vector = (1.0, 0.0, 0.0)
    column_cosines: Vector = (0.0, 0.0, -1.0)
    tilt_deg: float = 5.0
    rule: ThresholdRule = ThresholdRule.ABOVE
    verified: bool = False
    origin: Origin = Origin.PROPOSED
    named_by_anatomy: bool = True
    warnings: tuple[Finding, ...] = (Finding(Code.NO_NEIGHBOUR),)


Case = tuple[Reading, SeriesImages]
MakeCase = Callable[..., Case]


@pytest.fixture(scope="session")
def make_case() -> MakeCase:
    """Build a reading with its images from what differs from the usual layout."""
    return lambda **changes: made(replace(Layout(), **changes))


@pytest.fixture(scope="session")
def case(make_case: MakeCase) -> Case:
    """A right knee: medial 4.5 mm on the right of the image, lateral 1.0 mm on its left."""
    return make_case()


def made(layout: Layout = Layout()) -> Case:
    grids = tuple(_grid(layout, index) for index in range(SLICES))
    rows, columns = np.mgrid[0 : grids[0].rows, 0 : grids[0].columns]
    image = 200 + 80 * np.sin(rows / 9) + 60 * np.cos(columns / 7)
    pixels = {index: (image + index).astype(np.uint16) for index in range(SLICES)}
    return _reading(layout, grids), SeriesImages(pixels, grids)


def _grid(layout: Layout, index: int) -> PixelGrid:
    normal = np.cross(layout.row_cosines, layout.column_cosines)
    return PixelGrid(
        position_mm=as_vector(np.array([-60.0, 5.0, 50.0]) + index * SLICE_SPACING_MM * normal),
        row_cosines=layout.row_cosines,
        column_cosines=layout.column_cosines,
        row_spacing_mm=layout.row_spacing_mm,
        column_spacing_mm=layout.column_spacing_mm,
        rows=round(FIELD_MM[1] / layout.row_spacing_mm),
        columns=round(FIELD_MM[0] / layout.column_spacing_mm),
    )


def _reading(layout: Layout, grids: tuple[PixelGrid, ...]) -> Reading:
    slices = [_slice(layout, grid, index) for index, grid in enumerate(grids)]
    reading = Reading(
        source=_source(layout),
        conventions=Conventions(
            threshold_rule=layout.rule, slice=SliceConvention.LARGEST_MEDIAL_SPINE
        ),
        slice_reason="the medial spine is largest here",
        measured=slices[MEASURED],
        neighbours=(slices[MEASURED - 1], slices[MEASURED + 1]),
        warnings=layout.warnings,
        software="meniscal_measure",
        software_version="0.1.0",
        measured_at="2026-02-03T04:05:06+00:00",
    )
    return signed_by(reading, "Dr. Okonjo") if layout.verified else reading


def _source(layout: Layout) -> Source:
    return Source(
        study_instance_uid="2.25.111111",
        series_instance_uid="2.25.222222",
        sop_instance_uid=f"2.25.33333{MEASURED}",
        series_description="Knie cor QUILLFEATHER",
        series_reason="coronal; Series Description 'Knie cor QUILLFEATHER' names it",
        patient_id="PID-90817",
        patient_name="Quillfeather^Zebedee",
        study_date="20250917",
        row_spacing_mm=layout.row_spacing_mm,
        column_spacing_mm=layout.column_spacing_mm,
        slice_spacing_mm=SLICE_SPACING_MM,
        slice_count=SLICES,
        from_the_front=True,
        side=layout.side,
        side_source="Laterality (0020,0060)" if layout.side else "no attribute",
    )


def _slice(layout: Layout, grid: PixelGrid, index: int) -> SliceReading:
    left, right = _names(layout)
    sides = (
        (left, layout.left_mm, LEFT_RIM_MM, -1),
        (right, layout.right_mm, RIGHT_RIM_MM, 1),
    )
    return SliceReading(
        slice_index=index,
        sop_instance_uid=f"2.25.33333{index}",
        instance_number=40 + index,
        frame_number=None,
        position_mm=float(grid.origin @ grid.normal),
        centre_mm=as_vector(grid.centre),
        plateau_width_mm=Quantity(72.0, 0.5),
        compartments={
            name: _compartment(layout, grid, name, extrusion_mm, (rim_mm, outward))
            for name, extrusion_mm, rim_mm, outward in sides
            if extrusion_mm is not None
        },
    )


def _names(layout: Layout) -> tuple[Compartment, Compartment]:
    if layout.side is None and not layout.named_by_anatomy:
        return Compartment.IMAGE_LEFT, Compartment.IMAGE_RIGHT
    if layout.side is Side.LEFT:
        return Compartment.MEDIAL, Compartment.LATERAL
    return Compartment.LATERAL, Compartment.MEDIAL


def _compartment(
    layout: Layout,
    grid: PixelGrid,
    name: Compartment,
    extrusion_mm: float,
    place: tuple[tuple[float, float], int],
) -> CompartmentReading:
    rim, outward = np.array(place[0]), place[1]
    tilt = math.radians(layout.tilt_deg)
    along = np.array([math.cos(tilt), math.sin(tilt)])
    axis = outward * along
    upwards = np.array([along[1], -along[0]])
    outer = rim + extrusion_mm * axis + 8.0 * upwards
    plane = {
        Landmark.RIM: rim,
        Landmark.OUTER_EDGE: outer,
        Landmark.FREE_EDGE: outer - BODY_MM * axis,
        Landmark.SPINE_BASE: rim - SPINE_BASE_MM * axis,
    }
    spacing_mm = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
    pixels = {landmark: point / spacing_mm for landmark, point in plane.items()}
    return CompartmentReading(
        compartment=name,
        landmarks={
            landmark: PlacedLandmark(as_vector(grid.to_patient(pixel)), 0.25, layout.origin)
            for landmark, pixel in pixels.items()
        },
        landmark_pixels={
            landmark: (float(pixel[0]), float(pixel[1])) for landmark, pixel in pixels.items()
        },
        axis=as_vector(axis[0] * grid.row_direction + axis[1] * grid.column_direction),
        extrusion=_extrusion(layout, extrusion_mm),
        body_width_mm=Quantity(BODY_MM, 0.4),
        overlap_mm=Quantity(BODY_MM - extrusion_mm, 0.4),
        relative_extrusion=Quantity(extrusion_mm / BODY_MM, 0.03),
        coverage=Quantity((BODY_MM - extrusion_mm) / 36, 0.02),
        coverage_width="half_plateau",
        extrusion_over_plateau_width=Quantity(extrusion_mm / 72, 0.005),
    )


def _extrusion(layout: Layout, value_mm: float) -> Extrusion:
    u_mm = layout.u_mm
    probability = 1 - NormalDist(value_mm, u_mm).cdf(3.0)
    decision = Decision.ABOVE if probability > 0.95 else Decision.UNDECIDED
    at_or_above = layout.rule is ThresholdRule.AT_OR_ABOVE
    return Extrusion(
        extrusion_mm=value_mm,
        u_mm=u_mm,
        interval95_mm=(value_mm - 1.96 * u_mm, value_mm + 1.96 * u_mm),
        budget=(
            UncertaintyPart("rim placement", 0.25),
            UncertaintyPart("outer edge placement", 0.17),
        ),
        probability_above_threshold=probability,
        flag=value_mm >= 3.0 if at_or_above else value_mm > 3.0,
        decision=decision if probability > 0.05 else Decision.NOT_ABOVE,
        grade=sum(value_mm >= cut for cut in (2, 3, 5)),
    )
