"""The coronal stack for the job is chosen, with the reason in words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from meniscal_measure.anatomy import Plane
from meniscal_measure.errors import NothingMeasurableError, UsageError
from meniscal_measure.series.choose import choose_coronal
from meniscal_measure.series.model import Study, Weighting
from meniscal_measure.series.scan import open_study
from tests.series.conftest import BuildMany, Save

Series = dict[str, Any]

KNEE_MM = np.arange(0, 60, 3).tolist()
PD_FS: Series = {}
PD: Series = {"ScanOptions": ""}
T2_FS: Series = {"EchoTime": 80}
T2: Series = {"EchoTime": 80, "ScanOptions": ""}
T1: Series = {"RepetitionTime": 600, "EchoTime": 12, "ScanOptions": ""}
GRE: Series = {"ScanningSequence": "GR", "ScanOptions": ""}
SAGITTAL: Series = {"ImageOrientationPatient": [0, 1, 0, 0, 0, -1]}


@pytest.fixture
def study(tmp_path: Path, mr_stack: BuildMany, save: Save) -> Callable[..., Study]:
    """Write series, each given by its attributes and perhaps its positions, and open them."""

    def build(*series: Series) -> Study:
        for number, attributes in enumerate(series, start=1):
            given = {"SeriesInstanceUID": f"2.25.{number}", "SeriesNumber": number, **attributes}
            positions_mm = given.pop("positions_mm", KNEE_MM)
            save(tmp_path / str(number), mr_stack(positions_mm, **given))
        return open_study(tmp_path)

    return build


@pytest.mark.parametrize(
    ("better", "worse"),
    [
        (PD_FS, PD),
        (T2_FS, PD),
        (PD, T2),
        (PD, T1),
        (T2, T1),
        (T1, GRE),
        (T1, PD_FS | {"ImageType": ["ORIGINAL", "PRIMARY", "LOCALIZER"]}),
        (T1, PD_FS | {"ImageType": ["DERIVED", "SECONDARY", "MIP"]}),
        (PD_FS, PD_FS | {"PixelSpacing": [0.7, 0.7]}),
        (PD_FS, PD_FS | {"positions_mm": [4.5 * index for index in range(14)]}),
        (PD_FS, PD_FS | {"positions_mm": KNEE_MM[:15]}),
    ],
)
@pytest.mark.parametrize("better_first", [True, False])
def test_ranking(
    study: Callable[..., Study], better: Series, worse: Series, better_first: bool
) -> None:
    choice = choose_coronal(study(*((better, worse) if better_first else (worse, better))))

    assert choice.stack.identity.series_number == (1 if better_first else 2)
    assert len(choice.alternatives) == 1


@pytest.mark.parametrize(
    "localizer",
    [
        {"positions_mm": [0, 20, 40]},
        {"positions_mm": [10 * index for index in range(9)]},
        {"PixelSpacing": [1.5, 1.5]},
        {"positions_mm": [0.5 * index for index in range(20)]},
    ],
)
def test_a_localizer_loses_even_with_the_better_contrast(
    study: Callable[..., Study], localizer: Series
) -> None:
    choice = choose_coronal(study(PD_FS | localizer, T1))

    assert choice.stack.contrast.weighting is Weighting.T1


def test_the_reason_is_in_words(study: Callable[..., Study]) -> None:
    reason = choose_coronal(study(T1, PD_FS, SAGITTAL)).reason

    assert reason == (
        "series 2 'COR' (coronal PD fat-suppressed, 20 slices, 3.0 mm apart, pixels 0.50 x"
        " 0.40 mm): SE, TR 3000 ms, TE 35 ms; ScanOptions FS; ranked before series 1 'COR'"
        " (coronal T1, 20 slices, 3.0 mm apart, pixels 0.50 x 0.40 mm)"
    )


def test_a_coarse_stack_is_chosen_for_want_of_a_better_one_and_said_to_be_coarse(
    study: Callable[..., Study],
) -> None:
    reason = choose_coronal(study({"positions_mm": [0, 20]})).reason

    assert "ill suited to the job (only 2 slices, only 20 mm deep, slices 20.0 mm apart)" in reason
    assert "the only coronal stack" in reason


def test_of_two_echoes_alike_the_shorter_is_taken(study: Callable[..., Study]) -> None:
    found = study(T2_FS, PD_FS)
    assert choose_coronal(found).stack is found.stacks[1]


def test_the_user_can_choose_another(study: Callable[..., Study]) -> None:
    found = study(PD_FS, T1)
    wanted = found.stacks[1]

    by_image = choose_coronal(found, sop_instance_uid=wanted.frames[3].sop_instance_uid)
    assert by_image.stack is wanted
    choice = choose_coronal(found, stack_number=2)
    assert choice.stack is wanted
    assert "as asked for" in choice.reason
    assert "on which landmarks are placed" in by_image.reason


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"stack_number": 3}, "There is no series 3; .* has series 1 to 2, .* with --series"),
        ({"stack_number": 0}, "There is no series 0"),
        ({"sop_instance_uid": "2.25.78"}, r"no series with the image 2\.25\.78"),
    ],
)
def test_asking_for_what_is_not_there_is_a_usage_error(
    study: Callable[..., Study], asked: dict[str, Any], message: str
) -> None:
    with pytest.raises(UsageError, match=message):
        choose_coronal(study(PD_FS, T1), **asked)


def test_without_a_coronal_stack_it_says_what_was_found(study: Callable[..., Study]) -> None:
    with pytest.raises(NothingMeasurableError, match=r"No coronal stack.*sagittal PD"):
        choose_coronal(study(SAGITTAL))


def test_a_sagittal_stack_asked_for_by_the_user_is_refused(study: Callable[..., Study]) -> None:
    with pytest.raises(NothingMeasurableError, match="measured on coronal images"):
        choose_coronal(study(PD_FS, SAGITTAL), stack_number=2)


def test_when_nothing_is_usable_the_files_and_reasons_are_named(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    save(tmp_path, mr_stack([0], PixelSpacing=None))
    (tmp_path / "README.md").write_text("hello")

    with pytest.raises(
        NothingMeasurableError, match=r"0000.dcm: PixelSpacing is missing.*README.md: not a DICOM"
    ):
        choose_coronal(open_study(tmp_path))


def test_an_empty_folder_is_said_to_be_empty(tmp_path: Path) -> None:
    with pytest.raises(NothingMeasurableError, match="there is no file in it"):
        choose_coronal(open_study(tmp_path))


def test_the_real_knee_is_measured_on_its_coronal_fat_suppressed_series(real_knee: Path) -> None:
    choice = choose_coronal(open_study(real_knee))

    assert choice.stack.identity.series_description == "COR PD FS"
    assert choice.stack.plane is Plane.CORONAL
    assert choice.stack.contrast.fat_suppressed
    assert [stack.identity.series_description for stack in choice.alternatives] == ["COR T1"]
