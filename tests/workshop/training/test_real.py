"""A series from files keeps its planes and the landmarks of a landmark file."""

import json
from pathlib import Path

import numpy as np
import pytest

from meniscal_measure.workshop.training.real import written
from meniscal_measure.workshop.training.worlds import Known

SAMPLE = Path(__file__).parents[3] / "sample_phantoms" / "normal"


def test_landmarks_of_the_file_stand_on_its_slices(tmp_path: Path) -> None:
    document = json.loads((SAMPLE / "landmarks.json").read_text())
    known = Known.read(written(SAMPLE, SAMPLE / "landmarks.json", tmp_path))
    for item in document["slices"]:
        name = item["slice"]
        index = name if isinstance(name, int) else name["index"]
        marks = known.truth["landmarks"][index]
        pixel = known.grids[index].to_pixel(np.array(marks["medial"]["rim"]))
        if len(item["medial_rim"]) == 2:
            assert pixel == pytest.approx(item["medial_rim"], abs=1e-6)
        else:
            assert marks["medial"]["rim"] == pytest.approx(item["medial_rim"])
    assert known.world == "real knees"
    assert known.pixels.max() > 0
