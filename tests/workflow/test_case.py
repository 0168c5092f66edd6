"""A case from a study: what is refused, what is a gap, and that nothing is asked twice."""

from __future__ import annotations

import codecs
import io
import json
import tomllib
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from meniscal_measure import workflow
from meniscal_measure.anatomy import Plane, Side
from meniscal_measure.errors import (
    InputError,
    LandmarkError,
    OutputError,
    SideError,
    UnreadableFileError,
    UsageError,
)
from meniscal_measure.findings import Code, Finding
from meniscal_measure.knee.answers import Answers, answers_from, read_answers
from meniscal_measure.knee.candidate import Fact, candidate_lines
from meniscal_measure.knee.case_record import case_from_json
from meniscal_measure.knee.pairing import KneeIdentity
from meniscal_measure.knee.published import published
from meniscal_measure.knee.quantity import CasePart, Visit
from meniscal_measure.knee.registration import COMMON_ERROR, ContrastMatch, Registration
from meniscal_measure.report.canvas import Stamp, pdf_bytes
from meniscal_measure.report.case_picture import case_figure
from meniscal_measure.report.case_sheet import case_sheet
from meniscal_measure.report.save_case import save_case
from meniscal_measure.series.model import Stack, Study
from meniscal_measure.workflow import case, case_follow_up
from meniscal_measure.workflow.case import MadeCase, make_case
from meniscal_measure.workflow.case_parts import candidate_facts
from meniscal_measure.workflow.case_studies import visit_images
from meniscal_measure.workflow.measure_study import measure
from tests.conftest import REPOSITORY
from tests.knee.imaged_tibia import movement

TORN = REPOSITORY / "sample_phantoms" / "root-tear"
LANDMARKS = TORN / "landmarks.json"


@pytest.fixture(scope="module")
def study() -> Study:
    return workflow.read(TORN)


def placed(name: str, column: float, row: float, number: int = 8) -> dict[str, object]:
    return {"name": name, "plane": "coronal", "slice": str(number), "pixel": [column, row]}


@pytest.fixture(scope="module")
def made(study: Study) -> MadeCase:
    answers = answers_from(
        {
            "sign": {"ghost": {"seen": "present", "by": "reader 1"}},
            "facts": {"radiographic_grade": 3, "age_years": 54},
            "landmark": [
                placed("medial_eminence_apex", 128, 110),
                placed("tunnel_entry", 150, 170, 5),
                placed("tear", 140, 118, 10),
                placed("root_attachment", 136, 118, 10),
            ],
        },
        "answers.toml",
    )
    return make_case(study, answers=answers, landmarks=LANDMARKS)


def test_missing_planes_are_gaps_and_the_rest_is_done(made: MadeCase) -> None:
    assert any("has no sagittal series" in gap for gap in made.case.gaps)
    titles = [part.title for part in made.case.parts if part.quantities]
    assert titles == [
        "Extrusion, baseline",
        "Root signs: what the images support",
        "Footprint of the medial posterior root, predicted",
        "Tunnel",
    ]


def test_every_number_names_its_slice_by_instance_number(made: MadeCase) -> None:
    for part in made.case.parts:
        for found in part.quantities:
            assert found.where, found.name
            assert all(place.name.instance_number is not None for place in found.where)


def test_nothing_is_asked_twice(made: MadeCase) -> None:
    asked = {question.key for question in made.case.questions}
    for known in ("landmark.medial_plateau_rim", "landmark.tear", "sign.ghost", "facts.age_years"):
        assert known not in asked
    assert "landmark.posterior_horn" not in asked  # there is no sagittal series to place it on
    assert "sign.cleft" in asked


