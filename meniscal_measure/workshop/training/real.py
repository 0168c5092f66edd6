"""A real series with landmarks placed by hand, in the form that proposals are judged on.

`python -m meniscal_measure.workshop.training.real STUDY LANDMARKS FOLDER` reads the series that the
landmark file names and writes it to FOLDER, which must lie outside the project.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from meniscal_measure.caliper.landmarks import SliceLandmarks
from meniscal_measure.records.landmark_file import landmark_set, read_landmarks
from meniscal_measure.series.choose import choose_coronal
from meniscal_measure.series.pixels import read_pixels
from meniscal_measure.series.scan import open_study
from meniscal_measure.series.side import resolve_side
from meniscal_measure.workshop.training.worlds import Known

WORLD = "real knees"
FULL_SCALE = 60_000
"""Brightest grey value in the file."""


def written(study: Path, landmarks: Path, folder: Path) -> Path:
    """Write a real series with the landmarks of a file."""
    document = read_landmarks(landmarks)
    stack = choose_coronal(open_study(study), sop_instance_uid=document.sop_instance_uid).stack
    placed = landmark_set(document, stack.frames)
    by_index = {item.slice_index: item for item in (placed.measured, *placed.neighbours)}
    side = resolve_side(stack, None).side
    pixels = read_pixels(stack)
    grids = [frame.grid for frame in stack.frames]
    truth = {
        "world": WORLD,
        "landmarks": [_plain(by_index[i]) if i in by_index else {} for i in range(len(grids))],
        "apex": list(grids[placed.measured.slice_index].origin),
        "side": None if side is None else side.value,
        "protocol": landmarks.name.removesuffix(".landmarks.json"),
        "spacing_mm": stack.spacing_mm,
    }
    scaled = pixels * (FULL_SCALE / float(pixels.max()))
    return Known(folder / f"{truth['protocol']}.npz", grids, scaled, truth).write()


def _plain(item: SliceLandmarks) -> dict[str, dict[str, list[float]]]:
    return {
        compartment.value: {name.value: list(mark.point_mm) for name, mark in points.items()}
        for compartment, points in item.points.items()
    }


def main() -> None:
    """Read the command line and write the series."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("study", type=Path)
    parser.add_argument("landmarks", type=Path)
    parser.add_argument("folder", type=Path)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    print(written(options.study, options.landmarks, options.folder))


if __name__ == "__main__":
    main()
