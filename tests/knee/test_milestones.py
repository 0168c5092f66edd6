"""The time line of a case, and milestones that yield to the surgeon's protocol."""

from __future__ import annotations

from datetime import date

import pytest

from meniscal_measure.errors import InputError
from meniscal_measure.knee.answers import answers_from
from meniscal_measure.knee.milestones import time_line, time_line_part, usual_plan
from meniscal_measure.workflow.case_follow_up import dated_part

OPERATION = date(2026, 2, 2)


def test_the_usual_milestones_say_that_they_have_no_source() -> None:
    protocol = usual_plan()
    assert "common practice, no source" in protocol.basis
    assert "takes precedence" in protocol.basis


def test_weeks_are_counted_from_the_operation() -> None:
    line = {entry.what: entry for entry in time_line({}, OPERATION, usual_plan())}
    assert line["crutches weaned off"].first == date(2026, 3, 16)
    assert line["crutches weaned off"].last == date(2026, 3, 30)


def own_plan(*weeks: float) -> dict[str, object]:
    milestone = {"name": "full weight", "from_week": weeks[0], "to_week": weeks[1]}
    return {
        "case": {"repair_date": OPERATION},
        "plan": {"basis": "my own", "milestone": [milestone]},
    }


def test_the_surgeons_protocol_replaces_the_usual_one() -> None:
    part = dated_part(answers_from(own_plan(4, 5), "answers.toml"), {})
    assert "2026-03-02 to 2026-03-09: full weight (planned)" in part.remarks
    assert "Milestones: my own." in part.remarks
    assert not any("crutches" in remark for remark in part.remarks)


def test_without_an_operation_nothing_is_planned() -> None:
    part = time_line_part({"baseline MRI": date(2026, 1, 10)}, None, usual_plan())
    assert part.remarks[0] == "2026-01-10: baseline MRI"
    assert part.gaps == ("The day of the operation is not given, so no milestone is shown.",)


def test_a_follow_up_before_the_baseline_is_refused() -> None:
    events = {"baseline MRI": date(2026, 3, 1), "follow-up MRI": date(2026, 2, 1)}
    with pytest.raises(InputError, match="was before the baseline"):
        time_line(events, None, usual_plan())


def test_a_milestone_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(InputError, match="'full weight' ends before it begins"):
        answers_from(own_plan(5, 4), "answers.toml")
