"""Landmark files: what they may say, and what is refused with file, key and remedy."""

from __future__ import annotations

import json
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.landmarks import (
    HAND_PLACEMENT_SD_MM,
    ImagePlane,
    LandmarkSet,
    SliceConvention,
)
from meniscal_measure.caliper.reading import AxisConvention, Signature
from meniscal_measure.errors import LandmarkError, UsageError
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.records import landmark_file
from meniscal_measure.records.landmark_document import LandmarkDocument
from meniscal_measure.records.landmark_file import (
    landmark_json,
    landmark_set,
    read_landmarks,
    signed,
)
from meniscal_measure.records.landmark_text import parse_landmark_text

RIM = (Compartment.MEDIAL, Landmark.RIM)
SIGNED = {
    "reader": "A",
    "at": "2026-03-01",
    "axis": "rim_to_rim",
    "quality": [],
    "remark": "",
    "seal": "0",
}
POINTS = {"medial_rim": [290, 200], "medial_outer_edge": [295.5, 190], "lateral_rim": [110, 200]}


@pytest.fixture(scope="session")
def frames(
    coronal_grid: Callable[..., PixelGrid], plane: Callable[[PixelGrid, str], ImagePlane]
) -> list[ImagePlane]:
    """Six slices; the last two are frames of one multi-frame image."""
    uids = ["1.2.0", "1.2.1", "1.2.2", "1.2.3", "1.2.9", "1.2.9"]
    return [plane(coronal_grid(depth_mm=3.0 * i), uid) for i, uid in enumerate(uids)]


@pytest.fixture
def read(tmp_path: Path, frames: list[ImagePlane]) -> Callable[[Any], LandmarkSet]:
    """Write content, as JSON unless it is text already, and read it back."""

    def run(content: Any) -> LandmarkSet:
        path = tmp_path / "knee.landmarks"
        path.write_text(content if isinstance(content, str) else json.dumps(content))
        return landmark_set(read_landmarks(path), frames)

    return run


Read = Callable[[Any], LandmarkSet]


def rim_mm(landmarks: LandmarkSet) -> tuple[float, float, float]:
    return landmarks.measured.points[RIM[0]][RIM[1]].point_mm


# What a file may say


def test_pixels_are_column_and_row_of_pixel_centres(read: Read, frames: list[ImagePlane]) -> None:
    landmarks = read({"slice": 2, **POINTS})
    assert rim_mm(landmarks) == pytest.approx(tuple(frames[2].grid.to_patient([290, 200])))
    assert rim_mm(landmarks) == pytest.approx((-80 + 0.4 * 290, 6.0, 80 - 0.4 * 200))


def test_three_numbers_are_patient_mm(read: Read) -> None:
    assert rim_mm(read({"slice": 2, **POINTS, "medial_rim": [36.0, 6.1, 0.0]})) == (36.0, 6.1, 0.0)


@pytest.mark.parametrize(
    "name",
    [
        {"slice": 3},
        {"slice": "3"},
        {"slice": "1.2.3"},
        {"slice": {"index": 3}},
        {"slice": {"sop_instance_uid": "1.2.3"}},
        {"slice_index": 3},
        {"sop_instance_uid": "1.2.3"},
        {"slice_index": 3, "sop_instance_uid": "1.2.3"},
    ],
)
def test_slice_is_named_by_index_or_by_uid(read: Read, name: dict[str, Any]) -> None:
    assert read({**name, **POINTS}).measured.slice_index == 3


def test_frame_of_a_multi_frame_image_is_named_by_index(read: Read) -> None:
    named = {"slice_index": 5, "sop_instance_uid": "1.2.9"}
    assert read({**named, **POINTS}).measured.slice_index == 5


def test_first_slice_is_measured_and_the_others_are_neighbours(read: Read) -> None:
    landmarks = read(
        {
            "slice_convention": "medial_spine_apex",
            "slice_reason": "the spine is highest here",
            "sd_mm": 0.3,
            "slices": [{"slice": 2, **POINTS}, {"slice": 1, **POINTS, "sd_mm": 0.5}],
        }
    )
    assert landmarks.measured.slice_index == 2
    assert [item.slice_index for item in landmarks.neighbours] == [1]
    assert landmarks.slice_convention is SliceConvention.MEDIAL_SPINE_APEX
    assert landmarks.slice_reason == "the spine is highest here"
    assert landmarks.measured.points[RIM[0]][RIM[1]].sd_mm == 0.3
    assert landmarks.neighbours[0].points[RIM[0]][RIM[1]].sd_mm == 0.5