@pytest.fixture(scope="module")
def saved(made: MadeCase, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the case's files, which no test changes."""
    folder = tmp_path_factory.mktemp("saved") / "case"
    save_case(made.case, made.pictures, folder)
    return folder


def test_the_files_say_what_the_record_says(made: MadeCase, saved: Path) -> None:
    text = (saved / "case.json").read_text(encoding="utf-8")
    assert case_from_json(text, saved / "case.json") == made.case
    pages = PdfReader(saved / "case-sheet.pdf").pages
    assert len(pages) == 2
    said = " ".join(word for page in pages for word in page.extract_text().split())
    page = (saved / "case-sheet.html").read_text(encoding="utf-8")
    for found in (q for part in made.case.parts for q in part.quantities):
        assert found.words in said
        assert found.words in page
    for words in ("not a diagnosis", "treating clinician", "FROM MEMORY", "conflicting"):
        assert words in said
        assert words in page


def test_a_case_with_everything_in_it_takes_two_pages(made: MadeCase) -> None:
    """Thirty numbers, every sign and fact answered, and all that is said of them."""
    number = replace(
        made.case.parts[0].quantities[0], name="centre from the posterior cruciate margin, 30"
    )
    full = [
        CasePart(title, (number,) * n,
                 ("A published series of some size found this, within so many millimetres.",) * 4)
        for title, n in (("Footprint of the medial posterior root, predicted", 9), ("Tunnel", 6),
                         ("Joint space", 2), ("Tibial slope", 2), ("Time line", 0))
    ]  # fmt: skip
    facts = {"cartilage_grade": Fact(3.0, "x"), "radiographic_grade": Fact(3.0, "x"),
             "varus_deg": Fact(6.0, "x"), "body_mass_index": Fact(30.0, "x"),
             "age_years": Fact(60.0, "x"), "tear_age_days": Fact(20.0, "x"),
             "extrusion_mm": Fact(4.0, "x"), "compartment": Fact("medial", "x")}  # fmt: skip
    case = replace(
        made.case,
        parts=(*made.case.parts[:2], *full),
        candidate=candidate_lines(facts, published()),
    )
    stamp = Stamp("Knee case", case.software, case.made_at)
    sheet = case_sheet(case, pdf_bytes([case_figure(made.pictures)], stamp), stamp)
    assert len(PdfReader(io.BytesIO(sheet)).pages) == 2


def test_only_the_owner_may_read_the_files(saved: Path) -> None:
    assert saved.stat().st_mode & 0o777 == 0o700
    assert {path.stat().st_mode & 0o777 for path in saved.iterdir()} == {0o600}


def test_numbers_of_the_page_lead_to_their_slices(saved: Path) -> None:
    page = (saved / "case-sheet.html").read_text(encoding="utf-8")
    assert 'href="#baseline-coronal-10"' in page
    assert '<figure id="baseline-coronal-10">' in page


def test_every_slice_that_a_number_names_is_shown_with_a_link(made: MadeCase, saved: Path) -> None:
    page = (saved / "case-sheet.html").read_text(encoding="utf-8")
    named = {where for part in made.case.parts for q in part.quantities for where in q.where}
    named |= {where for line in made.case.candidate for where in line.where}
    assert {picture.where for picture in made.pictures} >= named
    for where in named:
        assert f'href="#baseline-coronal-{where.name.number}">{where}</a>' in page


def test_the_template_of_answers_is_read_back_and_never_replaced(
    made: MadeCase, tmp_path: Path
) -> None:
    save_case(made.case, (), tmp_path)
    file = tmp_path / "answers.toml"
    assert read_answers(file).landmark == ()
    assert read_answers(file).sign == {}
    file.write_text("[facts]\nage_years = 60\n", encoding="utf-8")
    save_case(made.case, (), tmp_path)
    assert read_answers(file).facts.age_years == 60


def test_the_written_template_is_right_once_its_marks_are_taken_away(saved: Path) -> None:
    lines = (saved / "answers.toml").read_text(encoding="utf-8").splitlines()
    start = lines.index("[sign]")
    signs = [line.removeprefix("# ") for line in lines[start:] if "seen =" in line]
    answered = answers_from(tomllib.loads("[sign]\n" + "\n".join(signs)), "answers.toml")
    assert set(answered.sign.values()) != set()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ({"facts": {"cartilage_grade": 7}}, "cartilage_grade"),
        ({"facts": {"weight": 80}}, "weight"),
        ({"sign": {"ghost": {"seen": "perhaps"}}}, "seen"),
        ({"case": {"side": "both"}}, "both"),
        ({"landmark": [{"name": "teer", "slice": "1", "pixel": [1, 2]}]}, "no landmark 'teer', "),
    ],
)
def test_answers_that_cannot_be_are_refused(content: dict[str, object], said: str) -> None:
    with pytest.raises(InputError, match=said):
        answers_from(content, "answers.toml")


def test_a_landmark_on_no_slice_is_refused(study: Study) -> None:
    answers = answers_from({"landmark": [placed("tear", 10, 10, 99)]}, "answers.toml")
    with pytest.raises(LandmarkError, match="which is none of the baseline"):
        make_case(study, answers=answers, landmarks=LANDMARKS)


def test_a_landmark_off_its_image_is_refused(study: Study) -> None:
    answers = answers_from({"landmark": [placed("tear", 5000, 10)]}, "answers.toml")
    with pytest.raises(LandmarkError, match="lies off its image"):
        make_case(study, answers=answers, landmarks=LANDMARKS)


