from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence as DicomSequence

from meniscal_measure.findings import Code
from meniscal_measure.series.scan import open_study
from tests.series.conftest import Build, BuildMany, Save

SQUARE = {"Rows": 12, "Columns": 12, "PixelData": bytes(288), "PixelSpacing": [0.5, 0.5]}
DOWN = {"InPlanePhaseEncodingDirection": "COL"}


@pytest.mark.parametrize(
    ("attributes", "code"),
    [
        ({"ReconstructionDiameter": 6}, None),
        ({"ReconstructionDiameter": 6.2}, None),
        ({"ReconstructionDiameter": 6, "PixelSpacing": [0.575, 0.575]}, Code.OTHER_FIELD_OF_VIEW),
        ({"ReconstructionDiameter": 6, "PixelSpacing": [0.54, 0.54]}, Code.OTHER_FIELD_OF_VIEW),
        ({"ReconstructionDiameter": 6, "PixelSpacing": [0.46, 0.46]}, Code.OTHER_FIELD_OF_VIEW),
        ({"ReconstructionDiameter": 6, "PixelSpacing": [0.5, 0.575]}, Code.OTHER_FIELD_OF_VIEW),
        (
            {"PixelSpacing": [0.5, 0.575], "PercentPhaseFieldOfView": 100},
            Code.OTHER_PHASE_FIELD,
        ),
        ({"PixelSpacing": [0.5, 0.425], "PercentPhaseFieldOfView": 100}, Code.OTHER_PHASE_FIELD),
        ({"PixelSpacing": [0.5, 0.425], "PercentPhaseFieldOfView": 85}, None),
        ({**DOWN, "PixelSpacing": [0.425, 0.5], "PercentPhaseFieldOfView": 85}, None),
        (
            {**DOWN, "PixelSpacing": [0.5, 0.425], "PercentPhaseFieldOfView": 85},
            Code.OTHER_PHASE_FIELD,
        ),
        ({"PercentPhaseFieldOfView": 85}, None),  # padded to a square
        ({"ReconstructionDiameter": 0, "PercentPhaseFieldOfView": 0}, None),
        ({}, None),
    ],
)
def test_a_spacing_that_contradicts_the_field_of_view_is_a_finding(
    tmp_path: Path, mr_stack: BuildMany, save: Save, attributes: dict[str, Any], code: Code | None
) -> None:
    along = {"InPlanePhaseEncodingDirection": "ROW"}
    save(tmp_path, mr_stack([0, 3], **{**SQUARE, **along, **attributes}))

    (stack,) = open_study(tmp_path).stacks

    assert [found.code for found in stack.findings] == ([] if code is None else [code])


@pytest.mark.parametrize(("percent", "direction"), [(150, "COLUMN"), (66.7, "ROW"), (100, "ROW")])
def test_a_multi_frame_object_states_its_field_of_view_in_a_macro(
    tmp_path: Path, multiframe: Build, save: Save, percent: float, direction: str
) -> None:
    """DICOM PS3.3 C.8.13.5.3; the image is 4 mm wide and 6 mm high."""
    said = Dataset()
    said.PercentPhaseFieldOfView, said.InPlanePhaseEncodingDirection = percent, direction
    dataset = multiframe([(0, 35, "1"), (3, 35, "1")])
    dataset.SharedFunctionalGroupsSequence[0].MRFOVGeometrySequence = DicomSequence([said])
    save(tmp_path, [dataset])

    (stack,) = open_study(tmp_path).stacks

    expected = [Code.OTHER_PHASE_FIELD] if percent == 100 else []
    assert [found.code for found in stack.findings] == expected
