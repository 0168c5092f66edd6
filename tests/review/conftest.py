"""A desk on the sample phantoms, a server around it, and a browser in front."""

from __future__ import annotations

import http.client
import json
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from threading import Thread
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from numpy.typing import NDArray
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian, MRImageStorage, generate_uid
from scipy.special import ndtr
from starlette.types import ASGIApp

from meniscal_measure import workflow
from meniscal_measure.anatomy import Side
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.knee.quantity import Visit
from meniscal_measure.records.journal import Signing
from meniscal_measure.review.desk import Desk, OpenTask
from meniscal_measure.review.measuring import measure_state
from meniscal_measure.review.present import extrusions
from meniscal_measure.review.question_desk import QuestionDesk
from meniscal_measure.review.reading_plan import Blinding
from meniscal_measure.review.routes import application
from meniscal_measure.review.serve import PageServer
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.signing import OnScreen, sign
from meniscal_measure.review.state import PixelLandmark, State
from meniscal_measure.review.worklist import open_worklist
from meniscal_measure.workflow.case_questions import CaseQuestions
from meniscal_measure.workflow.case_studies import visit_images

CHROMIUM = Path("/usr/bin/chromium-headless-shell")
CHROMIUM_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-site-isolation-trials",
    "--renderer-process-limit=1",
]
PATIENCE_S = 90
"""How long is waited for what must come: ample on a loaded machine, where nothing is timed."""
expect.set_options(timeout=PATIENCE_S * 1000)

OPEN_TERMS = Terms(Conventions())
BLIND_TERMS = Terms(Conventions(), Blinding(seed=7))

OpenDesk = Callable[..., Desk]
Serve = Callable[[Desk], "Client"]
Show = Callable[..., Page]


def with_landmarks(state: State, index: int, landmarks: Mapping[str, PixelLandmark]) -> State:
    """The state with other landmarks on one slice."""
    return replace(state, landmarks={**state.landmarks, index: landmarks})


@dataclass(frozen=True)
class Client:
    """Speaks to a server as the page does, or as something else would."""

    address: str
    reader: str = "Reader A"

    def raw(
        self, method: str, path: str, headers: dict[str, str], body: str | None = None
    ) -> tuple[int, dict[str, str], bytes]:
        parts = urlsplit(self.address)
        connection = http.client.HTTPConnection(
            parts.hostname or "", parts.port or 0, timeout=PATIENCE_S
        )
        try:
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read()
        finally:
            connection.close()

    def ask(self, path: str, body: dict[str, Any] | None = None) -> tuple[int, bytes]:
        parts = urlsplit(self.address)
        headers = {"X-Reader": self.reader.replace(" ", "%20"), "Origin": f"http://{parts.netloc}"}
        method, text = ("GET", None) if body is None else ("POST", json.dumps(body))
        status, _, content = self.raw(method, f"{parts.path}api/{path}", headers, text)
        return status, content

    def json(self, path: str, body: dict[str, Any] | None = None) -> Any:
        status, content = self.ask(path, body)
        assert status == 200, content
        return json.loads(content)

    def sign(self, base: str, working: dict[str, Any]) -> Any:
        """Sign what is saved, as the page does: with what it shows."""
        return self.json(f"{base}/sign", self.shown(base, working))

    def shown(self, base: str, working: dict[str, Any]) -> dict[str, Any]:
        """What the page sends with a signature: the state and its millimetres, as on the screen."""
        state = working["state"]
        measured = self.json(f"{base}/measure", {"state": state})
        found = measured["slices"].get(str(state["slice"]), {"compartments": []})["compartments"]
        return {
            "revision": working["revision"],
            "state": state,
            "extrusion_mm": {each["compartment"]: each["extrusion_mm"] for each in found},
            "reading_time_s": 1.5,
        }

    def first_task(self) -> str:
        task: str = self.json("tasks")["tasks"][0]["id"]
        return task


@pytest.fixture
def client_of() -> Callable[[str], Client]:
    """Speak to the server at an address."""
    return Client


@pytest.fixture
def open_desk(tmp_path: Path, samples: Path) -> OpenDesk:
    """Open a desk on one sample, or on whatever lies at a path."""

    def build(
        what: str | Path = "exactly-3mm", terms: Terms = OPEN_TERMS, store: str = "store.sqlite"
    ) -> Desk:
        return Desk(open_worklist(samples / what), tmp_path / store, terms)

    return build


SignAsShown = Callable[[Desk, OpenTask, int], Signing | str]


@pytest.fixture
def sign_as_shown() -> SignAsShown:
    """Sign at a desk what is saved there, with the millimetres it shows."""

    def act(desk: Desk, place: OpenTask, revision: int) -> Signing | str:
        state = desk.state(place, json.loads(desk.begin(place).state))
        measured = measure_state(place.shown, state, desk.terms.conventions)
        return sign(desk, place, OnScreen(revision, state, extrusions(measured.reading)))

    return act


