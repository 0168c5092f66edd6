"""Weighting and fat suppression come from coded attributes; free text is the last resort.

The classic attributes are those of DICOM PS3.3 C.8.3.1, the enhanced ones of C.8.13.3. The bounds
of TR and TE are common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest
from pydicom.dataset import Dataset

from meniscal_measure.series.attributes import Header
from meniscal_measure.series.contrast import contrast_of
from meniscal_measure.series.model import Contrast, Weighting


def contrast(**attributes: Any) -> Contrast:
    dataset = Dataset()
    for keyword, value in attributes.items():
        setattr(dataset, keyword, value)
    return contrast_of(Header(dataset))


@pytest.mark.parametrize(
    ("repetition_time_ms", "echo_time_ms", "weighting"),
    [
        (3000, 35, Weighting.PROTON_DENSITY),
        (3000, 80, Weighting.T2),
        (600, 12, Weighting.T1),
        (600, 80, Weighting.UNKNOWN),
    ],
)
def test_spin_echo_is_recognised_by_its_times(
    repetition_time_ms: float, echo_time_ms: float, weighting: Weighting
) -> None:
    found = contrast(
        ScanningSequence="SE", RepetitionTime=repetition_time_ms, EchoTime=echo_time_ms
    )

    assert found.weighting is weighting
    assert (found.repetition_time_ms, found.echo_time_ms) == (repetition_time_ms, echo_time_ms)


@pytest.mark.parametrize(
    ("attributes", "weighting"),
    [
        ({"ScanningSequence": "GR", "RepetitionTime": 20, "EchoTime": 7}, Weighting.GRADIENT_ECHO),
        ({"EchoPulseSequence": "GRADIENT"}, Weighting.GRADIENT_ECHO),
        ({"AcquisitionContrast": "PROTON_DENSITY"}, Weighting.PROTON_DENSITY),
        ({"AcquisitionContrast": "T2"}, Weighting.T2),
        ({"AcquisitionContrast": "T2_STAR"}, Weighting.GRADIENT_ECHO),
        ({}, Weighting.UNKNOWN),
    ],
)
def test_coded_weighting(attributes: dict[str, Any], weighting: Weighting) -> None:
    assert contrast(**attributes).weighting is weighting


@pytest.mark.parametrize(
    ("attributes", "evidence"),
    [
        ({"ScanOptions": ["PFP", "FS"]}, "ScanOptions FS"),
        ({"SpectrallySelectedSuppression": "FAT"}, "SpectrallySelectedSuppression FAT"),
        ({"AcquisitionContrast": "STIR"}, "AcquisitionContrast STIR"),
        ({"InversionTime": 160}, "fat nulled by inversion, TI 160 ms"),
        ({"InversionTimes": [220.0]}, "fat nulled by inversion, TI 220 ms"),
        ({"ImageType": ["DERIVED", "PRIMARY", "M", "WATER"]}, "water image"),
    ],
)
def test_coded_fat_suppression(attributes: dict[str, Any], evidence: str) -> None:
    found = contrast(**attributes)

    assert found.fat_suppressed
    assert evidence in found.evidence


@pytest.mark.parametrize(
    "attributes",
    [
        {"ScanOptions": "PFP"},
        {"SpectrallySelectedSuppression": "WATER"},
        {"InversionTime": 2200},
        {"SeriesDescription": "COR PD FLASH"},
    ],
)
def test_bright_fat_is_not_called_suppressed(attributes: dict[str, Any]) -> None:
    assert not contrast(**attributes).fat_suppressed


@pytest.mark.parametrize(
    ("description", "weighting", "suppressed"),
    [
        ("COR PD FS", Weighting.PROTON_DENSITY, True),
        ("pd_tse_fs_cor", Weighting.PROTON_DENSITY, True),
        ("COR PDFS", Weighting.PROTON_DENSITY, True),
        ("Cor T2w SPAIR", Weighting.T2, True),
        ("COR T1", Weighting.T1, False),
        ("COR STIR", Weighting.T2, True),
        ("cor T2* GRE", Weighting.GRADIENT_ECHO, False),
        ("COR KNEE", Weighting.UNKNOWN, False),
    ],
)
def test_free_text_is_used_last_and_said_to_be_free_text(
    description: str, weighting: Weighting, suppressed: bool
) -> None:
    found = contrast(SeriesDescription=description)

    assert (found.weighting, found.fat_suppressed) == (weighting, suppressed)
    assert weighting is Weighting.UNKNOWN or "only from free text" in found.evidence


def test_coded_attributes_win_over_free_text() -> None:
    found = contrast(
        SeriesDescription="COR T1", ScanningSequence="SE", RepetitionTime=3000, EchoTime=30
    )

    assert found.weighting is Weighting.PROTON_DENSITY
    assert found.evidence == "SE, TR 3000 ms, TE 30 ms"
