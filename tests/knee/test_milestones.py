"""The time line of a case, and milestones that yield to the surgeon's protocol."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from meniscal_measure.errors import InputError, UnreadableFileError
from meniscal_measure.knee.milestones import read_plan, time_line, time_line_part

OPERATION = date(2026, 2, 2)


def test_the_usual_milestones_say_that_they_have_no_source() -> None:
    protocol = read_plan()
    assert "common practice, no source" in protocol.basis
    assert "takes precedence" in protocol.basis


def test_weeks_are_counted_from_the_operation() -> None:
    line = {entry.what: entry for entry in time_line({}, OPERATION, read_plan())}
    assert line["crutches weaned off"].first == date(2026, 3, 16)
    assert line["crutches weaned off"].last == date(2026, 3, 30)


def test_the_surgeons_protocol_replaces_the_usual_one(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text(
        'basis = "my own"\n[[milestone]]\nname = "full weight"\nfrom_week = 4\nto_week = 5\n'
    )
    part = time_line_part({}, OPERATION, read_plan(file))
    assert "2026-03-02 to 2026-03-09: full weight (planned)" in part.remarks
    assert "Milestones: my own." in part.remarks
    assert not any("crutches" in remark for remark in part.remarks)


def test_without_an_operation_nothing_is_planned() -> None:
    part = time_line_part({"baseline MRI": date(2026, 1, 10)}, None, read_plan())
    assert part.remarks[0] == "2026-01-10: baseline MRI"
    assert part.gaps == ("The day of the operation is not given, so no milestone is shown.",)


def test_a_follow_up_before_the_baseline_is_refused() -> None:
    events = {"baseline MRI": date(2026, 3, 1), "follow-up MRI": date(2026, 2, 1)}
    with pytest.raises(InputError, match="was before the baseline"):
        time_line(events, None, read_plan())


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("basis = 3", "is no protocol of milestones"),
        ("basis = 'x'\n[[milestone]]\nname = 'a'\nfrom_week = 5\nto_week = 4", "ends before"),
        ("not toml", "is no protocol of milestones"),
    ],
)
def test_a_broken_protocol_is_refused(tmp_path: Path, text: str, why: str) -> None:
    file = tmp_path / "own.toml"
    file.write_text(text)
    with pytest.raises(UnreadableFileError, match=why):
        read_plan(file)
