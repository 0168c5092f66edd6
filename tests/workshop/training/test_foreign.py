"""Inputs that are no measurable coronal knee are declined; one of each kind, fixed."""

from pathlib import Path

import numpy as np
import pytest

from meniscal_measure.workshop.training.foreign import KINDS, VOID, counts, judge, replaced
from meniscal_measure.workshop.training.heldout import make_stack
from meniscal_measure.workshop.training.worlds import Known

SEED = 300_013
"""Of a small stack: few slices and pixels."""


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write one held-out stack."""
    return make_stack(tmp_path_factory.mktemp("held"), SEED)


@pytest.mark.parametrize("kind", KINDS)
def test_it_is_declined(kind: str, path: Path) -> None:
    name, declined, _ = judge((1, kind, path))
    assert name == kind
    assert declined


@pytest.mark.parametrize("kind", KINDS)
def test_the_pictures_are_pictures(kind: str, path: Path) -> None:
    pixels = KINDS[kind](np.random.default_rng(2), Known.read(path))
    assert pixels.ndim == 3
    assert pixels.min() >= 0
    assert pixels.max() > pixels.min()


def test_a_replacement_leaves_hardly_any_signal_in_the_joint(path: Path) -> None:
    held = Known.read(path)
    corrupted = replaced(np.random.default_rng(1), held)
    changed = corrupted != held.pixels
    assert changed.mean() > 0.02
    assert np.allclose(corrupted[changed], VOID * held.pixels[changed])


def test_the_count_names_every_kind_and_the_sum() -> None:
    judged = [("noise", True, 0.0), ("noise", False, 0.5), ("metal", True, 0.1)]
    lines = list(counts(judged))
    assert "noise: 1 of 2 declined, highest confidence 0.50" in lines
    assert lines[-1] == "all: 2 of 3 declined"
