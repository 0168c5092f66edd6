"""Inputs that are no measurable coronal knee are declined; one of each kind, fixed."""

from pathlib import Path

import numpy as np
import pytest

from meniscal_measure.locate.propose import Proposal, propose
from meniscal_measure.workshop.training import foreign
from meniscal_measure.workshop.training.foreign import KINDS, VOID, Images, counts, judge, replaced
from meniscal_measure.workshop.training.worlds import Known


@pytest.mark.parametrize("kind", KINDS)
def test_it_is_made_of_pictures_and_declined(
    kind: str, held_out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(foreign, "SLICES", 3)
    make, made = KINDS[kind], []

    def kept(rng: np.random.Generator, stack: Known) -> Images:
        made.append(make(rng, stack))
        return made[0]

    monkeypatch.setitem(KINDS, kind, kept)
    name, declined, _ = judge((1, kind, held_out))
    assert name == kind
    assert declined
    (pixels,) = made
    assert pixels.ndim == 3
    assert pixels.min() >= 0
    assert pixels.max() > pixels.min()


def test_the_knee_that_is_spoilt_is_not_declined_as_it_is(held_out: Path) -> None:
    held = Known.read(held_out)
    assert isinstance(propose(held.stack, held.pixels, held.side), Proposal)


def test_a_replacement_leaves_hardly_any_signal_in_the_joint(held_out: Path) -> None:
    held = Known.read(held_out)
    corrupted = replaced(np.random.default_rng(1), held)
    changed = corrupted != held.pixels
    assert changed.mean() > 0.02
    assert np.allclose(corrupted[changed], VOID * held.pixels[changed])


def test_the_count_names_every_kind_and_the_sum() -> None:
    judged = [("noise", True, 0.0), ("noise", False, 0.5), ("metal", True, 0.1)]
    lines = list(counts(judged))
    assert "noise: 1 of 2 declined, highest confidence 0.50" in lines
    assert lines[-1] == "all: 2 of 3 declined"