def test_what_is_left_out_gets_named_defaults(read: Read) -> None:
    landmarks = read({"slice": 2, **POINTS})
    assert landmarks.slice_convention is SliceConvention.CHOSEN_BY_READER
    assert landmarks.measured.points[RIM[0]][RIM[1]].sd_mm == HAND_PLACEMENT_SD_MM


def test_csv_in_pixels(read: Read) -> None:
    landmarks = read(
        "slice,landmark,column,row,sd_mm\n"
        "1.2.3,medial_rim,290,200,0.1\n"
        "1.2.3,medial_outer_edge,295.5,190,\n"
        "2,medial_rim,291,200,0.1\n"
    )
    assert landmarks.measured.slice_index == 3
    assert rim_mm(landmarks) == pytest.approx((36.0, 9.0, 0.0))
    assert landmarks.measured.points[RIM[0]][Landmark.OUTER_EDGE].sd_mm == HAND_PLACEMENT_SD_MM
    assert landmarks.neighbours[0].slice_index == 2


def test_csv_in_patient_mm(read: Read) -> None:
    landmarks = read("slice,landmark,x_mm,y_mm,z_mm\n3,medial_rim,36,9,0\n")
    assert rim_mm(landmarks) == (36.0, 9.0, 0.0)


def test_only_the_named_images_can_be_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "knee.json"
    path.write_text(json.dumps({"slices": [{"slice": "1.2.3", **POINTS}, {"slice": 4, **POINTS}]}))
    assert read_landmarks(path).sop_instance_uid == "1.2.3"


COORDINATE = st.floats(0, 390).map(lambda x: round(x, 3))


@given(
    pixels=st.dictionaries(
        st.sampled_from([f"{c}_{m}" for c in ("medial", "lateral") for m in Landmark]),
        st.tuples(COORDINATE, COORDINATE),
        min_size=1,
    ),
    index=st.integers(0, 3),
    sd_mm=st.floats(0.02, 1),
)
def test_written_landmarks_are_read_back_unchanged(
    tmp_path_factory: pytest.TempPathFactory,
    frames: list[ImagePlane],
    pixels: dict[str, tuple[float, float]],
    index: int,
    sd_mm: float,
) -> None:
    path = tmp_path_factory.mktemp("round") / "knee.json"
    text = json.dumps({"slice": index, "sd_mm": sd_mm, **pixels})
    path.write_text(text)
    landmarks = landmark_set(read_landmarks(path), frames)
    path.write_text(landmark_json(parse_landmark_text(text)))
    assert landmark_set(read_landmarks(path), frames) == landmarks


def test_written_landmarks_name_the_image_too() -> None:
    named = {"index": 3, "sop_instance_uid": "1.2.3"}
    written = landmark_json(parse_landmark_text(json.dumps({"slice": named, **POINTS})))
    assert [item["slice"] for item in json.loads(written)["slices"]] == [named]


def test_each_landmark_of_a_slice_keeps_its_own_standard_deviation() -> None:
    text = "slice,landmark,column,row,sd_mm\n3,medial_rim,290,200,0.1\n3,lateral_rim,1,2,0.4\n"
    document = parse_landmark_text(text)
    (kept,) = parse_landmark_text(landmark_json(document)).entries
    assert kept == document.entries[0]


def test_a_landmark_without_a_standard_deviation_of_its_own_takes_that_of_the_file() -> None:
    (rim, edge) = list(POINTS)[:2]
    entry = {"slice": 2, rim: POINTS[rim], edge: POINTS[edge], "sd_mm": {rim: 0.1}}
    (found,) = parse_landmark_text(json.dumps({"sd_mm": 0.4, "slices": [entry]})).entries
    assert [found.points[name][1] for name in (rim, edge)] == [0.1, 0.4]


# Signed landmarks


@pytest.fixture
def signed_document() -> LandmarkDocument:
    document = parse_landmark_text(json.dumps({"slice": 2, "sd_mm": 0.3, **POINTS}))
    at = "2026-03-01T08:30:00.000+00:00"
    axis = AxisConvention.RIM_TO_RIM
    by = Signature("Reader A", at, axis, ("motion", "metal"), "screw near the rim")
    return signed(document, by)


