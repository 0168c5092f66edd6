"""From loose frames to ordered stacks: grouping, ordering and checking, all by geometry."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Plane
from meniscal_measure.findings import Code, Finding
from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.series.field_of_view import field_findings
from meniscal_measure.series.headers import HeaderFrame, StackKey
from meniscal_measure.series.model import Frame, Stack
from meniscal_measure.series.side import code_findings, laterality

PARALLEL_TOLERANCE = 2e-3
"""Largest difference of direction cosines within a stack, about 0.1 degree: more than rounding in
the header, less than any tilt set on purpose."""

SAME_POSITION_MM = 0.01
"""Frames closer than this along the normal lie at the same position."""

USUAL_SLICE_SPACINGS_MM = (0.2, 10.0)
"""From an isotropic block to thick slices with wide gaps (common practice, no source)."""

UNEVEN_GAP_MM = 0.1
"""Gaps that differ from their median by more than this are reported as uneven."""

MISSING_SLICE_RATIO = 1.5
"""A gap this many times the median one, or wider, means that slices are missing."""

SIDEWAYS_DRIFT_MM = 0.5
"""Slices that start further than this off the stack's own axis are reported as shifted."""

SAME_SPACING_MM = 1e-4
"""Pixel spacings this close belong together: archives round to four decimals or more, and over a
whole image it adds up to less than a tenth of a pixel."""

NAMED_PLANE_TILT_DEG = 40.0
"""Largest tilt of a stack's normal from a patient axis at which its plane keeps the name;
oblique coronal knee stacks follow the femoral condyles and are tilted by up to 30-40 degrees."""

NO_SLICES = frozenset(
    {"LOCALIZER", "PROJECTION IMAGE", "MIP", "MINIP", "MAX_IP", "MIN_IP", "MAXIMUM", "MINIMUM",
     "STD_DEVIATION", "SUBTRACTION", "DIVISION", "MASKED", "DIFFUSION", "ADC"}
)  # fmt: skip
"""Values of Image Type or Frame Type for images that are no plain slices (DICOM PS3.3 C.7.6.1.1.2,
C.8.16.1.3 and C.8.16.1.4; MIP and ADC common practice, no source), beside those that end in MAP."""

_PLANES = (Plane.SAGITTAL, Plane.CORONAL, Plane.AXIAL)
"""Plane of a stack whose normal lies nearest to the patient's x, y or z axis."""


@dataclass(frozen=True)
class _Run:
    """Parallel frames in order of position, no two at the same one."""

    items: tuple[HeaderFrame, ...]
    repeated: int
    """How many of its positions hold another frame as well, which is then in another run."""

    @property
    def series(self) -> tuple[str, str]:
        key = self.items[0].key
        return key.study_instance_uid, key.series_instance_uid


def build_stacks(frames: Iterable[HeaderFrame]) -> tuple[Stack, ...]:
    """Group frames into stacks and order each along its normal.

    The result does not depend on the order, the names or the Instance Numbers of the files; where
    several frames lie at the same position, those with the lowest Instance Numbers make the first
    stack, the next ones the second, and so on.
    """
    groups: dict[StackKey, list[HeaderFrame]] = defaultdict(list)
    for frame in frames:
        groups[frame.key].append(frame)
    series: dict[tuple[str, str], list[_Run]] = defaultdict(list)
    for group in groups.values():
        for run in _parallel_runs(group):
            series[run.series].append(run)
    stacks = [_stack(run, runs) for runs in series.values() for run in runs]
    return tuple(sorted(stacks, key=_listing_order))


def plane_of(normal: FloatArray) -> Plane:
    """Name the anatomical plane across a normal.

    Examples
    --------
    >>> plane_of(np.array([0.3, 0.95, 0.0]))
    <Plane.CORONAL: 'coronal'>
    >>> plane_of(np.array([0.7, 0.71, 0.0]))
    <Plane.OBLIQUE: 'oblique'>
    """
    components = np.abs(normal) / np.linalg.norm(normal)
    axis = int(np.argmax(components))
    tilt_deg = np.degrees(np.arccos(min(1.0, float(components[axis]))))
    return _PLANES[axis] if tilt_deg <= NAMED_PLANE_TILT_DEG else Plane.OBLIQUE


def _listing_order(stack: Stack) -> tuple[object, ...]:
    identity = stack.identity
    number = identity.series_number
    return (
        identity.study_instance_uid,
        number is None,
        number or 0,
        identity.series_instance_uid,
        stack.plane,
        stack.contrast.echo_time_ms or 0.0,
        -len(stack.frames),
        stack.frames[0].grid.position_mm,
        stack.frames[0].sop_instance_uid,
    )


def _parallel_runs(group: Sequence[HeaderFrame]) -> list[_Run]:
    parallel: list[list[HeaderFrame]] = []
    for item in sorted(group, key=_repetition_order):
        for members in parallel:
            if _alike(item.frame.grid, members[0].frame.grid):
                members.append(item)
                break
        else:
            parallel.append([item])
    return [run for members in parallel for run in _repetitions(members)]


def _alike(grid: PixelGrid, reference: PixelGrid) -> bool:
    """Whether two slices are parallel, turned alike in their plane, with pixels of one size."""
    return (
        _apart(grid.row_cosines, reference.row_cosines) <= PARALLEL_TOLERANCE
        and _apart(grid.column_cosines, reference.column_cosines) <= PARALLEL_TOLERANCE
        and _apart(_spacings(grid), _spacings(reference)) <= SAME_SPACING_MM
    )


