from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.findings import Code
from meniscal_measure.series.scan import open_study
from tests.series.conftest import BuildMany, Save

SQUARE = {"Rows": 12, "Columns": 12, "PixelData": bytes(288), "PixelSpacing": [0.5, 0.5]}


@pytest.mark.parametrize(
    ("attributes", "code"),
    [
        ({"ReconstructionDiameter": 6}, None),
        ({"ReconstructionDiameter": 6.2}, None),
        ({"ReconstructionDiameter": 6, "PixelSpacing": [0.575, 0.575]}, Code.OTHER_FIELD_OF_VIEW),
        ({"ReconstructionDiameter": 6, "PixelSpacing": [0.5, 0.575]}, Code.OTHER_FIELD_OF_VIEW),
        (
            {"PixelSpacing": [0.5, 0.575], "PercentPhaseFieldOfView": 100},
            Code.OTHER_PHASE_FIELD,
        ),
        ({"PixelSpacing": [0.5, 0.425], "PercentPhaseFieldOfView": 100}, Code.OTHER_PHASE_FIELD),
        ({"PixelSpacing": [0.5, 0.425], "PercentPhaseFieldOfView": 85}, None),
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