def test_a_side_against_the_images_is_refused(study: Study) -> None:
    known = study.stacks[0].laterality.side
    assert known is not None
    other = Side.LEFT if known is Side.RIGHT else Side.RIGHT
    with pytest.raises(SideError, match="The side was given as"):
        make_case(study, answers=Answers(), side=other)


def test_the_same_study_twice_is_refused(study: Study) -> None:
    with pytest.raises(InputError, match="are the same study"):
        make_case(study, study, answers=Answers(), landmarks=LANDMARKS)


def test_series_of_other_frames_of_reference_are_not_linked(study: Study) -> None:
    coronal = next(stack for stack in study.stacks if stack.plane is Plane.CORONAL)
    identity = replace(coronal.identity, frame_of_reference_uid="5.5", series_instance_uid="5.6")
    sagittal = replace(coronal, plane=Plane.SAGITTAL, identity=identity)
    case = make_case(
        replace(study, stacks=(*study.stacks, sagittal)), answers=Answers(), landmarks=LANDMARKS
    ).case
    assert any("a frame of reference of its own" in gap for gap in case.gaps)


def test_the_record_is_plain_json(saved: Path) -> None:
    record = json.loads((saved / "case.json").read_text(encoding="utf-8"))
    gap = record["parts"][1]["quantities"][0]
    assert set(gap) == {"name", "value", "unit", "u", "basis", "where", "source"}


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 20_000 + "]" * 20_000,
        "[facts]\nage_years = " + "1" * 5000,
        "# " + "x" * 1_000_000,
        "\N{LATIN SMALL LETTER E WITH ACUTE}".encode("latin-1"),
    ],
    ids=["nested without end", "digits without end", "too large", "not UTF-8"],
)
def test_a_hostile_file_of_answers_is_refused(tmp_path: Path, text: str | bytes) -> None:
    file = tmp_path / "answers.toml"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(UnreadableFileError, match=r"answers\.toml"):
        read_answers(file)


def test_answers_may_begin_with_a_byte_order_mark(tmp_path: Path) -> None:
    file = tmp_path / "answers.toml"
    file.write_bytes(codecs.BOM_UTF8 + b'[case]\r\nside = "left"\r\n')
    assert read_answers(file).side is Side.LEFT


def with_identity(stack: Stack, **changed: Any) -> Stack:
    return replace(stack, identity=replace(stack.identity, **changed))


def as_later(study: Study, **changed: Any) -> Study:
    """The coronal stack as that of another study, each image with a UID of its own."""
    stack = with_identity(study.stacks[0], study_instance_uid="2.25.9", **changed)
    frames = enumerate(stack.frames)
    renamed = tuple(replace(frame, sop_instance_uid=f"2.25.9.{n}") for n, frame in frames)
    return replace(study, stacks=(replace(stack, frames=renamed),))


def test_images_filed_as_two_studies_are_refused(study: Study) -> None:
    again = with_identity(study.stacks[0], study_instance_uid="2.25.9", study_date="20990101")
    with pytest.raises(InputError, match="hold the same images"):
        make_case(study, replace(study, stacks=(again,)), answers=Answers(), landmarks=LANDMARKS)


def test_images_equal_in_every_pixel_are_not_compared(study: Study) -> None:
    knee = measure(study, landmarks=LANDMARKS)
    found = case_follow_up.followed(knee, knee, [study, study])
    assert found.figure is None
    assert "equal in every pixel" in "".join(found.part.gaps)