def _apart(one: Sequence[float], other: Sequence[float]) -> float:
    return max(abs(a - b) for a, b in zip(one, other, strict=True))


def _spacings(grid: PixelGrid) -> tuple[float, float]:
    return grid.row_spacing_mm, grid.column_spacing_mm


def _repetition_order(item: HeaderFrame) -> tuple[int, str, int]:
    return item.frame.instance_number or 0, item.frame.sop_instance_uid, item.frame.frame_index or 0


def _repetitions(members: Sequence[HeaderFrame]) -> list[_Run]:
    """Send the k-th frame at each position to the k-th run."""
    normal = members[0].frame.grid.normal
    located = sorted(
        ((float(item.frame.grid.origin @ normal), item) for item in members),
        key=lambda pair: pair[0],
    )
    places: list[list[HeaderFrame]] = []
    place_mm = -np.inf
    for position_mm, item in located:
        if position_mm - place_mm >= SAME_POSITION_MM:
            places.append([])
            place_mm = position_mm
        places[-1].append(item)
    for place in places:
        place.sort(key=_repetition_order)
    held = ([place for place in places if len(place) > k] for k in range(max(map(len, places))))
    return [
        _Run(tuple(place[k] for place in some), sum(len(place) > 1 for place in some))
        for k, some in enumerate(held)
    ]


def _stack(run: _Run, runs_of_series: Sequence[_Run]) -> Stack:
    frames = tuple(item.frame for item in run.items)
    normal = frames[0].grid.normal
    positions_mm = tuple(float(frame.grid.origin @ normal) for frame in frames)
    shared = run.items[0].shared
    coded = {code for item in run.items for code in item.sides}
    hints = dict.fromkeys(hint for item in run.items for hint in item.side_hints)
    return Stack(
        identity=shared.identity,
        plane=plane_of(normal),
        contrast=shared.contrast,
        laterality=laterality(coded, tuple(hints)),
        frames=frames,
        positions_mm=positions_mm,
        findings=(
            *_series_findings(run, runs_of_series),
            *_kind_findings(run.items[0].key.image_type),
            *_gap_findings(positions_mm),
            *_drift_findings(frames),
            *code_findings(coded),
            *field_findings(shared.field_of_view, frames[0].grid),
        ),
    )


def _series_findings(run: _Run, runs_of_series: Sequence[_Run]) -> list[Finding]:
    findings = []
    if len(runs_of_series) > 1:
        findings.append(Finding(Code.SEVERAL_STACKS, {"count": len(runs_of_series)}))
    grids = [other.items[0].frame.grid for other in runs_of_series]
    sizes = sorted({(grid.columns, grid.rows) for grid in grids})
    if len(sizes) > 1:
        listed = ", ".join(f"{columns} x {rows}" for columns, rows in sizes)
        findings.append(Finding(Code.MIXED_SIZES, {"sizes": listed}))
    own = run.items[0].frame.grid
    others = [_spacings(grid) for grid in grids]
    if any(_apart(other, _spacings(own)) > SAME_SPACING_MM for other in others):
        listed = ", ".join(f"{row:g} x {column:g}" for row, column in sorted(set(others)))
        findings.append(Finding(Code.MIXED_SPACINGS, {"spacings": listed}))
    if run.repeated:
        findings.append(Finding(Code.DUPLICATES, {"count": run.repeated}))
    return findings


def _kind_findings(image_type: Sequence[str]) -> list[Finding]:
    kinds = map(str.upper, image_type)
    found = [kind for kind in kinds if kind in NO_SLICES or kind.endswith("MAP")]
    return [Finding(Code.NO_PLAIN_SLICES, {"kind": kind}) for kind in found[:1]]


def _gap_findings(positions_mm: Sequence[float]) -> list[Finding]:
    if len(positions_mm) < 2:
        return []
    gaps = np.diff(positions_mm)
    median_mm = float(np.median(gaps))
    wide = [int(index) for index in np.flatnonzero(gaps >= MISSING_SLICE_RATIO * median_mm)]
    findings = []
    least_mm, most_mm = USUAL_SLICE_SPACINGS_MM
    if not least_mm <= median_mm <= most_mm:
        usual = {"least_mm": least_mm, "most_mm": most_mm}
        findings.append(Finding(Code.UNUSUAL_SLICE_SPACING, {"spacing_mm": median_mm, **usual}))
    for index in wide:
        around = {"before": index, "after": index + 1, "usual_mm": median_mm}
        findings.append(Finding(Code.MISSING_SLICES, {"gap_mm": float(gaps[index]), **around}))
    others = np.delete(gaps, wide)
    if others.size and np.max(np.abs(others - median_mm)) > UNEVEN_GAP_MM:
        values = {"least_mm": float(others.min()), "most_mm": float(others.max())}
        findings.append(Finding(Code.UNEVEN_GAPS, values))
    return findings


def _drift_findings(frames: Sequence[Frame]) -> list[Finding]:
    origins = np.array([frame.grid.position_mm for frame in frames])
    normal = frames[0].grid.normal
    offsets = origins - origins[0]
    sideways = offsets - np.outer(offsets @ normal, normal)
    drift_mm = float(np.max(np.linalg.norm(sideways, axis=1)))
    if drift_mm <= SIDEWAYS_DRIFT_MM:
        return []
    return [Finding(Code.SHIFTED_SLICES, {"drift_mm": drift_mm})]
