"""How well the same slice is found on a real knee, where the true movement is known.

`python -m tests.benchmarks.follow_up_real SERIES LANDMARKS 12` takes a real coronal series with its
landmarks. SimpleITK resamples copies of it on slices that run otherwise, moved by a known rigid
movement and with noise added; each copy is the follow-up. The bone, the menisci and their extrusion
are the same, so every change that is found is an error.

Landmarks of a copy are those of the series, carried along between its slices in proportion; with
`--propose` the program proposes them instead.
"""

from __future__ import annotations

import json
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import SimpleITK
from pydicom.uid import ExplicitVRLittleEndian, generate_uid
from scipy.spatial.transform import Rotation

from meniscal_measure import workflow
from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.errors import MeniscalMeasureError
from meniscal_measure.knee.examination import KneeExamination
from meniscal_measure.knee.follow_up import compared, registered
from meniscal_measure.knee.quantity import Visit
from meniscal_measure.knee.rigid_move import RigidMove
from meniscal_measure.records.landmark_document import LANDMARK_NAMES
from meniscal_measure.series.choose import choose_coronal
from meniscal_measure.workflow.knee_reading import KneeReading
from tests.knee.imaged_tibia import movement

itk: Any = SimpleITK  # ships without types

NOISE = 0.03
"""Noise that is added, over the brightest half per cent of the series."""


@dataclass(frozen=True)
class Copy:
    """How a copy is made."""

    moved: RigidMove
    turn: Rotation
    shift_mm: float
    seed: int


def drawn(seed: int) -> Copy:
    """Draw a movement of the patient, and slices that run otherwise."""
    rng = np.random.default_rng([40, seed])
    moved = movement(tuple(rng.normal(0, 4.0, 3)), tuple(rng.normal(0, 10.0, 3)))
    turn = Rotation.from_euler("xyz", rng.normal(0, 1.5, 3), degrees=True)
    return Copy(moved, turn, float(rng.uniform(-1.6, 1.6)), seed)


def write_copy(series: Path, folder: Path, how: Copy) -> None:
    """Resample a series by SimpleITK and write it as a later study of the same patient."""
    names = itk.ImageSeriesReader.GetGDCMSeriesFileNames(str(series))
    volume = itk.Cast(itk.ReadImage(names), itk.sitkFloat32)
    direction = np.array(volume.GetDirection()).reshape(3, 3)
    size = np.array(volume.GetSize())
    middle = np.array(volume.TransformContinuousIndexToPhysicalPoint(((size - 1) / 2).tolist()))
    turned = how.moved.rotation @ how.turn.as_matrix() @ direction
    centre = how.moved(middle + how.shift_mm * direction[:, 2])
    grid = itk.Image(volume.GetSize(), itk.sitkFloat32)
    grid.SetSpacing(volume.GetSpacing())
    grid.SetDirection(turned.ravel().tolist())
    grid.SetOrigin((centre - turned @ (np.array(volume.GetSpacing()) * (size - 1) / 2)).tolist())
    back = itk.AffineTransform(3)
    back.SetMatrix(how.moved.inverse.rotation.ravel().tolist())
    back.SetTranslation(how.moved.inverse.shift_mm.tolist())
    pixels = itk.GetArrayFromImage(itk.Resample(volume, grid, back, itk.sitkBSpline, 0.0))
    rng = np.random.default_rng(how.seed)
    pixels = pixels + rng.normal(0, NOISE * np.quantile(pixels, 0.995), pixels.shape)
    study, own, frame = (generate_uid() for _ in range(3))
    folder.mkdir()
    for index, name in enumerate(names):
        dataset = pydicom.dcmread(name)
        dataset.StudyInstanceUID, dataset.SeriesInstanceUID = study, own
        dataset.FrameOfReferenceUID, dataset.SOPInstanceUID = frame, generate_uid()
        dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
        dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        dataset.StudyDate, dataset.InstanceNumber = "20991231", index + 1
        place = grid.TransformIndexToPhysicalPoint((0, 0, index))
        dataset.ImagePositionPatient = [f"{value:.8g}" for value in place]
        dataset.ImageOrientationPatient = [f"{v:.9f}" for v in (*turned[:, 0], *turned[:, 1])]
        most = 2**dataset.BitsStored - 1
        stored = np.clip(np.round(pixels[index]), 0, most)
        dataset.PixelData = stored.astype(f"<u{dataset.BitsAllocated // 8}").tobytes()
        dataset.save_as(folder / f"{index}.dcm")


