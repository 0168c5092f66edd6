"""The side is coded or stated; free text is only offered, and contradictions are refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence as DicomSequence

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import SideError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.series.model import Stack
from meniscal_measure.series.scan import open_study
from meniscal_measure.series.side import (
    CORRECTED,
    corrected_side,
    hint_findings,
    resolve_side,
    side_in_text,
)
from tests.series.conftest import Build, BuildMany, Save


@pytest.fixture
def stack(tmp_path: Path, mr_stack: BuildMany, save: Save) -> Callable[..., Stack]:
    def build(**attributes: Any) -> Stack:
        save(tmp_path, mr_stack([0, 3], **attributes))
        return open_study(tmp_path).stacks[0]

    return build


@pytest.mark.parametrize("keyword", ["Laterality", "ImageLaterality"])
@pytest.mark.parametrize("side", Side)
def test_a_coded_side_is_used(stack: Callable[..., Stack], keyword: str, side: Side) -> None:
    found = resolve_side(stack(**{keyword: side.value}), None)

    assert found.side is side
    assert found.source.replace(" ", "").startswith(keyword)


def test_frame_laterality_is_used(tmp_path: Path, multiframe: Build, save: Save) -> None:
    save(tmp_path, [multiframe([(0, 35, "1"), (3, 35, "1")], side="L")])

    found = resolve_side(open_study(tmp_path).stacks[0], None)

    assert found.side is Side.LEFT
    assert found.source == "Frame Laterality (0020,9072)"


@pytest.mark.parametrize("code", ["B", "U", ""])
def test_codes_for_both_or_unpaired_leave_the_side_unknown(
    stack: Callable[..., Stack], code: str
) -> None:
    found = resolve_side(stack(ImageLaterality=code), None)

    assert (found.side, found.source) == (None, "unknown")


@pytest.mark.parametrize("code", ["B", "U"])
def test_a_code_for_both_or_unpaired_is_a_finding(stack: Callable[..., Stack], code: str) -> None:
    found = stack(Laterality="R", ImageLaterality=code)

    assert resolve_side(found, None).side is Side.RIGHT
    values = {"attribute": "Image Laterality (0020,0062)", "code": code}
    assert found.findings == (Finding(Code.SIDE_CODE_OF_NO_KNEE, values),)


def test_the_stated_side_is_used_when_none_is_coded(stack: Callable[..., Stack]) -> None:
    found = resolve_side(stack(), Side.LEFT)

    assert (found.side, found.source) == (Side.LEFT, "given by the user")


def test_a_stated_side_that_agrees_changes_nothing(stack: Callable[..., Stack]) -> None:
    found = resolve_side(stack(Laterality="R"), Side.RIGHT)

    assert found.source == "Laterality (0020,0060)"


def test_a_stated_side_against_the_coded_one_is_refused(stack: Callable[..., Stack]) -> None:
    with pytest.raises(SideError, match=r"given as left, but Laterality \(0020,0060\).*right"):
        resolve_side(stack(Laterality="R"), Side.LEFT)


@pytest.mark.parametrize("stated", [None, Side.LEFT, Side.RIGHT])
def test_attributes_that_contradict_each_other_are_refused(
    stack: Callable[..., Stack], stated: Side | None
) -> None:
    with pytest.raises(SideError, match=r"Image Laterality.* says L, Laterality.* says R"):
        resolve_side(stack(Laterality="R", ImageLaterality="L"), stated)


def test_slices_that_contradict_each_other_are_refused(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    save(tmp_path, [*mr_stack([0], Laterality="R"), *mr_stack([3], Laterality="L")])

    with pytest.raises(SideError, match="contradictory"):
        resolve_side(open_study(tmp_path).stacks[0], None)


@pytest.mark.parametrize(
    "keyword", ["BodyPartExamined", "SeriesDescription", "ProtocolName", "StudyDescription"]
)
def test_free_text_is_offered_but_never_used(stack: Callable[..., Stack], keyword: str) -> None:
    found = resolve_side(stack(**{"SeriesDescription": "COR", keyword: "KNEE RIGHT"}), None)

    assert found.side is None
    assert found.hint is Side.RIGHT
    assert found.hint_source == f'{keyword} "KNEE RIGHT"'


def test_the_hint_stays_beside_the_stated_side(stack: Callable[..., Stack]) -> None:
    found = resolve_side(stack(SeriesDescription="COR PD RT KNEE"), Side.LEFT)

    assert (found.side, found.hint) == (Side.LEFT, Side.RIGHT)


def test_free_text_against_the_coded_side_is_a_finding(stack: Callable[..., Stack]) -> None:
    found = stack(Laterality="R", SeriesDescription="COR PD LT KNEE")

    settled = resolve_side(found, None)
    (warning,) = hint_findings(settled)

    assert settled.side is Side.RIGHT
    assert warning.code is Code.SIDE_AGAINST_TEXT
    assert warning.values["text"] == "COR PD LT KNEE"
    assert "COR PD LT KNEE" not in warning.words(identifiers=False)


def test_a_stated_side_against_any_free_text_is_a_finding(stack: Callable[..., Stack]) -> None:
    """Also where the text that is asked first agrees."""
    found = stack(SeriesDescription="COR PD RT KNEE", StudyDescription="LEFT KNEE")

    (warning,) = hint_findings(resolve_side(found, Side.RIGHT))

    assert warning.values == {
        "side": "right",
        "source": "given by the user",
        "attribute": "StudyDescription",
        "text": "LEFT KNEE",
    }


def test_why_a_reader_corrected_the_side_stands_in_no_other_finding(
    stack: Callable[..., Stack],
) -> None:
    found = stack(Laterality="R", SeriesDescription="RT KNEE")
    corrected = corrected_side(found, Side.LEFT, f"{CORRECTED} (as Doe said)")

    (warning,) = hint_findings(corrected)

    assert warning.values["source"] == CORRECTED


def test_free_texts_that_contradict_each_other_offer_no_side(stack: Callable[..., Stack]) -> None:
    found = resolve_side(stack(SeriesDescription="RT KNEE", StudyDescription="LEFT KNEE"), None)

    assert found.hint is None
    assert [warning.code for warning in hint_findings(found)] == [Code.SIDE_HINTED] * 2


@pytest.mark.parametrize(
    ("text", "side"),
    [
        ("MR Knee Right w/o", Side.RIGHT),
        ("LT KNEE", Side.LEFT),
        ("R KNEE", Side.RIGHT),
        ("knee_l_cor", Side.LEFT),
        ("RKNEE", Side.RIGHT),
        ("Knie links", Side.LEFT),
        ("COR PD FS", None),
        ("bilateral", None),
        ("KNEES RIGHT AND LEFT", None),
        ("ALERT", None),
        ("T1 L/R phase", None),
        ("", None),
        ("Knie re", Side.RIGHT),
        ("linkes Kniegelenk", Side.LEFT),
        ("Rechterknie", Side.RIGHT),
        ("RM ginocchio sx", Side.LEFT),
        ("Joelho direito", Side.RIGHT),
        ("knä vänster", Side.LEFT),
        ("knæ højre", Side.RIGHT),
        ("Kolano lewe", Side.LEFT),
        ("koleno pravé", Side.RIGHT),
        ("МРТ левого коленного сустава", Side.LEFT),
        ("ΔΕΞΙΟ ΓΟΝΑΤΟ", Side.RIGHT),
        ("左膝MRI", Side.LEFT),
        ("SAĞ DİZ", Side.RIGHT),
        ("MRKNEELT", Side.LEFT),
        ("RIGHTKNEE", Side.RIGHT),
        ("adult knee", None),
        ("kneeling, post op dx", None),
        ("SAG PD linked, leve", None),
    ],
)
def test_words_for_a_side(text: str, side: Side | None) -> None:
    assert side_in_text(text) is side


def coded(meaning: str) -> DicomSequence:
    item = Dataset()
    item.CodeMeaning = meaning
    return DicomSequence([item])


def nested(sequence: str, keyword: str, value: Any) -> dict[str, DicomSequence]:
    item = Dataset()
    setattr(item, keyword, value)
    return {sequence: DicomSequence([item])}


SAID_ELSEWHERE = {
    "procedure code": {"ProcedureCodeSequence": coded("MRI of left knee")},
    "requested code": {"RequestedProcedureCodeSequence": coded("MRI of left knee")},
    "protocol code": {"PerformedProtocolCodeSequence": coded("LT KNEE")},
    "region": nested("AnatomicRegionSequence", "AnatomicRegionModifierSequence", coded("Left")),
    "request": nested("RequestAttributesSequence", "RequestedProcedureDescription", "Knie links"),
    "step": nested("RequestAttributesSequence", "ScheduledProcedureStepDescription", "knee lt"),
    "performed": {"PerformedProcedureStepDescription": "knee lt"},
    "reason": {"ReasonForTheRequestedProcedure": "pain in the left knee"},
    "image": {"ImageComments": "left"},
    "study": {"StudyComments": "left"},
}


@pytest.mark.parametrize("said", SAID_ELSEWHERE.values(), ids=SAID_ELSEWHERE)
def test_requests_codes_and_comments_hint_at_a_side(
    stack: Callable[..., Stack], said: dict[str, Any]
) -> None:
    (warning,) = hint_findings(resolve_side(stack(**said), Side.RIGHT))

    assert warning.code is Code.SIDE_AGAINST_TEXT


def test_a_text_of_any_image_hints_at_a_side(
    tmp_path: Path, mr_stack: BuildMany, save: Save
) -> None:
    images = mr_stack([0, 3, 6])
    images[2].SeriesDescription = "COR PD LEFT KNEE"
    save(tmp_path, images)

    (warning,) = hint_findings(resolve_side(open_study(tmp_path).stacks[0], Side.RIGHT))

    assert warning.values["text"] == "COR PD LEFT KNEE"


def test_a_multi_frame_object_names_the_side_of_its_region(
    tmp_path: Path, multiframe: Build, save: Save
) -> None:
    found = multiframe([(0, 35, "1"), (3, 35, "1")])
    anatomy = nested("AnatomicRegionSequence", "AnatomicRegionModifierSequence", coded("Left"))
    for group in found.PerFrameFunctionalGroupsSequence:
        ((sequence, region),) = anatomy.items()
        group.FrameAnatomySequence = nested("FrameAnatomySequence", sequence, region)[
            "FrameAnatomySequence"
        ]
    save(tmp_path, [found])

    assert resolve_side(open_study(tmp_path).stacks[0], None).hint is Side.LEFT


@pytest.mark.parametrize("codes", [["L", "R"], ["R", "L"]])
def test_two_codes_in_one_attribute_contradict_each_other(
    stack: Callable[..., Stack], codes: list[str]
) -> None:
    with pytest.raises(SideError, match="contradictory"):
        resolve_side(stack(Laterality=codes), Side.RIGHT)