EDGE_COLUMNS = (60.3, 195.8)
"""Where the painted images turn from bright to dark and back, in pixels of the coronal series."""
BLUR_PX = 0.6
CORONAL = ((1, 0, 0), (0, 0, -1))
SAGITTAL = ((0, 1, 0), (0, 0, -1))
PAINTED_POINTS = {
    "lateral_rim": [60, 120],
    "lateral_outer_edge": [56, 112],
    "medial_rim": [196, 120],
    "medial_outer_edge": [202, 112],
}
"""Landmarks of a painted knee, by column and row."""


@dataclass(frozen=True)
class Painted:
    """A study of flat images with two straight edges, written as a scanner would."""

    rows: int = 256
    columns: int = 256
    slices: int = 10
    laterality: str | None = "R"
    planes: tuple[str, ...] = ("coronal",)
    patient: str = "Painted^Knee"
    day: str = "20260102"
    frame_of_reference: str = ""
    in_one_frame: bool = True
    """Whether all planes share their frame of reference."""

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        study_uid, frame_of_reference = generate_uid(), self.frame_of_reference or generate_uid()
        for number, plane in enumerate(self.planes, start=1):
            frame = frame_of_reference if self.in_one_frame else generate_uid()
            series = self._series(number, plane, study_uid, frame)
            for index in range(self.slices):
                self._write_slice(
                    folder / f"{number}-{plane}-{index:02d}.dcm", series, plane, index
                )
        return folder

    def _series(self, number: int, plane: str, study: str, frame_of_reference: str) -> Dataset:
        series = Dataset()
        series.SOPClassUID = MRImageStorage
        series.Modality = "MR"
        series.PatientName, series.PatientID = self.patient, "PAINTED-4711"
        series.StudyDate = self.day
        series.StudyInstanceUID, series.SeriesInstanceUID = study, generate_uid()
        series.FrameOfReferenceUID = frame_of_reference
        series.SeriesNumber, series.SeriesDescription = number, f"{plane} pd fs Mustermann"
        series.ImageType = ["ORIGINAL", "PRIMARY", "M", "SE"]
        series.ScanningSequence, series.SequenceVariant, series.ScanOptions = "SE", "SK", "FS"
        series.RepetitionTime, series.EchoTime, series.SliceThickness = 3000, 35, 3
        if self.laterality:
            series.Laterality = self.laterality
        series.PixelSpacing = [0.5, 0.5]
        series.Rows, series.Columns = self.rows, self.columns
        series.SamplesPerPixel, series.PhotometricInterpretation = 1, "MONOCHROME2"
        series.BitsAllocated = series.BitsStored = 16
        series.HighBit, series.PixelRepresentation = 15, 0
        return series

    def _write_slice(self, path: Path, series: Dataset, plane: str, index: int) -> None:
        slice_ = FileDataset(path, series.copy(), preamble=b"\0" * 128)
        slice_.file_meta = FileMetaDataset()
        slice_.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        slice_.file_meta.MediaStorageSOPClassUID = MRImageStorage
        slice_.SOPInstanceUID = slice_.file_meta.MediaStorageSOPInstanceUID = generate_uid()
        slice_.InstanceNumber = index + 1
        directions = CORONAL if plane == "coronal" else SAGITTAL
        slice_.ImageOrientationPatient = [*directions[0], *directions[1]]
        across = 3.0 * (index - self.slices / 2)
        place = [-64.0, across, 64.0] if plane == "coronal" else [across, -64.0, 64.0]
        slice_.ImagePositionPatient = place
        slice_.PixelData = self._pixels(index).tobytes()
        slice_.save_as(path, enforce_file_format=True)

    def _pixels(self, index: int) -> NDArray[np.uint16]:
        columns = np.arange(self.columns, dtype=np.float64)
        left, right = (ndtr((columns - edge) / BLUR_PX) for edge in EDGE_COLUMNS)
        row = 1000 - 800 * (left - right)
        noise = np.random.default_rng(index).normal(0, 5, (self.rows, self.columns))
        return np.asarray(np.round(row + noise), dtype=np.uint16)