def test_what_was_not_checked_is_a_gap_though_nothing_was_compared(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(case, "measured_extrusion", lambda *_: None)
    later = as_later(study, study_date="", patient_id="", patient_name="")
    made = make_case(study, later, answers=Answers())
    assert {gap for gap in made.case.gaps if gap.startswith("Not checked")} == {
        "Not checked: that both examinations are of one patient (no Patient ID).",
        "Not checked: which examination was first (no Study Date).",
    }


def test_landmarks_on_a_follow_up_that_was_not_given_are_a_gap(study: Study) -> None:
    mark = placed("tunnel_aperture", 140, 110) | {"visit": "follow_up"}
    answers = answers_from({"landmark": [mark]}, "answers.toml")
    made = make_case(study, answers=answers, landmarks=LANDMARKS)
    assert "landmarks on a follow-up" in "".join(made.case.gaps)


def test_landmarks_of_another_study_are_refused(study: Study, tmp_path: Path) -> None:
    """A sheet without the extrusion that was asked for would look complete."""
    (tmp_path / "other.json").write_text('{"slice": "2.25.77", "medial_rim": [1, 2]}')
    with pytest.raises(InputError, match=r"other\.json.*not among the usable images"):
        make_case(study, answers=Answers(), landmarks=tmp_path / "other.json")


@pytest.mark.parametrize(
    "changed",
    [{"patient_id": "4712"}, {"patient_name": "Other^Name"}, {"patient_birth_date": "19010101"}],
    ids=["ID", "name", "date of birth"],
)
def test_planes_of_two_patients_make_no_case(study: Study, changed: dict[str, str]) -> None:
    other = with_identity(replace(study.stacks[0], plane=Plane.SAGITTAL), **changed)
    mixed = replace(study, stacks=(*study.stacks, other))
    with pytest.raises(UsageError, match="belong to 2 patients"):
        visit_images(Visit.BASELINE, mixed, Side.LEFT)


def test_no_plane_of_another_examination_is_used(study: Study) -> None:
    other = with_identity(
        replace(study.stacks[0], plane=Plane.SAGITTAL), study_instance_uid="1.2.3.9"
    )
    images = visit_images(Visit.BASELINE, replace(study, stacks=(*study.stacks, other)), None)
    assert list(images.stacks) == [Plane.CORONAL]
    assert images.study.stacks == study.stacks
    assert any("2 examinations" in gap for gap in images.gaps())
    assert not any(images.identity.study_date in gap for gap in images.gaps(identifiers=False))


@pytest.mark.parametrize("written", ["2026X304", "20261304", "2026111", ""])
def test_a_study_date_that_is_no_date_gives_no_age_of_the_tear(written: str) -> None:
    answers = answers_from({"case": {"event_date": date(2026, 1, 1)}}, "answers.toml")
    assert "tear_age_days" not in candidate_facts(answers, None, examined(written))
    assert candidate_facts(answers, None, examined("20260111"))["tear_age_days"].value == 10
    before = candidate_facts(answers, None, examined("20251231"))
    assert "tear_age_days" not in before


def examined(day: str, born: str = "") -> KneeIdentity:
    return KneeIdentity(Side.LEFT, "P", "1.2", day, birth_date=born)


@pytest.mark.parametrize(("born", "years"), [("19700112", 55), ("19700111", 56), ("19700110", 56)])
def test_the_age_follows_from_both_dates(born: str, years: int) -> None:
    facts = candidate_facts(Answers(), None, examined("20260111", born))
    assert facts["age_years"].value == years
    entered = answers_from({"facts": {"age_years": 40}}, "answers.toml")
    assert candidate_facts(entered, None, examined("20260111", born))["age_years"].value == 40


@pytest.mark.parametrize("born", ["", "19000101", "20200101", "1970"])
def test_an_age_that_is_none_of_an_adult_is_asked_for(born: str) -> None:
    assert "age_years" not in candidate_facts(Answers(), None, examined("20260111", born))


def test_without_identifiers_no_file_names_patient_reader_or_day(
    study: Study, tmp_path: Path
) -> None:
    answers = answers_from(
        {"sign": {"ghost": {"seen": "present", "by": "Dr. Quill"}},
         "case": {"event_date": "2025-12-24"},
         "landmark": [placed("tear", 140, 118) | {"by": "Dr. Quill"}]},
        "answers.toml",
    )  # fmt: skip
    made = make_case(study, answers=answers, landmarks=LANDMARKS, identifiers=False)
    save_case(made.case, made.pictures, tmp_path)
    identity = study.stacks[0].identity
    secret = {
        "Quill", "2025-12-24", identity.patient_id, identity.study_instance_uid,
        identity.series_description, identity.study_date,
        study.stacks[0].frames[0].sop_instance_uid,
    } - {""}  # fmt: skip
    assert len(secret) > 5
    sheet = " ".join(page.extract_text() for page in PdfReader(tmp_path / "case-sheet.pdf").pages)
    texts = [sheet] + [
        (tmp_path / name).read_text(encoding="utf-8")
        for name in ("case.json", "case-sheet.html", "answers.toml")
    ]
    for text in texts:
        assert not [word for word in secret if word in text]
    assert case_from_json(texts[1], tmp_path / "case.json") == made.case


def test_answers_of_another_study_are_refused(study: Study) -> None:
    answers = answers_from({"case": {"study": "1.2.3"}}, "answers.toml")
    with pytest.raises(InputError, match=r"The answers are of study 1\.2\.3"):
        make_case(study, answers=answers, landmarks=LANDMARKS)


def test_the_written_answers_are_of_the_study(made: MadeCase, saved: Path) -> None:
    study = read_answers(saved / "answers.toml").case.study
    assert study == made.case.studies[0].study_instance_uid != ""


@pytest.mark.parametrize("other", ["study", "knee"])
def test_the_case_of_another_knee_is_not_written_over(
    made: MadeCase, tmp_path: Path, other: str
) -> None:
    elsewhere = replace(made.case.studies[0], study_instance_uid="1.2.3")
    opposite = {"left": "right", "right": "left"}[made.case.side]
    changed: dict[str, Any] = {"study": {"studies": (elsewhere,)}, "knee": {"side": opposite}}
    save_case(replace(made.case, **changed[other]), (), tmp_path)
    held = (tmp_path / "case.json").read_bytes()
    with pytest.raises(OutputError, match="holds the case of another study"):
        save_case(made.case, made.pictures, tmp_path)
    assert (tmp_path / "case.json").read_bytes() == held


def test_warnings_of_the_measurement_stand_on_the_sheet(study: Study) -> None:
    stack = study.stacks[0]
    said = Finding(Code.UNEVEN_GAPS, {"least_mm": 3.0, "most_mm": 3.5})
    warned = replace(study, stacks=(replace(stack, findings=(said,)),))
    case = make_case(warned, answers=Answers(), landmarks=LANDMARKS).case
    assert any(
        "Warning: " in remark and "3.00 to 3.50" in remark for remark in case.parts[0].remarks
    )


def with_side(stack: Stack, side: Side | None) -> Stack:
    return replace(stack, laterality=replace(stack.laterality, side=side, hints=()))


def test_a_folder_of_both_knees_makes_no_case(study: Study) -> None:
    coronal = with_side(study.stacks[0], Side.RIGHT)
    sagittal = with_side(replace(coronal, plane=Plane.SAGITTAL), Side.LEFT)
    with pytest.raises(SideError, match="of the left and of the right knee"):
        make_case(replace(study, stacks=(coronal, sagittal)), answers=Answers())


def test_a_side_that_nobody_says_is_asked_for(study: Study) -> None:
    silent = replace(study, stacks=(with_side(study.stacks[0], None),))
    with pytest.raises(SideError, match="side of the baseline is unknown"):
        make_case(silent, answers=Answers())


def test_the_root_at_follow_up_is_measured_on_its_own_images(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    not_moved = Registration(movement((0, 0, 0), (0, 0, 0)), *COMMON_ERROR[ContrastMatch.SAME])
    monkeypatch.setattr(case_follow_up, "registered", lambda *_: not_moved)
    later = as_later(study, study_date="20990101")
    marks = [
        placed("medial_eminence_apex", 128, 110), placed("tunnel_aperture", 140, 110),
        placed("cleft_edge_a", 130, 118), placed("cleft_edge_b", 140, 118),
    ]  # fmt: skip
    answers = answers_from(
        {"landmark": [mark | {"visit": "follow_up"} for mark in marks]}, "answers.toml"
    )
    made = make_case(study, later, answers=answers, landmarks=LANDMARKS)
    (part,) = (part for part in made.case.parts if part.title == "Root at follow-up")
    names = [found.name for found in part.quantities]
    assert "gap of the cleft" in names
    assert any(name.startswith("tunnel aperture to the centre") for name in names)
    assert {place.visit for found in part.quantities for place in found.where} == {Visit.FOLLOW_UP}
    assert "stated for 4 landmarks" in "".join(made.case.cautions)


@pytest.mark.parametrize(
    ("changed", "side", "why"),
    [
        ({"study_date": "19990101"}, Side.RIGHT, "days before the baseline"),
        ({"patient_id": "SOMEBODY"}, Side.RIGHT, "two examinations of one patient"),
        ({}, Side.LEFT, "a right knee and the follow-up a left one"),
    ],
    ids=["before the baseline", "another patient", "the other knee"],
)
def test_a_case_refuses_a_follow_up_that_is_none(
    study: Study, changed: dict[str, str], side: Side, why: str
) -> None:
    first = with_side(study.stacks[0], Side.RIGHT)
    second = with_identity(with_side(first, side), study_instance_uid="2.25.9", **changed)
    with pytest.raises(InputError, match=why):
        make_case(
            replace(study, stacks=(first,)), replace(study, stacks=(second,)), answers=Answers()
        )
