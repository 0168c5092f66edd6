"""Training examples of the three-dimensional knee of `workshop.knees`, made by worker processes.

Shapes, partial volume, k-space, chemical shift and coils are those of that knee; its tissues are
shown under pulse sequences drawn at random, or in no sequence's contrast at all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch.utils.data import IterableDataset, get_worker_info

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.geometry import FloatArray
from meniscal_measure.locate.frames import (
    MARGIN_INWARD_MM,
    MARGIN_PIXEL_MM,
    SURVEY_PIXEL_MM,
    SURVEY_SIZE,
    Image,
    ViewFrame,
)
from meniscal_measure.locate.place import compartment_of
from meniscal_measure.workshop.knees.scanner.image import ScannedStack
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane, stack_grids
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from meniscal_measure.workshop.knees.tibia import MEAN_PLATEAU_WIDTH_MM
from meniscal_measure.workshop.knees.tissue import Tissue
from meniscal_measure.workshop.training.margin_samples import (
    JITTER_MM,
    MARGIN_STORED,
    MarginExample,
)
from meniscal_measure.workshop.training.random_scans import (
    USUAL,
    Severity,
    draw_knee,
    scanned,
)
from meniscal_measure.workshop.training.survey_samples import (
    BEYOND_MM,
    BODY_MM,
    PLACED_MM,
    SurveyExample,
)

OTHER_PLANE = 0.1
"""Share of stacks that are sagittal or axial."""
MARGIN_SLICES, SURVEY_SLICES = 5, 7
"""Slices of a short stack; the outermost are only seen as neighbours."""
BESIDE_MM, HEIGHT_MM = 21.0, 58.0
"""Width beyond the plateau on each side, and height, of the stacks that margins are cut from."""
BONES = (Tissue.MARROW, Tissue.MARROW_OEDEMA, Tissue.CORTICAL_BONE)
MENISCI = (Tissue.MEDIAL_MENISCUS, Tissue.LATERAL_MENISCUS, Tissue.TORN_MENISCUS)
LANDMARKS = (Landmark.RIM, Landmark.OUTER_EDGE, Landmark.FREE_EDGE)

Truth = Mapping[Compartment, Mapping[Landmark, tuple[float, float, float]]]


class Volumes(IterableDataset[Any]):
    """Examples without end; each worker process draws its own.

    Parameters
    ----------
    make
        Makes the examples of one knee, if the slices drawn show anything to learn from.
    seed
        Of all randomness, together with the number of the worker.
    """

    def __init__(self, make: Callable[[np.random.Generator], Iterator[Any]], seed: int) -> None:
        self.make, self.seed = make, seed

    def __iter__(self) -> Iterator[Any]:
        """Yield examples without end."""
        torch.set_num_threads(1)
        worker = get_worker_info()
        rng = np.random.default_rng([self.seed, worker.id if worker else 0])
        while True:
            yield from self.make(rng)


@dataclass(frozen=True)
class Slab:
    """A short stack of a knee with what is true of it."""

    knee: SyntheticKnee
    stack: ScannedStack
    truths: Sequence[Truth]

    def compartment(self, right: bool) -> Compartment:
        """Compartment on the right or left of the image."""
        return compartment_of(self.stack.grids[0], right, self.knee.parameters.side)

    def window(self, frame: ViewFrame, index: int) -> Image:
        """Look at a slice and both its neighbours."""
        near = range(index - 1, index + 2)
        return np.stack([frame.resample(self.stack.pixels[i], self.stack.grids[i]) for i in near])

    def tissue(self, frame: ViewFrame, index: int) -> NDArray[np.uint8]:
        """0 background, 1 femur, 2 tibia, 3 meniscus, 4 cartilage, at each pixel of a frame."""
        cells = np.stack(np.meshgrid(*2 * [np.arange(float(frame.size))]), axis=-1)
        grid = self.stack.grids[index]
        points = grid.to_patient(frame.to_slice(cells, grid)).astype(np.float32)
        found = self.knee.tissue_at(points)
        u, y, z = points[..., 0] * np.float32(self.knee.mirror), points[..., 1], points[..., 2]
        label = np.zeros(found.shape, np.uint8)
        for value, part in ((1, self.knee.femur), (2, self.knee.tibia)):
            bone = [d for tissue, _, d in part.layers(u, y, z) if tissue is Tissue.CORTICAL_BONE]
            label[np.isin(found, BONES) & (np.min(bone, axis=0) < 0)] = value
        label[np.isin(found, MENISCI)] = 3
        label[found == Tissue.CARTILAGE] = 4
        return label


def _plan(
    rng: np.random.Generator,
    slices: int,
    size_mm: tuple[float, float],
    pixel_mm: float,
    centre_mm: tuple[float, float, float],
    plane: StackPlane = StackPlane.CORONAL,
) -> StackPlan:
    thickness_mm = float(np.exp(rng.uniform(np.log(1), np.log(5))))
    height, width = (int(size / pixel_mm) for size in size_mm)
    tilt = np.clip(rng.normal(0, 4.5, 3), -14, 14)
    return StackPlan(
        *(plane, slices, height, width, pixel_mm, pixel_mm, thickness_mm),
        thickness_mm * float(rng.uniform(1.0, 1.25)),
        centre_mm=centre_mm,
        rotation_deg=(float(tilt[0]), float(tilt[1]), float(tilt[2])),
    )


def margin_slab(rng: np.random.Generator, severity: Severity = USUAL) -> Iterator[MarginExample]:
    """Make the joint margins of some neighbouring slices of one knee."""
    knee = draw_knee(rng)
    width = knee.parameters.tibia.plateau_width_mm + 2 * BESIDE_MM
    middle = knee.mid_coronal.plateau_midpoint[1]
    centre = (rng.uniform(-4, 4), middle + float(rng.normal(0, 4)), rng.uniform(-4, 8))
    pixel_mm = float(rng.uniform(0.25, 0.9))
    plan = _plan(rng, MARGIN_SLICES, (HEIGHT_MM, width), pixel_mm, centre)
    truths = [knee.landmarks_on(grid) or {} for grid in stack_grids(plan)]
    if not any(truths[1:-1]):
        return
    slab = Slab(knee, scanned(rng, knee, plan, severity), truths)
    found = [
        _margin(rng, slab, index, right)
        for index in range(1, MARGIN_SLICES - 1)
        for right in (False, True)
        if Landmark.OUTER_EDGE in truths[index].get(slab.compartment(right), {})
    ]
    if found:
        yield MarginExample(*_stacked(found))


def _margin(rng: np.random.Generator, slab: Slab, index: int, right: bool) -> tuple[Any, ...]:
    grid, truth = slab.stack.grids[index], slab.truths[index]
    compartment = slab.compartment(right)
    here, there = truth[compartment], truth[compartment.opposite]
    pixels = grid.to_pixel(np.array([here.get(name, (np.nan,) * 3) for name in LANDMARKS]))
    spacing = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
    away = np.array([-MARGIN_INWARD_MM if right else MARGIN_INWARD_MM, 0])
    centre = pixels[:2].mean(axis=0) + (away + rng.normal(0, JITTER_MM, 2)) / spacing
    at = float(centre[0]), float(centre[1])
    frame = ViewFrame(at, MARGIN_PIXEL_MM, MARGIN_STORED, mirrored=not right)
    points = frame.to_frame(pixels, grid)
    outward = points[0] - frame.to_frame(grid.to_pixel(np.array(there[Landmark.RIM])), grid)
    present = np.isfinite(points[:, 0])
    return (
        slab.window(frame, index),
        slab.tissue(frame, index),
        np.nan_to_num(points),
        present,
        outward / np.linalg.norm(outward),
    )


def survey_slab(rng: np.random.Generator) -> Iterator[SurveyExample]:
    """Make a short run of whole slices anywhere in a knee, some turned out of plane."""
    knee = draw_knee(rng)
    depth = rng.uniform(-16, 16) if rng.random() < 0.6 else rng.uniform(-48, 46)
    plane = StackPlane.CORONAL
    if rng.random() < OTHER_PLANE:
        plane = StackPlane.SAGITTAL if rng.random() < 0.5 else StackPlane.AXIAL
    centre = (rng.uniform(-16, 16), depth, rng.uniform(-22, 22))
    size = float(rng.uniform(115, 175)), float(rng.uniform(115, 175))
    plan = _plan(rng, SURVEY_SLICES, size, float(rng.uniform(0.6, 0.95)), centre, plane)
    stack, coronal = scanned(rng, knee, plan), plane is StackPlane.CORONAL
    scale = knee.parameters.tibia.plateau_width_mm / MEAN_PLATEAU_WIDTH_MM
    targets = np.array([knee.mid_coronal.medial_spine_apex, knee.mid_coronal.plateau_midpoint])
    offsets = [(targets - grid.origin) @ grid.normal for grid in stack.grids]
    far = [abs(float(offset[1])) / scale if coronal else np.inf for offset in offsets]
    truths = [
        (knee.landmarks_on(grid) if near < PLACED_MM else None) or {}
        for grid, near in zip(stack.grids, far, strict=True)
    ]
    slab, inner = Slab(knee, stack, truths), range(1, SURVEY_SLICES - 1)
    yield SurveyExample(*_stacked([_survey(slab, i, offsets[i], far[i]) for i in inner]))


def _survey(slab: Slab, index: int, offsets_mm: FloatArray, far_mm: float) -> tuple[Any, ...]:
    grid, truth = slab.stack.grids[index], slab.truths[index]
    frame = ViewFrame(((grid.columns - 1) / 2, (grid.rows - 1) / 2), SURVEY_PIXEL_MM, SURVEY_SIZE)
    sides = [truth.get(slab.compartment(right), {}) for right in (False, True)]
    wanted = [side.get(name, (np.nan,) * 3) for name in LANDMARKS[:2] for side in sides]
    points = frame.to_frame(grid.to_pixel(np.array(wanted)), grid)
    shown = np.array([grid.columns - 1, grid.rows - 1]) * grid.column_spacing_mm / 2 - 2
    reach = np.minimum(shown / SURVEY_PIXEL_MM, SURVEY_SIZE / 2 - 3)
    inside = (np.abs(points - (SURVEY_SIZE - 1) / 2) < reach).all(axis=1)
    whole = np.isfinite(points).all()
    measurable = 1.0 if far_mm < BODY_MM else 0.0 if far_mm > BEYOND_MM else -1.0
    if measurable > 0 and not (whole and inside.all()):
        measurable = -1.0
    return (
        slab.window(frame, index),
        slab.tissue(frame, index),
        np.nan_to_num(points),
        inside & whole,
        np.float32(measurable),
        offsets_mm,
        np.float32(np.isfinite(far_mm)),
    )


def _stacked(rows: Sequence[tuple[Any, ...]]) -> list[torch.Tensor]:
    kinds: dict[str, Any] = {"f": np.float32, "u": np.uint8, "b": np.bool_}
    parts = [np.stack(part) for part in zip(*rows, strict=True)]
    return [torch.from_numpy(part.astype(kinds[part.dtype.kind])) for part in parts]
