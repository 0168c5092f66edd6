"""Whether pixel spacing times matrix is the field of view that the scanner states."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from meniscal_measure.findings import Code, Finding
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.series.attributes import Header

FIELD_TOLERANCE = 0.05
"""Relative difference of two stated fields of view that rounding or a cropped row explains; a
larger error of the spacing shows (common practice, no source)."""


@dataclass(frozen=True)
class FieldOfView:
    """What the header says of the field of view, None where it says nothing."""

    diameter_mm: float | None
    """Reconstruction Diameter (0018,1100), the longer side in MR (DICOM PS3.3 C.8.3.1)."""
    phase_over_frequency: float | None
    """Percent Phase Field of View (0018,0094) as a ratio (DICOM PS3.3 C.8.3.1)."""
    is_phase_along_rows: bool | None
    """In-plane Phase Encoding Direction (0018,1312)."""


def field_of_view(header: Header) -> FieldOfView:
    """Read what the header says of the field of view."""
    percent = header.number_if_legible("PercentPhaseFieldOfView")
    direction = header.code("InPlanePhaseEncodingDirection")
    return FieldOfView(
        diameter_mm=header.number_if_legible("ReconstructionDiameter"),
        phase_over_frequency=None if percent is None else percent / 100,
        is_phase_along_rows={"ROW": True, "COL": False, "COLUMN": False}.get(direction),
    )


def field_findings(said: FieldOfView, grid: PixelGrid) -> Iterator[Finding]:
    """Say where spacing times matrix contradicts it."""
    width_mm = grid.columns * grid.column_spacing_mm
    height_mm = grid.rows * grid.row_spacing_mm
    sides = {"width_mm": width_mm, "height_mm": height_mm}
    diameter_mm, ratio = said.diameter_mm, said.phase_over_frequency
    if diameter_mm and not _close(max(width_mm, height_mm), diameter_mm):
        yield Finding(Code.OTHER_FIELD_OF_VIEW, {**sides, "diameter_mm": diameter_mm})
    if ratio and said.is_phase_along_rows is not None:
        found = width_mm / height_mm if said.is_phase_along_rows else height_mm / width_mm
        if not (_close(found, ratio) or _close(found, 1.0)):  # images are often padded to a square
            yield Finding(Code.OTHER_PHASE_FIELD, {**sides, "percent": 100 * ratio})


def _close(one: float, other: float) -> bool:
    return abs(one - other) <= FIELD_TOLERANCE * abs(other)
