"""Both examinations of a synthetic knee, with the landmarks where the knee has them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from meniscal_measure.anatomy import Compartment, Plane
from meniscal_measure.caliper.landmarks import (
    LandmarkSet,
    PlacedLandmark,
    SliceConvention,
    SliceLandmarks,
)
from meniscal_measure.geometry import as_vector
from meniscal_measure.knee.examination import KneeExamination
from meniscal_measure.knee.rigid_move import RigidMove
from meniscal_measure.sentences import plain
from meniscal_measure.series.model import (
    Choice,
    Contrast,
    FileRef,
    Frame,
    Identity,
    Laterality,
    Stack,
    Weighting,
)
from meniscal_measure.workflow import measure_placed
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from tests.knee.imaged_tibia import Imaging, grids_of, imaged

IDENTITY = Identity(
    patient_id="K-17",
    patient_name="",
    study_date="20260110",
    study_instance_uid="2.25.1",
    series_instance_uid="2.25.11",
    series_number=1,
    series_description="cor",
    frame_of_reference_uid="2.25.111",
)


def examined(
    knee: SyntheticKnee,
    how: Imaging,
    moved: RigidMove | None = None,
    *,
    measured: int | None = None,
    reach: int = 2,
    **identity: Any,
) -> KneeExamination:
    """Image a knee and measure it on one slice and those beside it."""
    images, still = imaged(knee, how, moved), grids_of(how)
    stack = Stack(
        identity=replace(IDENTITY, **identity),
        plane=Plane.CORONAL,
        contrast=Contrast(Weighting.PROTON_DENSITY, fat_suppressed=not how.mirrored, evidence="TE"),
        laterality=Laterality(knee.parameters.side, "Laterality"),
        frames=tuple(
            Frame(FileRef(Path("image")), None, f"2.25.9{index}", grid, how.spacing_mm)
            for index, grid in enumerate(images.grids)
        ),
        positions_mm=tuple(float(grid.origin @ images.grids[0].normal) for grid in images.grids),
        findings=(),
    )
    middle = how.slices // 2 if measured is None else measured
    near = [i for i in range(middle - reach, middle + reach + 1) if 0 <= i < how.slices]
    slices = {}
    for index in near:
        truth = knee.landmarks_on(still[index])
        if truth is None:
            continue
        slices[index] = SliceLandmarks(
            index,
            {
                name: {
                    landmark: PlacedLandmark(
                        as_vector(point if moved is None else moved(point)), 0.2
                    )
                    for landmark, point in points.items()
                }
                for name, points in truth.items()
                if name in (Compartment.MEDIAL, Compartment.LATERAL)
            },
        )
    landmarks = LandmarkSet(
        slices.pop(middle), tuple(slices.values()), SliceConvention.CHOSEN_BY_READER, "as asked for"
    )
    choice = Choice(stack, plain("the only one"), ())
    reading = measure_placed(choice, stack.laterality, landmarks)
    return KneeExamination(reading, stack, np.asarray(images.pixels))