def test_a_signature_is_read_back_with_who_and_when(
    tmp_path: Path, frames: list[ImagePlane], signed_document: LandmarkDocument
) -> None:
    path = tmp_path / "knee.json"
    path.write_text(landmark_json(signed_document))
    assert read_landmarks(path).signature == signed_document.signature
    assert signed_document.signature is not None
    assert signed_document.signature.reader == "Reader A"
    assert signed_document.signature.signed_at == "2026-03-01T08:30:00.000+00:00"
    assert landmark_set(read_landmarks(path), frames).measured.slice_index == 2


def test_landmarks_that_nobody_signed_have_no_signature(tmp_path: Path) -> None:
    path = tmp_path / "knee.json"
    path.write_text(json.dumps({"slice": 2, **POINTS}))
    assert read_landmarks(path).signature is None


@pytest.mark.parametrize(
    ("signed_text", "changed_text"),
    [
        ("290.0", "291.0"),
        ("Reader A", "Reader B"),
        ("08:30", "09:30"),
        ("0.3", "0.1"),
        ("motion", "noise"),
        ("rim_to_rim", "image_vertical"),
        ("screw", "nothing"),
    ],
)
def test_landmarks_changed_after_signing_are_refused(
    tmp_path: Path, signed_document: LandmarkDocument, signed_text: str, changed_text: str
) -> None:
    path = tmp_path / "knee.json"
    text = landmark_json(signed_document)
    assert signed_text in text
    path.write_text(text.replace(signed_text, changed_text))
    with pytest.raises(
        LandmarkError, match=r"knee\.json: the file was changed after Reader . signed it"
    ):
        read_landmarks(path)


# What is refused


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"medial_edge": [1, 2]}, "medial_edge is not known here; known are"),
        ({"medial_rim": [1]}, r"medial_rim is \[1\]; it must be \[column, row\]"),
        ({"medial_rim": [1, 2, 3, 4]}, "medial_rim is"),
        ({"medial_rim": "1,2"}, "medial_rim is"),
        ({"medial_rim": [float("nan"), 2]}, "finite numbers"),
        ({"medial_rim": [float("inf"), 2]}, "finite numbers"),
        ({"medial_rim": [10**400, 2]}, "finite numbers"),
        ({"medial_rim": [True, 2]}, "finite numbers"),
        ({"medial_rim": [400, 200]}, "medial_rim lies at column 400.0, row 200.0, outside the im"),
        ({"medial_rim": [-0.6, 200]}, "outside the image of 400 columns and 400 rows"),
        ({"medial_rim": [36.0, 9.0, 0.0]}, "medial_rim lies 3.00 mm off the plane of its slice"),
        ({"sd_mm": 11}, "sd_mm is 11; it must be a number of mm, 0.02 to 10"),
        ({"signed": "by me"}, "signed must be an object of reader, at, axis, quality, remark"),
        ({"signed": SIGNED | {"reader": ""}}, "signed must say who signed and when"),
        (
            {"signed": SIGNED | {"axis": "tilted"}},
            "signed must name the axis: one of rim_to_rim, im",
        ),
        ({"signed": SIGNED | {"remark": 7}}, "signed must hold texts, quality a list of them"),
        ({"signed": SIGNED | {"quality": "bad"}}, "signed must hold texts, quality a list"),
        ({"slice_reason": None}, "slice_reason is null; it must be a sentence"),
        ({"slice_reason": "x" * 2001}, "slice_reason must be at most 2000 characters"),
        ({"slice_reason": "\ud800"}, "slice_reason must be .* none of them damaged"),
        ({"sd_mm": -0.1}, "sd_mm is -0.1; it must be a number of mm, 0.02 to 10"),
        (
            {"sd_mm": 0},
            "sd_mm is 0; it must be a number of mm, 0.02 to 10: the pixels allow no better",
        ),
        ({"sd_mm": "small"}, 'sd_mm is "small"'),
        ({"slice": 6}, "slice 6 is not in the series of 6 slices"),
        ({"slice": -1}, "slice -1 is not in the series"),
        ({"slice": 2.5}, "slice must be the index"),
        ({"slice": None}, "slice must be the index"),
        ({"slice": "9.9"}, "slice 9.9 is not in the series"),
        ({"slice": "1.2.9"}, "multi-frame image with 2 slices. Give the index"),
        ({"slice": {"index": 2, "sop_instance_uid": "1.2.3"}}, "is not in the series"),
        ({"slice": {"number": 2}}, "number is not known here"),
        ({"slice_convention": "the_nicest"}, "must be one of medial_spine_apex"),
    ],
)
def test_wrong_content_is_refused_with_key_and_remedy(
    read: Read, changes: dict[str, Any], message: str
) -> None:
    with pytest.raises(LandmarkError, match=message):
        read({"slice": 2, **POINTS, **changes})


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('{"slice": 2, "medial_rim": [1, 2], "medial_rim": [1, 3]}', "medial_rim is given twice"),
        ('{"slice": 2, "medial_rim": [1, 2]', "not valid JSON"),
        ('{"slice": ' + "9" * 5000 + "}", "not valid JSON"),
        ('{"slices": []}', "slices must be a list of at least one slice"),
        ('{"slices": [3]}', "one object for each slice"),
        ('{"slices": [{"slice": 2}], "medial_rim": [1, 2]}', "medial_rim is not known here"),
        ("", "the file is empty"),
        ("\r\n ", "the file is empty"),
        ("[1, 2]", "the file must be one JSON object"),
        ("slice,landmark,column\n1,medial_rim,2\n", "the first line must name the columns"),
        ("slice,landmark,column,row\n", "holds no landmark"),
        ("slice,landmark,column,row\n1,medial_rim,2\n", "line 2 does not have as many values"),
        ("slice,landmark,column,row\n1,medial_rim,2,3,4\n", "line 2 does not have as many values"),
        ("slice,landmark,column,row\n1,medial_rim,2,x\n", "medial_rim is 'x'; it must be a number"),
        ("slice,landmark,column,row\n1,medial_rim,2,nan\n", "finite numbers"),
        ("slice,landmark,column,row\n1,rim,2,3\n", "rim is not known here; known are medial_rim"),
        ("slice,landmark,column,row\n1,medial_rim,2,3\n1,medial_rim,2,4\n", "given twice on slice"),
        ('slice,landmark,column,row\n1,medial_rim,2,"3\n', "is not valid CSV"),
    ],
)
def test_wrong_text_is_refused(read: Read, text: str, message: str) -> None:
    with pytest.raises(LandmarkError, match=f"(?i){message}"):
        read(text)


