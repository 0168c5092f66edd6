"""What was signed goes to an archive: once, whole, and without keeping anybody waiting."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import expect
from pydicom.dataset import Dataset
from pynetdicom import evt
from pynetdicom.events import Event
from pynetdicom.sop_class import (  # type: ignore[attr-defined]
    Comprehensive3DSRStorage,
    EncapsulatedPDFStorage,
    GrayscaleSoftcopyPresentationStateStorage,
    SecondaryCaptureImageStorage,
    StudyRootQueryRetrieveInformationModelFind,
)

from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.errors import UsageError
from meniscal_measure.exchange.dimse import DimseArchive
from meniscal_measure.exchange.identity import Archived
from meniscal_measure.records.journal import Signing
from meniscal_measure.review import sending
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.reading_plan import Blinding
from meniscal_measure.review.sending import Destination, Sender, Stage
from meniscal_measure.review.signed_content import Terms
from meniscal_measure.review.signing import reject
from meniscal_measure.review.worklist import Knee, open_worklist
from tests.exchange.listening import lasting_port, listening
from tests.review.conftest import Serve, Show, SignAsShown

# pynetdicom leaves the socket of a refused connection to the garbage collector.
pytestmark = pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <socket.socket:pytest.PytestUnraisableExceptionWarning"
)

STORED = (
    Comprehensive3DSRStorage,
    GrayscaleSoftcopyPresentationStateStorage,
    SecondaryCaptureImageStorage,
    EncapsulatedPDFStorage,
)


@dataclass
class Archive:
    """Stores in memory and lists the reports it holds; breaks off once it holds enough."""

    takes: int = sys.maxsize
    refuses: str = ""
    received: list[Dataset] = field(default_factory=list)

    @property
    def counts(self) -> Counter[str]:
        return Counter(str(one.SOPInstanceUID) for one in self.received)

    def store(self, event: Event) -> int:
        if len(self.received) >= self.takes:
            event.assoc.abort()
            return 0xC000
        if event.dataset.SOPClassUID == self.refuses:
            return 0xA700  # out of resources (DICOM PS3.4 B.2.3)
        self.received.append(event.dataset)
        return 0x0000

    def find(self, event: Event) -> Iterator[tuple[int, Dataset | None]]:
        asked = str(event.identifier.get("SeriesInstanceUID", ""))
        for one in self.received:
            if one.SeriesInstanceUID == asked:
                answer = Dataset()
                answer.QueryRetrieveLevel = "IMAGE"
                answer.SOPInstanceUID = one.SOPInstanceUID
                answer.InstanceNumber = one.InstanceNumber
                yield 0xFF00, answer


@contextmanager
def destination_of(archive: Archive, port: int = 0) -> Iterator[Destination]:
    kinds = (*STORED, StudyRootQueryRetrieveInformationModelFind)
    handlers = [(evt.EVT_C_STORE, archive.store), (evt.EVT_C_FIND, archive.find)]
    with listening(kinds, handlers, port) as peer:
        yield Destination(peer, Archived())


@pytest.fixture
def desk(samples: Path, tmp_path: Path) -> Desk:
    path = samples / "root-tear"
    return Desk(open_worklist(path), tmp_path / "store.sqlite", Terms(Conventions()))


@pytest.fixture
def sender_of(desk: Desk, tmp_path: Path) -> Callable[[Destination], Sender]:
    """Make a sender that sends when asked to, as a program started again would."""

    def make(destination: Destination) -> Sender:
        studies = {knee.name: knee.study for knee in desk.knees}
        return Sender(destination, desk.journal, studies, tmp_path / "sent")

    return make


def signed(desk: Desk, sign_as_shown: SignAsShown) -> Signing:
    place = desk.place("AB", desk.tasks("AB")[0]["id"])
    signing = sign_as_shown(desk, place, desk.begin(place).revision)
    assert isinstance(signing, Signing)
    return signing


def test_what_was_signed_arrives_whole_and_once(
    desk: Desk, sender_of: Callable[[Destination], Sender], sign_as_shown: SignAsShown
) -> None:
    signing = signed(desk, sign_as_shown)
    archive = Archive()
    with destination_of(archive) as destination:
        sender = sender_of(destination)
        assert sender.progress(signing).stage is Stage.WAITING
        assert sender.send_due()
        assert sender.progress(signing).stage is Stage.ARRIVED
        assert sender.send_due()
        assert sender_of(destination).send_due()

    assert sorted(str(one.SOPClassUID) for one in archive.received) == sorted(map(str, STORED))
    (report,) = (one for one in archive.received if one.Modality == "SR")
    assert report.CompletionFlag == "COMPLETE"


def test_what_is_begun_or_rejected_is_never_sent(
    desk: Desk, sender_of: Callable[[Destination], Sender]
) -> None:
    archive = Archive()
    with destination_of(archive) as destination:
        place = desk.place("AB", desk.tasks("AB")[0]["id"])
        draft = desk.begin(place)
        assert sender_of(destination).send_due()
        reject(desk, place, "Other: blurred", draft.revision)
        assert sender_of(destination).send_due()

    assert archive.received == []


@pytest.mark.usefixtures("without_pictures")
def test_a_signature_stands_while_the_archive_is_away_and_is_sent_when_it_is_back(
    desk: Desk, sender_of: Callable[[Destination], Sender], sign_as_shown: SignAsShown
) -> None:
    with destination_of(Archive(), lasting_port()) as destination:
        pass  # gone again
    sender = sender_of(destination)
    signing = signed(desk, sign_as_shown)
    assert not sender.send_due()
    assert sender.progress(signing).stage is Stage.WAITING
    assert "it is tried again" in sender.progress(signing).words
    assert desk.journal.check() == 1

    archive = Archive()
    assert isinstance(destination.peer, DimseArchive)
    with destination_of(archive, destination.peer.port):
        assert sender.send_due()
    assert len(archive.received) == len(STORED)


@pytest.mark.usefixtures("without_pictures")
def test_an_archive_that_closes_midway_gets_the_rest_and_nothing_twice(
    desk: Desk, sender_of: Callable[[Destination], Sender], sign_as_shown: SignAsShown
) -> None:
    signing = signed(desk, sign_as_shown)
    archive = Archive(takes=2)
    with destination_of(archive) as destination:
        broken_off = sender_of(destination)
        assert not broken_off.send_due()
        assert broken_off.progress(signing).stage is Stage.WAITING
        assert "it is tried again" in broken_off.progress(signing).words
        assert len(archive.received) == 2
        archive.takes = sys.maxsize
        again = sender_of(destination)
        assert again.send_due()
        assert again.progress(signing).stage is Stage.ARRIVED

    assert set(archive.counts.values()) == {1}
    assert len(archive.counts) == len(STORED)


@pytest.mark.usefixtures("without_pictures")
def test_what_the_archive_refuses_is_said(
    desk: Desk, sender_of: Callable[[Destination], Sender], sign_as_shown: SignAsShown
) -> None:
    signing = signed(desk, sign_as_shown)
    with destination_of(Archive(refuses=EncapsulatedPDFStorage)) as destination:
        sender = sender_of(destination)
        assert sender.send_due()

    assert sender.progress(signing).stage is Stage.REFUSED
    assert "the archive refused it: status 0xA700" in sender.progress(signing).words


@pytest.mark.usefixtures("without_pictures")
def test_a_reading_signed_again_names_the_report_it_replaces(
    desk: Desk, sender_of: Callable[[Destination], Sender], sign_as_shown: SignAsShown
) -> None:
    archive = Archive()
    with destination_of(archive) as destination:
        signed(desk, sign_as_shown)
        sender_of(destination).send_due()
        place = desk.place("AB", desk.tasks("AB")[0]["id"])
        draft = desk.begin(place)
        state = draft.state.replace('"remark": ""', '"remark": "seen twice"')
        desk.drafts.change(place.draft, draft.revision, state)
        signed(desk, sign_as_shown)
        sender_of(destination).send_due()

    first, second = (one for one in archive.received if one.Modality == "SR")
    study = second.PredecessorDocumentsSequence[0]
    (replaced,) = study.ReferencedSeriesSequence[0].ReferencedSOPSequence
    assert replaced.ReferencedSOPInstanceUID == first.SOPInstanceUID


def test_a_blinded_reading_is_not_sent(samples: Path, tmp_path: Path) -> None:
    knees = [Knee("knee", samples / "root-tear")]
    terms = Terms(Conventions(), Blinding(seed=1))
    with (
        destination_of(Archive()) as destination,
        pytest.raises(UsageError, match=r"A blinded reading is not sent"),
    ):
        Desk(knees, tmp_path / "blind.sqlite", terms, destination=destination)


@pytest.mark.usefixtures("without_pictures")
def test_the_page_says_when_what_was_signed_has_arrived(
    samples: Path,
    tmp_path: Path,
    served: Serve,
    shown: Show,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sending, "FIRST_WAIT_S", 0.1)
    with destination_of(Archive(), lasting_port()) as destination:
        pass  # gone again
    knees = open_worklist(samples / "root-tear")
    terms = Terms(Conventions())
    desk = Desk(knees, tmp_path / "s.sqlite", terms, destination=destination)
    page = shown(served(desk))
    expect(page.locator("#sending")).to_be_hidden()
    page.keyboard.press("Control+Enter")
    expect(page.locator("#signed")).to_contain_text("Signed by AB")
    expect(page.locator("#sending")).to_contain_text("it is tried again")

    archive = Archive()
    assert isinstance(destination.peer, DimseArchive)
    with destination_of(archive, destination.peer.port):
        expect(page.locator("#sending")).to_contain_text("Stored in dicom://ARCHIVE@127.0.0.1")
    assert len(archive.received) == len(STORED)


@pytest.mark.usefixtures("without_pictures")
def test_a_reading_with_a_corrected_side_can_be_sent_and_reported(
    desk: Desk, sender_of: Callable[[Destination], Sender], sign_as_shown: SignAsShown
) -> None:
    place = desk.place("AB", desk.tasks("AB")[0]["id"])
    draft = desk.begin(place)
    known = place.knee.laterality.side
    assert known is not None
    state = draft.state.replace('"side": null', f'"side": "{"L" if known == "R" else "R"}"')
    state = state.replace('"side_reason": ""', '"side_reason": "marker on the film"')
    desk.drafts.change(place.draft, draft.revision, state)
    signing = signed(desk, sign_as_shown)
    archive = Archive()
    with destination_of(archive) as destination:
        sender = sender_of(destination)
        sender.send_due()
        assert sender.progress(signing).words.startswith("Stored in")
    assert len(archive.received) == len(STORED)
