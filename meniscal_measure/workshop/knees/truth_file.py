"""The truth of a synthetic study as files: exact landmarks and extrusion at every slice."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.caliper.axis import name_of
from meniscal_measure.caliper.landmarks import HAND_PLACEMENT_SD_MM, SliceConvention
from meniscal_measure.caliper.reading import AxisConvention
from meniscal_measure.files import write_text
from meniscal_measure.geometry import PixelGrid, Vector
from meniscal_measure.records.landmark_document import LandmarkDocument, SliceEntry, SliceRef
from meniscal_measure.records.landmark_file import landmark_json
from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity
from meniscal_measure.workshop.knees.exact_landmarks import extrusion_of
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee

SLICE_CONVENTION = SliceConvention.MEDIAL_SPINE_APEX
SLICE_REASON = "slice through the apex of the medial tibial spine, known exactly"
NOTICE = "Synthetic knee: exact values of a geometric model, no measurement of a person."


@dataclass(frozen=True)
class TrueSlice:
    """What is exactly known of one slice.

    `points` and `extrusion_mm` are empty where the slice cuts no meniscal body.
    """

    index: int
    sop_instance_uid: str
    grid: PixelGrid
    points: Mapping[Compartment, Mapping[Landmark, Vector]]
    extrusion_mm: Mapping[Compartment, float]

    @property
    def measurable(self) -> bool:
        """Whether the bodies of both menisci are cut.

        Examples
        --------
        >>> grid = PixelGrid((0, 0, 0), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 64, 64)
        >>> TrueSlice(0, "1.2.3", grid, {}, {}).measurable
        False
        """
        return len(self.extrusion_mm) == len(self.points) > 0

    @property
    def shown(self) -> bool:
        """Whether it is measurable and every landmark lies on the image."""
        points = [point for found in self.points.values() for point in found.values()]
        return self.measurable and all(self.grid.contains(_pixel(self.grid, p)) for p in points)


@dataclass(frozen=True)
class SeriesTruth:
    """The slices of one series in geometric order."""

    identity: SeriesIdentity
    measured_slice: int | None
    slices: tuple[TrueSlice, ...]


@dataclass(frozen=True)
class StudyTruth:
    """Everything exactly known of one synthetic study."""

    name: str
    seed: int
    side: Side
    series: tuple[SeriesTruth, ...]

    @property
    def coronal(self) -> SeriesTruth | None:
        """The first coronal series, which the landmark file belongs to."""
        return next((item for item in self.series if item.measured_slice is not None), None)

    @property
    def measured(self) -> TrueSlice | None:
        """The slice on which extrusion is measured."""
        coronal = self.coronal
        if coronal is None or coronal.measured_slice is None:
            return None
        return coronal.slices[coronal.measured_slice]


def series_truth(
    knee: SyntheticKnee,
    grids: Sequence[PixelGrid],
    identity: SeriesIdentity,
    *,
    measured_slice: int | None,
    one_object: bool,
) -> SeriesTruth:
    """Work out the landmarks and extrusion of every slice; only a coronal series has any.

    `one_object` says that all slices are frames of one SOP instance.
    """
    slices = []
    for index, grid in enumerate(grids):
        points = (knee.landmarks_on(grid) or {}) if measured_slice is not None else {}
        uid = identity.instance_uid(0 if one_object else index)
        slices.append(TrueSlice(index, uid, grid, points, extrusion_of(points)))
    return SeriesTruth(identity, measured_slice, tuple(slices))


def write_truth(truth: StudyTruth, path: Path) -> None:
    """Write everything known of a study as JSON."""
    write_text(path, json.dumps(truth_document(truth), indent=1) + "\n")


def write_landmarks(
    truth: StudyTruth,
    path: Path,
    moved: Mapping[tuple[int, Compartment, Landmark], Vector] | None = None,
    *,
    sd_mm: float = HAND_PLACEMENT_SD_MM,
) -> None:
    """Write `landmark_document` to a file, unless it is None."""
    document = landmark_document(truth, moved, sd_mm=sd_mm)
    if document is not None:
        write_text(path, landmark_json(document))


def truth_document(truth: StudyTruth) -> dict[str, Any]:
    """Everything known of a study, ready for JSON."""
    return {
        "notice": NOTICE,
        "name": truth.name,
        "seed": truth.seed,
        "side": truth.side.word,
        "conventions": {
            "axis": AxisConvention.RIM_TO_RIM,
            "slice": SLICE_CONVENTION,
            "patient_mm": "LPS",
            "pixel": "[column, row], pixel centres at whole numbers",
        },
        "series": [_series_document(series) for series in truth.series],
    }


def _series_document(series: SeriesTruth) -> dict[str, Any]:
    return {
        "study_instance_uid": series.identity.study.study_instance_uid,
        "series_instance_uid": series.identity.series_instance_uid,
        "description": series.identity.description,
        "measured_slice": series.measured_slice,
        "slices": [_slice_document(item) for item in series.slices],
    }


def _slice_document(item: TrueSlice) -> dict[str, Any]:
    document: dict[str, Any] = {
        "index": item.index,
        "sop_instance_uid": item.sop_instance_uid,
        "position_mm": list(item.grid.position_mm),
    }
    for compartment, points in item.points.items():
        document[compartment.value] = {
            "extrusion_mm": item.extrusion_mm.get(compartment),
            "landmarks": {
                name.value: {"patient_mm": list(point), "pixel": _pixel(item.grid, point)}
                for name, point in points.items()
            },
        }
    return document


def landmark_document(
    truth: StudyTruth,
    moved: Mapping[tuple[int, Compartment, Landmark], Vector] | None = None,
    *,
    sd_mm: float = HAND_PLACEMENT_SD_MM,
) -> LandmarkDocument | None:
    """Landmarks of the coronal series in the form of a landmark file.

    Only of slices that show all landmarks, the measured one first; None if that one does not.
    `moved` are points that stand in place of exact ones, by slice index, compartment and landmark;
    `sd_mm` is the standard deviation of their placement.
    """
    coronal, measured = truth.coronal, truth.measured
    if coronal is None or measured is None or not measured.shown:
        return None
    others = [item for item in coronal.slices if item.shown and item is not measured]
    entries = [
        SliceEntry(
            SliceRef(item.index, item.sop_instance_uid),
            {
                name_of(compartment, name): (
                    _pixel(item.grid, (moved or {}).get((item.index, compartment, name), point)),
                    sd_mm,
                )
                for compartment, points in item.points.items()
                for name, point in points.items()
            },
        )
        for item in (measured, *others)
    ]
    return LandmarkDocument(tuple(entries), SLICE_CONVENTION, SLICE_REASON)


def _pixel(grid: PixelGrid, point: Vector) -> tuple[float, ...]:
    return tuple(float(value) for value in grid.to_pixel(point))
