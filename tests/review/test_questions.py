"""The questions of a case in a real browser: asked on their slice, answered, saved in the file."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect

from meniscal_measure import workflow
from meniscal_measure.anatomy import Side
from meniscal_measure.knee.answer_file import record_answer
from meniscal_measure.knee.answers import read_answers
from meniscal_measure.knee.quantity import TracedSlice, Visit
from meniscal_measure.review.question_desk import QuestionDesk
from meniscal_measure.review.question_routes import question_application
from meniscal_measure.series.radiographs import radiographs_of
from meniscal_measure.series.scan import open_study
from meniscal_measure.slice_name import SliceName
from meniscal_measure.workflow.case_questions import CaseQuestions
from meniscal_measure.workflow.case_radiographs import CaseRadiograph, measured_limb
from meniscal_measure.workflow.case_studies import visit_images
from meniscal_measure.workshop.knees.dicom.encode import TransferSyntax, store
from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity, study_identity
from tests.knee.projected_leg import LegShape, ProjectedLeg, XraySetup, projected_leg
from tests.knee.written_radiograph import StatedSize, dx_dataset
from tests.review.on_page import box_of, intercept
from tests.review.test_page_rules import in_each_theme

SPACING_MM = 0.5
"""Of the painted images."""


class Asked:
    """The page on a painted knee, and the file it writes."""

    def __init__(self, page: Page, desk: QuestionDesk, file: Path, address: str) -> None:
        self.page, self.desk, self.file, self.address = page, desk, file, address

    @property
    def answers(self) -> dict[str, Any]:
        return tomllib.loads(self.file.read_text())

    def open(self, reader: str = "AB") -> None:
        self.page.goto(f"{self.address}#reader={reader}")
        self.drawn()

    def drawn(self, where: str = ".+") -> None:
        expect(self.page.locator("#slice")).to_have_attribute("data-drawn", re.compile(where))

    def ask(self, words: str) -> None:
        self.page.locator("#questions button", has_text=words).first.click()
        expect(self.page.locator("#question")).to_contain_text(words)

    def on_screen(
        self, column: float, row: float, spacing: float = SPACING_MM
    ) -> tuple[float, float]:
        box = box_of(self.page, "#slice")
        view = json.loads(self.page.locator("#slice").get_attribute("data-view") or "")
        x, y = (
            (value * spacing - view["centre"][axis]) * view["scale"]
            for axis, value in enumerate((column, row))
        )
        return box["x"] + box["width"] / 2 + x, box["y"] + box["height"] / 2 + y

    def saved(self) -> None:
        expect(self.page.locator("#slice")).to_have_attribute("aria-busy", "false")
        expect(self.page.locator("#saved")).to_have_text("All answers saved")


@pytest.fixture
def asked(
    question_desk: QuestionDesk,
    tmp_path: Path,
    serve_application: Callable[..., str],
    page: Page,
) -> Asked:
    address = serve_application(question_application(question_desk))
    asked = Asked(page, question_desk, tmp_path / "case" / "answers.toml", address)
    asked.open()
    return asked


@pytest.fixture(scope="module")
def leg() -> ProjectedLeg:
    return projected_leg(LegShape(Side.RIGHT, 90.0, 85.0, 2.0), XraySetup())


@pytest.fixture
def asked_of_leg(
    painted: Callable[..., Path],
    leg: ProjectedLeg,
    tmp_path: Path,
    serve_application: Callable[..., str],
    page: Page,
) -> Asked:
    """The page on a painted knee with a follow-up and a radiograph of the leg."""
    study = workflow.read(painted(planes=("coronal", "sagittal")))
    identity = SeriesIdentity(study_identity("leg", 1, Side.RIGHT), "2.25.99", 9, "LONG LEG")
    (tmp_path / "leg").mkdir()
    store(dx_dataset(leg, identity, StatedSize.DETECTOR), tmp_path / "leg" / "1.dcm",
          TransferSyntax.UNCOMPRESSED)  # fmt: skip
    (radiograph,) = radiographs_of([open_study(tmp_path / "leg")]).radiographs
    where = TracedSlice(None, SliceName(1, 1, 1), radiograph.frame.sop_instance_uid)
    questions = CaseQuestions(
        visit_images(Visit.BASELINE, study, Side.RIGHT), None,
        visit_images(Visit.FOLLOW_UP, study, Side.RIGHT), (CaseRadiograph(radiograph, where),),
    )  # fmt: skip
    desk = QuestionDesk(questions, tmp_path / "case" / "answers.toml")
    address = serve_application(question_application(desk))
    asked = Asked(page, desk, tmp_path / "case" / "answers.toml", address)
    asked.open()
    return asked


def test_a_click_places_the_landmark_on_its_slice_and_the_file_says_where(asked: Asked) -> None:
    asked.ask("medial eminence apex")
    asked.drawn("sagittal")
    asked.page.mouse.click(*asked.on_screen(100, 80))
    asked.saved()
    (landmark,) = asked.answers["landmark"]
    assert landmark["name"] == "medial_eminence_apex"
    assert landmark["plane"] == "sagittal"
    assert landmark["by"] == "AB"
    assert landmark["pixel"] == pytest.approx([100, 80], abs=0.5)
    expect(asked.page.locator("#placing")).to_contain_text("Placed on slice")
    expect(asked.page.locator("#progress")).to_contain_text("1 of ")


def test_names_of_near_landmarks_do_not_cover_one_another(asked: Asked) -> None:
    feet = asked.page.evaluate(
        """async () => {
          const { drawNamed } = await import("./drawing.js");
          const context = document.createElement("canvas").getContext("2d");
          const feet = {};
          context.fillText = (name, left, foot) => { feet[name] = foot; };
          const view = { markScale: 1, toScreen: (pixel) => pixel };
          const at = { one: [50, 60], two: [53, 64], three: [47, 55], far: [400, 60] };
          const marks = Object.entries(at).map(([name, pixel]) => ({ pixel, name }));
          drawNamed(context, view, marks);
          return feet;
        }"""
    )
    assert feet["three"] + 14 < feet["one"] < feet["two"] - 14
    assert feet["far"] == 48


def test_keys_place_move_and_take_back(asked: Asked) -> None:
    asked.ask("medial eminence apex")
    asked.drawn("sagittal")
    asked.page.locator("#slice").focus()
    asked.page.keyboard.press("Enter")
    asked.saved()
    (placed,) = asked.answers["landmark"]
    for key in ("ArrowRight", "Shift+ArrowDown", "Control+ArrowLeft"):
        asked.page.keyboard.press(key)
    asked.saved()
    (moved,) = asked.answers["landmark"]
    shift = [after - before for before, after in zip(placed["pixel"], moved["pixel"], strict=True)]
    assert shift == pytest.approx([0.1 - 10, 1])
    asked.page.keyboard.press("Enter")  # it is placed: on to the next question
    expect(asked.page.locator("#question")).not_to_contain_text("medial eminence apex")
    assert asked.answers["landmark"] == [moved]
    asked.page.keyboard.press("p")
    asked.page.keyboard.press("Delete")
    asked.saved()
    assert "landmark" not in asked.answers


def test_a_landmark_that_is_left_by_key_before_it_rests_is_saved(asked: Asked) -> None:
    asked.ask("medial eminence apex")
    asked.drawn("sagittal")
    asked.page.locator("#slice").focus()
    asked.page.keyboard.press("Enter")
    asked.saved()
    (placed,) = asked.answers["landmark"]
    asked.page.keyboard.press("Shift+ArrowDown")
    asked.page.keyboard.press("n")
    asked.saved()
    (moved,) = asked.answers["landmark"]
    assert moved["name"] == "medial_eminence_apex"
    assert moved["pixel"][1] == pytest.approx(placed["pixel"][1] + 1)


def test_nothing_is_placed_on_a_slice_that_is_not_in_view(asked: Asked) -> None:
    asked.page.route("**/planes/**", lambda route: None)  # slices never come
    asked.page.reload()
    asked.ask("medial eminence apex")
    expect(asked.page.locator("#todo")).to_have_text("Opening…")
    asked.page.locator("#slice").click()
    asked.page.locator("#slice").press("Enter")
    asked.page.locator("#after").click()
    expect(asked.page.locator("#progress")).to_contain_text("0 of")
    assert "landmark" not in asked.answers


def test_a_notch_or_key_while_something_is_pressed_places_nothing_elsewhere(asked: Asked) -> None:
    asked.ask("medial eminence apex")
    asked.drawn("sagittal")
    at = asked.on_screen(100, 80)
    before = asked.page.locator("#slice").get_attribute("data-drawn") or ""
    asked.page.mouse.move(*at)
    asked.page.mouse.down()
    asked.page.mouse.wheel(0, 120)
    asked.page.locator("#slice").press("PageDown")
    asked.page.mouse.up()
    expect(asked.page.locator("#slice")).not_to_have_attribute("data-drawn", before)
    asked.drawn("sagittal")
    asked.page.mouse.click(*at)  # and this one does
    asked.saved()
    (landmark,) = asked.answers["landmark"]
    placed = asked.page.locator("#slice").get_attribute("data-drawn")
    (apex,) = (each["answer"] for each in asked.desk.listed()["questions"] if "apex" in each["key"])
    assert placed == f"sagittal {apex['index']}"
    assert landmark["name"] == "medial_eminence_apex"
    assert len(asked.file.with_suffix(".log").read_text().splitlines()) == 1


def test_a_slip_is_undone_even_after_going_on(asked: Asked) -> None:
    asked.ask("medial eminence apex")
    asked.drawn("sagittal")
    for place in ((100, 80), (140, 60)):
        asked.page.mouse.click(*asked.on_screen(*place))
        asked.saved()
    asked.page.keyboard.press("n")
    asked.page.keyboard.press("u")
    expect(asked.page.locator("#question")).to_contain_text("medial eminence apex")
    asked.saved()
    (landmark,) = asked.answers["landmark"]
    assert landmark["pixel"] == pytest.approx([100, 80], abs=0.5)
    asked.page.keyboard.press("u")
    asked.saved()
    assert "landmark" not in asked.answers


def test_a_sign_is_answered_by_a_number_key_and_the_next_question_follows(asked: Asked) -> None:
    asked.ask("Ghost")
    asked.page.locator("#slice").focus()
    asked.page.keyboard.press("1")
    expect(asked.page.locator("#question")).not_to_contain_text("Ghost")
    asked.saved()
    assert asked.answers["sign"]["ghost"] == {"seen": "present", "by": "AB"}
    asked.ask("Ghost")
    chosen = asked.page.locator('#choices [aria-pressed="true"]')
    expect(chosen).to_contain_text("present")
    asked.page.locator("#take-back").click()
    asked.saved()
    assert asked.answers["sign"] == {}


def test_the_rest_of_a_double_click_and_a_key_held_down_answer_nothing(asked: Asked) -> None:
    page = asked.page
    asked.ask("Ghost")
    box = box_of(page, "#choices button >> nth=0")
    page.mouse.click(box["x"] + 20, box["y"] + 20)
    expect(page.locator("#question")).not_to_contain_text("Ghost")
    asked.saved()
    page.mouse.down(click_count=2)
    page.mouse.up(click_count=2)
    page.locator("#slice").focus()
    page.keyboard.down("1")
    expect(page.locator("#progress")).to_contain_text("2 of ")
    asked.saved()
    page.keyboard.down("1")
    page.keyboard.up("1")
    asked.saved()
    assert len(asked.answers["sign"]) == 2


def test_a_number_out_of_its_range_is_refused_in_words(asked: Asked) -> None:
    asked.ask("Age in years")
    asked.page.keyboard.type("540")
    asked.page.keyboard.press("Enter")
    expect(asked.page.locator("#trouble")).to_contain_text("<= 110")
    assert "age_years" not in asked.answers["facts"]
    asked.ask("Age in years")
    asked.page.keyboard.press("Control+A")
    asked.page.keyboard.type("54")
    asked.page.keyboard.press("Enter")
    asked.saved()
    assert asked.answers["facts"]["age_years"] == 54


def test_a_page_that_is_loaded_again_goes_on_at_the_first_open_question(asked: Asked) -> None:
    first = asked.page.locator("#question").inner_text()
    asked.page.locator("#slice").focus()
    asked.page.keyboard.press("Enter")
    asked.saved()
    asked.page.reload()
    asked.drawn()
    expect(asked.page.locator("#question")).not_to_have_text(first)
    expect(asked.page.locator("#progress")).to_contain_text("1 of ")
    asked.ask(first)
    expect(asked.page.locator("#placing")).to_contain_text("Placed on slice")


def test_an_answer_that_cannot_be_saved_is_held_until_it_can(asked: Asked) -> None:
    tries: list[Route] = []
    is_back = Event()

    def fail_once(route: Route) -> None:
        tries.append(route)
        if len(tries) == 1:
            route.abort()
        elif is_back.is_set():
            route.continue_()

    intercept(asked.page, "**/api/answer", fail_once)
    asked.page.locator("#slice").focus()
    asked.page.keyboard.press("Enter")
    expect(asked.page.locator("#saved")).to_have_text("Not saved yet")
    asked.page.locator("#finish").click()
    expect(asked.page.locator("#saved")).to_contain_text("not saved")
    waiting = tries[1:]
    is_back.set()
    for route in waiting:
        route.continue_()
    asked.saved()
    assert len(asked.answers["landmark"]) == 1
    expect(asked.page.locator("#trouble")).to_be_hidden()


def test_what_is_written_by_hand_meanwhile_stays(asked: Asked) -> None:
    record_answer(asked.file, "facts.varus_deg", 2.5, "by hand")
    asked.ask("Age in years")
    asked.page.keyboard.type("54")
    asked.page.keyboard.press("Enter")
    asked.saved()
    assert asked.answers["facts"] == {"varus_deg": 2.5, "age_years": 54}


def test_a_file_made_unusable_by_hand_is_not_written_to(asked: Asked) -> None:
    asked.file.write_text("[case\n")
    asked.page.locator("#slice").focus()
    asked.page.keyboard.press("Enter")
    expect(asked.page.locator("#trouble")).to_contain_text("cannot be read as TOML")
    assert asked.file.read_text() == "[case\n"


def test_every_question_can_be_reached_and_left_by_key(asked: Asked) -> None:
    page = asked.page
    texts = page.locator("#questions button").all_inner_texts()
    for number, text in enumerate(texts):
        expect(page.locator("#question")).to_have_text(text.strip())
        expect(page.locator("#questions li").nth(number).locator("button")).to_have_attribute(
            "aria-current", "true"
        )
        page.locator("#after").focus()
        page.keyboard.press("Enter")
    expect(page.locator("#question")).to_have_text(texts[0].strip())


def test_a_sign_that_is_seen_brings_up_its_landmarks(asked: Asked) -> None:
    before = asked.page.locator("#questions li").count()
    expect(asked.page.locator("#questions")).not_to_contain_text("posterior horn?")
    asked.ask("Ghost")
    asked.page.locator("#choices button", has_text="uncertain").click()
    asked.saved()
    asked.ask("Where is the posterior horn?")
    expect(asked.page.locator("#questions li")).to_have_count(
        before + 4
    )  # and the form of the tear
    asked.ask("Ghost")
    asked.page.locator("#choices button", has_text="absent").click()
    expect(asked.page.locator("#questions li")).to_have_count(before)


def test_a_topic_is_asked_about_once_it_is_wanted(asked: Asked) -> None:
    before = asked.page.locator("#questions li").count()
    slope = asked.page.locator("#topics button", has_text="slope")
    expect(slope).to_have_text("posterior slope of the tibia (6)")
    slope.click()
    expect(asked.page.locator("#question")).to_contain_text("centre of the tibial shaft")
    expect(asked.page.locator("#questions li")).to_have_count(before + 6)
    asked.saved()
    assert asked.answers["case"]["also"] == ["slope"]
    expect(slope).to_have_attribute("aria-pressed", "true")
    slope.click()
    expect(asked.page.locator("#questions li")).to_have_count(before)
    asked.saved()
    assert asked.answers["case"]["also"] == []


def test_the_leg_is_asked_on_its_radiograph(asked_of_leg: Asked, leg: ProjectedLeg) -> None:
    asked, spacing = asked_of_leg, 1.0
    asked.page.locator("#topics button", has_text="alignment of the leg").click()
    expect(asked.page.locator("#question")).to_contain_text("centre of the femoral head")
    asked.drawn("radiograph-1 0")
    column, row = leg.landmarks_px["hip_centre"]
    asked.page.mouse.click(*asked.on_screen(column, row, spacing))
    asked.saved()
    (landmark,) = asked.answers["landmark"]
    pixel_on_screen = 1 / json.loads(asked.page.locator("#slice").get_attribute("data-view") or "")[
        "scale"
    ]  # fmt: skip
    assert landmark["pixel"] == pytest.approx([column, row], abs=pixel_on_screen)
    assert "plane" not in landmark
    expect(asked.page.locator("#placing")).to_contain_text("Placed on radiograph")
    answers = read_answers(asked.file)
    side = asked.desk.questions.images.side
    part = measured_limb(asked.desk.questions.radiographs, answers, side).parts[0]
    assert not part.quantities  # a hip alone gives no angle, and no length
    asked.page.locator("#topics button", has_text="calibration ball").click()
    expect(asked.page.locator("#question")).to_contain_text("Diameter of the ball")


def test_the_follow_up_is_asked_on_its_own_images(asked_of_leg: Asked) -> None:
    asked = asked_of_leg
    asked.page.locator("#topics button", has_text="root at follow-up").click()
    asked.ask("tunnel aperture at follow-up")
    asked.drawn("follow-up-sagittal")
    asked.page.mouse.click(*asked.on_screen(100, 80))
    asked.saved()
    (landmark,) = asked.answers["landmark"]
    assert (landmark["visit"], landmark["plane"]) == ("follow_up", "sagittal")
    expect(asked.page.locator("#placing")).to_contain_text("(sagittal, follow-up)")


def test_the_page_has_no_grave_barrier(asked: Asked) -> None:
    for words in ("medial eminence apex", "Ghost", "Age in years"):
        asked.ask(words)
        assert in_each_theme(asked.page) == {"dark": [], "light": []}
        asked.page.locator("#to-theme").click()


def test_there_is_room_for_image_question_and_answer(asked: Asked) -> None:
    asked.ask("Ghost")
    for width, height in ((360, 640), (768, 1024), (320, 200), (3840, 2160)):
        asked.page.set_viewport_size({"width": width, "height": height})
        for wanted in ("#slice", "#question", "#choices", "#finish", "#slice-slider"):
            asked.page.locator(wanted).scroll_into_view_if_needed()
            expect(asked.page.locator(wanted)).to_be_in_viewport()
        assert asked.page.evaluate("document.documentElement.scrollWidth") <= width


def test_finishing_ends_the_program_and_says_so(asked: Asked) -> None:
    ended: list[bool] = []
    asked.desk.finish = lambda: ended.append(True)
    asked.page.locator("#finish").click()
    expect(asked.page.locator("#done")).to_be_visible()
    assert ended == [True]


def test_the_command_asks_first_and_then_writes_the_sheet_with_the_answers(
    samples: Path, tmp_path: Path, client_of: Callable[[str], Any]
) -> None:
    sample, out = samples / "exactly-3mm", tmp_path / "case"
    arguments = [str(sample / "series-1"), "--landmarks", str(sample / "landmarks.json")]
    start = "from meniscal_measure.cli import app; app()"
    command = [sys.executable, "-c", start, "case", *arguments, "--out", str(out), "--ask"]
    with subprocess.Popen([*command, "--no-browser"], stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        client = client_of(program.stdout.readline().removeprefix("The page is at ").strip())
        client.json("answer", {"key": "sign.truncation", "answer": "absent"})
        client.json("finish", {})
        said = program.stdout.read()

    assert program.returncode == 0
    assert f"Every answer is saved at once in {out / 'answers.toml'}" in said
    assert "case-sheet.pdf" in said
    record = json.loads((out / "case.json").read_text())
    (truncation,) = (sign for sign in record["signs"] if sign["sign"] == "truncation")
    assert (truncation["seen"], truncation["by"]) == ("absent", "Reader A")
    assert "sign.truncation" not in [question["key"] for question in record["questions"]]
