"""The page in Firefox: a knee is read, corrected, compared, rejected, signed and sent."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.types import ASGIApp

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.question_desk import QuestionDesk
from meniscal_measure.review.question_routes import question_application
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.worklist import Knee, open_worklist
from tests.review.conftest import PAINTED_POINTS
from tests.review.firefox import MOST_STOPS, Firefox, running_firefox
from tests.review.test_proposals import NAME, proposing
from tests.review.test_sending import STORED, Archive, destination_of


@pytest.fixture(scope="module")
def firefox(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Firefox]:
    program = shutil.which("firefox-esr") or shutil.which("firefox")
    if program is None:
        pytest.skip("Firefox is not installed (apt-get install firefox-esr)")
    with running_firefox(program, tmp_path_factory.mktemp("profile")) as tab:
        yield tab


@pytest.fixture
def desk(open_desk: Callable[..., Desk]) -> Desk:
    return open_desk("exactly-3mm")


STAGE = "document.getElementById('stage')"
AT_REST = f"{STAGE}.ariaBusy === 'false' && {STAGE}.dataset.drawn"
MEASURED = "document.querySelectorAll('#results .value').length === 2"
CONTROL, ENTER, SHIFT, LEFT, PAGE_DOWN = "\ue009", "\ue007", "\ue008", "\ue012", "\ue00f"


def test_a_knee_is_corrected_and_signed_in_firefox(
    firefox: Firefox, desk: Desk, served: Callable[[Desk], Any]
) -> None:
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for(f"{MEASURED} && {AT_REST}")
    firefox.press("2")
    firefox.press(SHIFT, LEFT)
    firefox.wait_for(
        f"document.querySelector('#results').textContent.includes('3.50') && {AT_REST}"
    )
    firefox.press(CONTROL, ENTER)

    firefox.wait_for("document.getElementById('signed').textContent.startsWith('Signed by AB')")
    (signing,) = desk.journal.all()
    assert signing.record["extrusion_mm"]["signed"]["medial"] == pytest.approx(3.5, abs=0.01)


def test_a_wheel_notch_during_a_drag_changes_no_slice_in_firefox(
    firefox: Firefox, desk: Desk, served: Callable[[Desk], Any]
) -> None:
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for(f"{MEASURED} && {AT_REST}")
    place = desk.place("AB", desk.tasks("AB")[0]["id"])
    before = json.loads(desk.begin(place).state)["landmarks"]
    grid = place.knee.grids[0]
    column, row = before["6"]["image_left_outer_edge"]["pixel"]
    view = json.loads(firefox.evaluate("document.getElementById('stage').dataset.view"))
    box = json.loads(
        firefox.evaluate("JSON.stringify(document.getElementById('stage').getBoundingClientRect())")
    )
    x = (column * grid.column_spacing_mm - view["centre"][0]) * view["scale"] + box["width"] / 2
    y = (row * grid.row_spacing_mm - view["centre"][1]) * view["scale"] + box["height"] / 2
    start = (round(box["x"] + x), round(box["y"] + y))
    firefox.drag_with_a_notch(start, (start[0] - 40, start[1]))
    firefox.wait_for(f"{AT_REST} && document.getElementById('undo').disabled === false")

    after = json.loads(desk.begin(place).state)["landmarks"]
    assert [index for index in after if after[index] != before.get(index)] == ["6"]
    assert firefox.text("#slice-label") == "Slice 7 / 13"


def test_nothing_is_signed_in_firefox_while_another_slice_is_in_view(
    firefox: Firefox, desk: Desk, served: Callable[[Desk], Any]
) -> None:
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for(f"{MEASURED} && {AT_REST}")
    firefox.press(PAGE_DOWN)
    firefox.press(CONTROL, ENTER)
    firefox.wait_for("document.getElementById('saved').textContent.startsWith('Not signed')")

    assert list(desk.journal.all()) == []


DOWN, END = "\ue015", "\ue010"


@pytest.fixture
def two_visits(painted: Callable[..., Path], tmp_path: Path) -> Callable[[Terms], Desk]:
    """A list with two visits of one knee."""

    def build(terms: Terms) -> Desk:
        landmarks = tmp_path / "landmarks.json"
        landmarks.write_text(json.dumps({"slice": 5, **PAINTED_POINTS}))
        days = ("20250102", "20260102")
        knees = [Knee(day, painted(day, day=day), None, landmarks) for day in days]
        return Desk(knees, tmp_path / "visits.sqlite", terms)

    return build


def test_hidden_millimetres_are_shown_in_firefox_once_signed(
    firefox: Firefox, two_visits: Callable[[Terms], Desk], served: Callable[[Desk], Any]
) -> None:
    desk = two_visits(Terms(Conventions(), hides_mm=True))
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for("document.querySelectorAll('#list .entry').length === 2")
    firefox.tab_to("list")
    firefox.press(ENTER)
    firefox.wait_for(
        f"document.getElementById('message').textContent.includes('once you have') && {AT_REST}"
    )
    assert firefox.text("#results") == ""
    firefox.press(CONTROL, ENTER)
    firefox.wait_for(f"{MEASURED} && {AT_REST}")


def open_second(firefox: Firefox, desk: Desk, served: Callable[[Desk], Any]) -> None:
    """Open the second knee of a list, and wait until it is measured."""
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for("document.querySelectorAll('#list .entry').length === 2")
    firefox.click('[data-at="1"]')
    firefox.wait_for(f"{MEASURED} && {AT_REST}")


def test_the_earlier_visit_is_shown_beside_it_in_firefox(
    firefox: Firefox, two_visits: Callable[[Terms], Desk], served: Callable[[Desk], Any]
) -> None:
    open_second(firefox, two_visits(Terms(Conventions())), served)
    firefox.wait_for("!document.getElementById('to-earlier').hidden")
    firefox.click("#to-earlier")
    firefox.wait_for(
        """(() => { const image = document.getElementById('earlier-image');
        const grey = image.getContext('2d').getImageData(0, 0, image.width, image.height).data;
        return image.dataset.slice === '5' && grey.some((value) => 0 < value && value < 255);
        })()"""
    )

    assert firefox.text("#earlier-words").startswith("Earlier visit, 2025-01-02")
    firefox.click("#to-earlier")
    firefox.wait_for("document.getElementById('earlier').hidden")


def test_the_list_is_filtered_and_searched_in_firefox(
    firefox: Firefox,
    two_visits: Callable[[Terms], Desk],
    served: Callable[[Desk], Any],
    sign_as_shown: Callable[..., object],
) -> None:
    desk = two_visits(Terms(Conventions()))
    place = desk.place("AB", desk.tasks("AB")[0]["id"])
    sign_as_shown(desk, place, desk.begin(place).revision)
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for("document.querySelectorAll('#list .entry').length === 2")
    for field, value, left in (
        ("#list-status", "signed", "20250102"),
        ("#list-status", "todo", "20260102"),
        ("#list-find", "2025", None),
        ("#list-status", "all", "20250102"),
    ):
        firefox.fill(field, value)
        names = (
            "[...document.querySelectorAll('#list .entry .clip')].map((each) => each.textContent)"
        )
        assert firefox.evaluate(f"{names}.join()") == (left or "")


def test_a_rejection_is_made_and_withdrawn_in_firefox(
    firefox: Firefox, desk: Desk, served: Callable[[Desk], Any]
) -> None:
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for(f"{MEASURED} && {AT_REST}")
    firefox.click("#reject")
    firefox.click("#reject-dialog .main")
    firefox.wait_for("document.getElementById('signed').textContent.startsWith('Rejected')")
    firefox.click("#withdraw")
    firefox.wait_for("document.getElementById('signed').textContent === 'Not signed yet'")

    assert [entry.verdict for entry in desk.journal.all()] == ["rejected", "withdrawn"]


def test_a_stated_side_is_corrected_in_firefox(
    firefox: Firefox, open_desk: Callable[..., Desk], served: Callable[[Desk], Any]
) -> None:
    desk = open_desk("root-tear")
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for(f"{MEASURED} && {AT_REST}")
    firefox.click("#correct-side")
    firefox.fill("#side-reason", "marker on the film")
    firefox.click("#side-dialog .main")
    firefox.wait_for(
        "document.getElementById('warnings').textContent.includes('The reader corrected the side')"
        f" && {AT_REST}"
    )
    firefox.click("#sign")
    firefox.wait_for("document.getElementById('signed').textContent.startsWith('Signed by AB')")

    (signing,) = desk.journal.all()
    source = signing.record["reading"]["source"]
    assert source["side_source"] == "corrected by the reader (marker on the film)"


def test_the_program_proposes_on_another_slice_in_firefox(
    firefox: Firefox, samples: Path, tmp_path: Path, served: Callable[[Desk], Any]
) -> None:
    propose = proposing(samples / NAME / "landmarks.json")
    knee = Knee("knee", samples / NAME / "series-1")
    desk = Desk([knee], tmp_path / "s.sqlite", Terms(Conventions()), propose=propose)
    firefox.open(f"{served(desk).address}#reader=AB")
    firefox.wait_for(f"{MEASURED} && {AT_REST}")
    firefox.press(PAGE_DOWN)
    firefox.wait_for("document.getElementById('slice-where').textContent.startsWith('8 of 13')")
    firefox.click("#propose-here")
    firefox.wait_for(
        "document.getElementById('slice-where').textContent === '8 of 13; this one is measured'"
        f" && {MEASURED} && {AT_REST}"
    )


@pytest.mark.usefixtures("without_pictures")
def test_what_is_signed_in_firefox_arrives_in_the_archive(
    firefox: Firefox, samples: Path, tmp_path: Path, served: Callable[[Desk], Any]
) -> None:
    archive = Archive()
    with destination_of(archive) as destination:
        knees, terms = open_worklist(samples / "root-tear"), Terms(Conventions())
        desk = Desk(knees, tmp_path / "s.sqlite", terms, destination=destination)
        firefox.open(f"{served(desk).address}#reader=AB")
        firefox.wait_for(f"{MEASURED} && {AT_REST}")
        firefox.click("#sign")
        firefox.wait_for("document.getElementById('sending').textContent.startsWith('Stored in')")

    assert len(archive.received) == len(STORED)


def test_a_question_of_a_case_is_answered_in_firefox_by_key_alone(
    firefox: Firefox, question_desk: QuestionDesk, serve_application: Callable[[ASGIApp], str]
) -> None:
    firefox.open(f"{serve_application(question_application(question_desk))}#reader=AB")
    firefox.wait_for("document.getElementById('slice').dataset.drawn")
    firefox.press(ENTER)
    firefox.press(SHIFT, LEFT)
    firefox.press("n")
    saved = "document.getElementById('saved').textContent === 'All answers saved'"
    at_rest = "document.getElementById('slice').ariaBusy === 'false'"
    firefox.wait_for(f"{saved} && {at_rest}")
    for _ in range(MOST_STOPS):
        if firefox.evaluate("!document.getElementById('choices').hidden"):
            break
        firefox.press("n")
    firefox.press("2")
    firefox.wait_for(f"{saved} && {at_rest}")

    questions = question_desk.listed()["questions"]
    answered = {each["key"]: each["answer"] for each in questions if each["answer"]}
    (landmark, sign) = answered
    assert landmark.startswith("landmark.")
    assert answered[sign] == "absent"