@pytest.fixture(scope="session")
def paintings(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Paint each study once; one that is asked for under another name is another study."""
    folder = tmp_path_factory.mktemp("painted")

    @cache
    def paint(name: str, options: Painted) -> Path:
        return options.write(folder / f"{name}-{len(list(folder.iterdir()))}")

    return paint


@pytest.fixture
def painted(tmp_path: Path, paintings: Callable[..., Path]) -> Callable[..., Path]:
    """Copy a painted study into a folder of its own."""

    def write(name: str = "painted", **options: Any) -> Path:
        return Path(
            shutil.copytree(
                paintings(name, Painted(**options)), tmp_path / name, dirs_exist_ok=True
            )
        )

    return write


@contextmanager
def _running(server: PageServer) -> Iterator[None]:
    thread = Thread(target=server.run)
    thread.start()
    try:
        yield
    finally:
        server.stop()
        thread.join()


@pytest.fixture
def serve_application() -> Iterator[Callable[[ASGIApp], str]]:
    """Serve an application until the test ends, at the address that is returned."""
    with ExitStack() as stack:

        def serve(served: ASGIApp) -> str:
            server = PageServer(served)
            stack.enter_context(_running(server))
            return server.address

        yield serve


@pytest.fixture
def served(serve_application: Callable[[ASGIApp], str]) -> Serve:
    """Serve a desk until the test ends."""
    return lambda desk: Client(serve_application(application(desk)))


@pytest.fixture
def question_desk(painted: Callable[..., Path], tmp_path: Path) -> QuestionDesk:
    """Questions about a painted knee with two planes, in which nothing was measured."""
    study = workflow.read(painted(planes=("coronal", "sagittal")))
    questions = CaseQuestions(visit_images(Visit.BASELINE, study, Side.RIGHT), None)
    return QuestionDesk(questions, tmp_path / "case" / "answers.toml")


@pytest.fixture(scope="session")
def launched() -> Iterator[Callable[[], Browser]]:
    """A real browser, Debian's package, driven from outside; another one if it has crashed."""
    if not CHROMIUM.exists():
        pytest.skip(f"{CHROMIUM.name} is not installed (apt-get install {CHROMIUM.name})")
    with sync_playwright() as playwright:
        browsers: list[Browser] = []

        def launch() -> Browser:
            if not browsers or not browsers[-1].is_connected():
                browsers.append(
                    playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
                )
            return browsers[-1]

        yield launch


@pytest.fixture
def browser(launched: Callable[[], Browser]) -> Browser:
    """The browser of this session: its crash is a fault of one test, not of all that follow."""
    return launched()


@pytest.fixture(scope="session")
def windows() -> list[BrowserContext]:
    """The window that tests share, once one was opened and unless it has crashed."""
    return []


@pytest.fixture
def window(browser: Browser, windows: list[BrowserContext]) -> BrowserContext:
    """A window of the browser, whose first tab stays open.

    The tabs it opens are drawn by its process: to start one takes longer than most tests.
    """
    if not windows or windows[0].browser is not browser:
        opened = browser.new_context(viewport={"width": 1280, "height": 800})
        opened.set_default_timeout(PATIENCE_S * 1000)
        opened.new_page().on("crash", lambda _: windows.clear())
        windows[:] = [opened]
    return windows[0]


@pytest.fixture
def page(window: BrowserContext) -> Iterator[Page]:
    """A fresh tab without memory of earlier ones, in which a script error fails the test."""
    first = window.pages[0]
    with first.expect_popup() as opened:
        first.evaluate("() => void window.open('about:blank')")
    page = opened.value
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    yield page
    for tab in window.pages[1:]:
        tab.close()
    window.new_cdp_session(first).send(
        "Storage.clearDataForOrigin", {"origin": "*", "storageTypes": "all"}
    )
    assert errors == []


@pytest.fixture
def open_window(browser: Browser) -> Iterator[Callable[..., BrowserContext]]:
    """Open windows that share no memory with others, until the test ends."""
    with ExitStack() as stack:

        def build(**options: Any) -> BrowserContext:
            opened = stack.enter_context(browser.new_context(**options))
            opened.set_default_timeout(PATIENCE_S * 1000)
            return opened

        yield build


@pytest.fixture
def two_knees(
    samples: Path, tmp_path: Path, open_desk: OpenDesk, served: Serve, page: Page
) -> tuple[Desk, Page]:
    """A list of two knees whose landmarks are known, the first of them open."""
    study = samples / "exactly-3mm"
    lines = [f"{name},{study},,{study / 'landmarks.json'}" for name in ("one", "two")]
    work_list = tmp_path / "list.csv"
    work_list.write_text("knee,study,side,landmarks\n" + "\n".join(lines) + "\n")
    desk = open_desk(work_list)
    page.goto(f"{served(desk).address}#reader=AB")
    expect(page.locator("#list")).to_be_focused()
    page.keyboard.press("Enter")
    begun(page)
    expect(page.locator("#results .value")).to_have_count(2)
    expect(page.locator("#stage")).to_have_attribute("aria-busy", "false")
    return desk, page


def begun(page: Page) -> None:
    """Wait for the first slice and for what is proposed or was set on it."""
    page.wait_for_selector("#stage[data-drawn]")
    expect(page.locator("#slice-why")).not_to_contain_text("The program is looking")


@pytest.fixture
def shown(page: Page) -> Show:
    """Open the page of a server as a reader and wait for the first slice and what was set on it."""

    def show(client: Client, *, tab: Page = page, reader: str = "AB") -> Page:
        tab.goto(f"{client.address}#reader={reader}")
        begun(tab)
        return tab

    return show