@pytest.mark.parametrize("sd_mm", [0, 1e-6, 11])
@pytest.mark.parametrize("stated", ["of a slice", "of a landmark", "in a table"])
def test_no_landmark_is_placed_better_than_the_pixels_allow(stated: str, sd_mm: float) -> None:
    content = {
        "of a slice": json.dumps({"slices": [{"slice": 2, **POINTS, "sd_mm": sd_mm}]}),
        "of a landmark": json.dumps(
            {"slices": [{"slice": 2, **POINTS, "sd_mm": {"medial_rim": sd_mm}}]}
        ),
        "in a table": f"slice,landmark,column,row,sd_mm\n2,medial_rim,290,200,{sd_mm}\n",
    }
    with pytest.raises(LandmarkError, match=r"it must be a number of mm, 0\.02 to 10"):
        parse_landmark_text(content[stated])


def test_message_names_the_file(read: Read) -> None:
    with pytest.raises(LandmarkError, match=r"knee\.landmarks: medial_corner is not known here"):
        read({"slice": 2, **POINTS, "medial_corner": [900, 1]})


def test_missing_or_binary_file_is_refused(tmp_path: Path) -> None:
    for name in ("absent.json", "a\0b"):
        with pytest.raises(UsageError, match=r"cannot be read: .* Name a JSON or CSV text file"):
            read_landmarks(tmp_path / name)
    binary = tmp_path / "image.dcm"
    binary.write_bytes(b"\xff\xfe\x00\x80" * 8)
    with pytest.raises(LandmarkError, match="Name a JSON or CSV text file"):
        read_landmarks(binary)


def test_a_file_too_large_for_one_knee_is_not_even_parsed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "knee.csv"
    line = "0,medial_rim,290.25,200.25\n"
    path.write_text("slice,landmark,column,row\n" + line * 1_000_000)
    monkeypatch.setattr(landmark_file, "parse_landmark_text", lambda _: pytest.fail("parsed"))
    with pytest.raises(LandmarkError, match=r"knee\.csv: the file is larger than 4 MB"):
        read_landmarks(path)


