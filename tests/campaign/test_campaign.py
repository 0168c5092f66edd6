"""Mutants of every kind of input are refused, or measured right, or warned of; nothing else.

`python -m tests.campaign.run --count 200000` is the whole campaign; here a short one runs, of as
many mutants as the variable MUTANTS says.
"""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from tests.campaign import images
from tests.campaign.images import ClassicSeries, WrongNumberError, measured_as_the_header_says
from tests.campaign.run import WEIGHTS, campaign

MUTANTS = int(os.environ.get("MUTANTS", "2000"))


@pytest.mark.campaign
@pytest.mark.parametrize("kind", WEIGHTS)
def test_no_mutant_escapes_hangs_or_is_measured_wrong(kind: str) -> None:
    count = max(1, MUTANTS * WEIGHTS[kind] // sum(WEIGHTS.values()))

    tally = campaign(kind, range(count))

    assert tally.escapes == []
    assert tally.hangs == []
    assert tally.count == count


def test_a_wrong_number_would_be_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    series = ClassicSeries(tmp_path)
    measured_as_the_header_says(series.study, tmp_path / "landmarks.json", random.Random(1))
    monkeypatch.setattr(images, "OUTER_EDGE", images.OUTER_EDGE + 0.01)

    with pytest.raises(WrongNumberError, match=r"5\.0 mm for 5\.01"):
        measured_as_the_header_says(series.study, tmp_path / "landmarks.json", random.Random(1))