def carried(baseline: KneeReading, follow_up: Path, how: Copy, file: Path) -> None:
    """Write the landmarks of a copy: those of the baseline, read between its slices."""
    stack = choose_coronal(workflow.read(follow_up)).stack
    reading = baseline.reading
    slices = sorted((reading.measured, *reading.neighbours), key=lambda part: part.slice_index)
    names = {place: name for name, place in LANDMARK_NAMES.items()}
    entries = []
    for frame in stack.frames:
        entry: dict[str, Any] = {"slice": frame.sop_instance_uid}
        for compartment in (Compartment.MEDIAL, Compartment.LATERAL):
            for landmark in (Landmark.RIM, Landmark.OUTER_EDGE, Landmark.FREE_EDGE):
                line = [
                    how.moved(part.compartments[compartment].landmarks[landmark].point_mm)
                    for part in slices
                    if compartment in part.compartments
                    and landmark in part.compartments[compartment].landmarks
                ]
                away = [float(frame.grid.off_plane_mm(point)) for point in line]
                for one, other, a, b in zip(line, line[1:], away, away[1:], strict=False):
                    if a * b <= 0 and a != b:
                        pixel = frame.grid.to_pixel(one + a / (a - b) * (other - one))
                        entry[names[compartment, landmark]] = [float(v) for v in pixel]
        if len(entry) == 7:
            entries.append(entry)
    middle = how.moved(np.mean([
        reading.measured.compartments[c].landmarks[Landmark.RIM].point_mm
        for c in (Compartment.MEDIAL, Compartment.LATERAL)
    ], axis=0))  # fmt: skip
    frames = {frame.sop_instance_uid: frame for frame in stack.frames}
    entries.sort(key=lambda entry: abs(float(frames[entry["slice"]].grid.off_plane_mm(middle))))
    content = {"slice_convention": "chosen_by_reader", "slice_reason": "nearest", "sd_mm": 0.3}
    file.write_text(json.dumps(content | {"slices": entries}))


def main(series: Path, landmarks: Path, count: int, *, propose: bool) -> None:
    """Follow so many copies and print the errors."""
    baseline = workflow.measure(workflow.read(series), landmarks=landmarks)
    first = KneeExamination(baseline.reading, baseline.stack, baseline.pixels.read())
    found: dict[str, list[float]] = {"place": [], "stated": [], "turn": [], "slice": []}
    changes: dict[str, list[float]] = {"medial": [], "lateral": []}
    for seed in range(count):
        how = drawn(seed)
        with tempfile.TemporaryDirectory() as scratch:
            folder, file = Path(scratch) / "later", Path(scratch) / "landmarks.json"
            write_copy(series, folder, how)
            carried(baseline, folder, how, file)
            try:
                knee = workflow.measure(workflow.read(folder), landmarks=None if propose else file)
                second = KneeExamination(knee.reading, knee.stack, knee.pixels.read())
                result = compared(first, second, registered(first, second))
            except MeniscalMeasureError as error:
                print("left out:", error, file=sys.stderr)
                continue
        points, centre = first.tibia().plateau_points(), first.tibia().centre_mm
        wrong = result.registration.move(points) - how.moved(points)
        found["place"].append(float(np.sqrt(np.mean(np.sum(wrong**2, axis=1)))))
        found["stated"].append(result.registration.error_mm)
        found["turn"].append(result.registration.move.against(how.moved).angle_deg)
        grid = second.stack.frames[result.compared[Visit.FOLLOW_UP]].grid
        truly_mm = float(grid.off_plane_mm(how.moved(centre)))
        found["slice"].append(abs(abs(result.offset_mm) - abs(truly_mm)))
        for compartment, one in result.compartments.items():
            changes[compartment.value].append(one.change.value)
    for name, values in (found | changes).items():
        sizes = np.abs(values)
        high = np.percentile(sizes, 95)
        print(f"{name}: mean {sizes.mean():.2f}, 95th {high:.2f}, n {len(sizes)}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), propose="--propose" in sys.argv)
