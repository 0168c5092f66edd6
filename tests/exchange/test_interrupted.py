"""An archive that closes midway: what arrived stays, the rest follows, nothing goes twice."""

from __future__ import annotations

import sys
from collections import Counter
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from pydicom.dataset import Dataset
from pynetdicom import evt
from pynetdicom.events import Event
from pynetdicom.sop_class import MRImageStorage  # type: ignore[attr-defined]

from meniscal_measure.errors import OutputError
from meniscal_measure.exchange.dimse import DimseArchive
from meniscal_measure.exchange.transfer import SENT, send_once, tries
from tests.exchange.conftest import sample_images
from tests.exchange.listening import listening

AT_ONCE = tries(attempts=1, first_wait_s=0)


@dataclass
class Archive:
    """Stores in memory, and aborts the association once it holds as many as it will take."""

    takes: int
    gives_up_once: bool = False
    received: Counter[str] = field(default_factory=Counter)

    def store(self, event: Event) -> int:
        if sum(self.received.values()) >= self.takes:
            event.assoc.abort()
            if self.gives_up_once:
                self.takes = sys.maxsize
            return 0xC000
        self.received[str(event.dataset.SOPInstanceUID)] += 1
        return 0x0000

    def listening(self) -> AbstractContextManager[DimseArchive]:
        return listening([MRImageStorage], [(evt.EVT_C_STORE, self.store)])


@pytest.fixture
def images() -> list[Dataset]:
    return sample_images()


def test_what_arrived_is_not_sent_again(images: list[Dataset], tmp_path: Path) -> None:
    archive = Archive(takes=4)
    with archive.listening() as peer:
        first = send_once(peer, images, tmp_path, AT_ONCE)
        assert sum(one.arrived for one in first) == 4
        assert all(one.reason for one in first if not one.arrived)
        archive.takes = len(images)
        second = send_once(peer, images, tmp_path, AT_ONCE)
    assert all(one.arrived for one in second)
    assert set(archive.received.values()) == {1}
    assert len(archive.received) == len(images)


def test_what_got_no_answer_is_sent_again_in_a_new_association(
    images: list[Dataset], tmp_path: Path
) -> None:
    archive = Archive(takes=4, gives_up_once=True)
    with archive.listening() as peer:
        sent = send_once(peer, images, tmp_path, tries(attempts=2, first_wait_s=0))
    assert [one for one in sent if not one.arrived] == []
    assert set(archive.received.values()) == {1}


def test_a_complete_transfer_needs_no_archive(images: list[Dataset], tmp_path: Path) -> None:
    archive = Archive(takes=len(images))
    with archive.listening() as peer:
        send_once(peer, images, tmp_path, AT_ONCE)
    assert all(one.arrived for one in send_once(peer, images, tmp_path, AT_ONCE))
    assert set(archive.received.values()) == {1}


@pytest.mark.parametrize("damaged", ["{", "[" * 100_000, "[]", '{"a": 1}'], ids=range(4))
def test_a_damaged_log_is_never_taken_for_an_empty_one(
    images: list[Dataset], tmp_path: Path, damaged: str
) -> None:
    (tmp_path / SENT).write_text(damaged)
    with (
        Archive(takes=0).listening() as peer,
        pytest.raises(OutputError, match="not known what was sent"),
    ):
        send_once(peer, images, tmp_path, AT_ONCE)
