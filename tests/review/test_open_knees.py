"""Proposals in the background: those wanted first, and none for a knee nobody wants any more."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from threading import Event, Thread

import pytest

from meniscal_measure.errors import NothingMeasurableError
from meniscal_measure.review.knee import OpenKnee
from meniscal_measure.review.open_knees import MAX_OPEN, OpenKnees
from meniscal_measure.review.worklist import Knee
from meniscal_measure.series.model import Laterality
from meniscal_measure.series.pixels import StackPixels
from meniscal_measure.workflow.placing import Placed

PATIENCE_S = 60


class Proposer:
    """Declines every knee, one at a time, each when it is let."""

    def __init__(self) -> None:
        self.began: list[str] = []
        self.begun = Event()
        self.go_on = Event()

    def __call__(self, pixels: StackPixels, laterality: Laterality, index: int | None) -> Placed:
        self.began.append(pixels.stack.identity.patient_name)
        self.begun.set()
        assert self.go_on.wait(PATIENCE_S)
        raise NothingMeasurableError("Nothing is proposed.")


@pytest.fixture
def knees(painted: Callable[..., Path]) -> list[Knee]:
    names = [f"K{number:02d}" for number in range(MAX_OPEN + 6)]
    return [Knee(name, painted(name, patient=name, slices=3)) for name in names]


def test_knees_that_were_skipped_are_not_proposed_on(knees: list[Knee]) -> None:
    propose = Proposer()
    opened = OpenKnees(propose)
    opened.want("AB", knees[:3])
    assert propose.begun.wait(PATIENCE_S)
    for at in range(1, 13):  # a reader who skips one knee after the other
        opened.want("AB", knees[at : at + 3])
    propose.go_on.set()
    opened.whole(knees[12])

    assert propose.began[0] == "K00"  # was under way
    assert propose.began[1] == "K12"
    assert "K05" not in propose.began


def test_the_next_two_knees_are_prepared(knees: list[Knee]) -> None:
    propose = Proposer()
    propose.go_on.set()
    opened = OpenKnees(propose)
    opened.want("AB", knees[:3])
    for knee in knees[:3]:
        assert opened.while_wanted("AB", knee) is not None

    assert propose.began == ["K00", "K01", "K02"]
    assert all(opened.at_once(knee).is_complete for knee in knees[:3])


def test_who_waits_for_a_knee_that_is_not_wanted_any_more_is_answered(knees: list[Knee]) -> None:
    propose = Proposer()
    opened = OpenKnees(propose)
    opened.want("AB", knees[:2])
    answers: list[OpenKnee | None] = []
    waiting = Thread(target=lambda: answers.append(opened.while_wanted("AB", knees[1])))
    waiting.start()
    opened.want("AB", knees[2:4])
    waiting.join(PATIENCE_S)

    assert answers == [None]
    propose.go_on.set()


def test_a_knee_is_read_by_hand_while_its_proposal_is_being_made(knees: list[Knee]) -> None:
    propose = Proposer()
    opened = OpenKnees(propose)
    opened.want("AB", knees[:1])
    assert propose.begun.wait(PATIENCE_S)

    assert not opened.at_once(knees[0]).is_complete
    propose.go_on.set()
    assert opened.whole(knees[0]).remark == "Nothing is proposed."


def test_a_fault_while_proposing_is_raised_where_the_knee_is_asked_for(knees: list[Knee]) -> None:
    def propose(pixels: StackPixels, laterality: Laterality, index: int | None) -> Placed:
        raise ZeroDivisionError(pixels.stack.identity.patient_name)

    opened = OpenKnees(propose)
    for knee in knees[:2]:  # the second one too: the thread goes on
        with pytest.raises(ZeroDivisionError, match=knee.name):
            opened.whole(knee)


def test_a_stack_that_is_no_knee_is_not_read_whole(
    knees: list[Knee], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("meniscal_measure.review.knee.MOST_PROPOSED_SLICES", 2)
    propose = Proposer()

    assert "place the landmarks by hand" in OpenKnees(propose).whole(knees[0]).remark
    assert propose.began == []