def test_no_more_of_a_file_is_read_than_a_landmark_file_holds(tmp_path: Path) -> None:
    path = tmp_path / "knee.csv"
    with path.open("wb") as stream:
        stream.truncate(2**26)
    tracemalloc.start()
    with pytest.raises(LandmarkError, match="is larger than 4 MB"):
        read_landmarks(path)
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak_bytes < 2**24


def named(reference: object) -> LandmarkDocument:
    return parse_landmark_text(json.dumps({"slice": reference, **POINTS}))


def test_where_files_are_missing_only_the_uid_names_a_slice(frames: list[ImagePlane]) -> None:
    """Slice 1 of six is gone, so that what was slice 2 is slice 1 now."""
    left = [frames[0], *frames[2:]]
    by_index: tuple[object, ...] = (2, {"index": 4, "sop_instance_uid": "1.2.9"})
    for reference in by_index:
        with pytest.raises(LandmarkError, match="is named by its index, but files of the series"):
            landmark_set(named(reference), left, index_counts=False)
    by_uid: tuple[object, ...] = ("1.2.2", {"index": 2, "sop_instance_uid": "1.2.2"})
    for reference in by_uid:
        found = landmark_set(named(reference), left, index_counts=False)
        assert found.measured.slice_index == 1


def test_an_index_that_contradicts_the_uid_is_refused_in_a_whole_series(
    frames: list[ImagePlane],
) -> None:
    with pytest.raises(LandmarkError, match="slice 1 is not in the series"):
        landmark_set(named({"index": 1, "sop_instance_uid": "1.2.2"}), frames)


@given(text=st.text(max_size=60))
def test_any_text_is_read_or_refused_but_never_crashes(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    path = tmp_path_factory.mktemp("text") / "knee.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LandmarkError, match=r"knee\.json"):
        read_landmarks(path)


CSV = """slice,landmark,column,row
2,medial_rim,290,200
2,medial_outer_edge,295.5,190
2,lateral_rim,110,200
"""


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(CSV.replace(",", ";"), id="semicolons"),
        pytest.param(CSV.replace(",", "\t"), id="tabs"),
        pytest.param(CSV.replace("\n", "\r\n"), id="DOS line ends"),
        pytest.param("\ufeff" + CSV, id="byte order mark"),
        pytest.param(CSV + ",,,\n , , , \n", id="empty cells below"),
    ],
)
def test_a_table_may_come_from_any_spreadsheet(read: Read, text: str) -> None:
    assert rim_mm(read(text)) == rim_mm(read(CSV))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (CSV.replace(",", ";").replace("295.5", "295,5"), "must be a number with a decimal point"),
        (CSV.replace("295.5", "2_95.5"), "must be a number with a decimal point"),
        (CSV.replace("2,m", "-1,m"), "slice -1 is not in the series of 6 slices"),
    ],
)
def test_a_table_with_a_value_that_is_none_is_refused(read: Read, text: str, message: str) -> None:
    with pytest.raises(LandmarkError, match=message):
        read(text)


def test_a_file_in_another_encoding_is_refused_in_plain_words(
    tmp_path: Path, frames: list[ImagePlane]
) -> None:
    path = tmp_path / "knee.csv"
    path.write_text(CSV, encoding="utf-16")
    with pytest.raises(LandmarkError, match=r"knee\.csv: it is not UTF-8 text\. Name"):
        landmark_set(read_landmarks(path), frames)


@pytest.mark.parametrize(
    "content",
    [
        {"slice": 2, "SURNAME": [1, 2]},
        {"slice": 2, "slice_reason": ["SURNAME"]},
        {"slice": 2, **POINTS, "medial_rim": "SURNAME"},
        {"slice": 2, **POINTS, "sd_mm": "SURNAME"},
        "slice,landmark,column,row\n1,medial_rim,SURNAME,2\n",
        "slice,landmark,column,row\n1,SURNAME,1,2\n",
        '{"SURNAME',
    ],
)
def test_what_a_person_wrote_can_be_left_out_of_a_message(read: Read, content: Any) -> None:
    with pytest.raises(LandmarkError) as refused:
        read(content)
    assert "SURNAME" not in refused.value.words(identifiers=False)
