"""A stack that the networks were not trained on."""

from dataclasses import replace
from pathlib import Path

import pytest

from meniscal_measure.workshop.training.heldout import make_stack
from meniscal_measure.workshop.training.worlds import Known

SEED = 300_013
"""Of a small stack: few slices and pixels."""


@pytest.fixture(scope="session")
def held_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the middle slices of one held-out stack, which no test changes."""
    whole = Known.read(make_stack(tmp_path_factory.mktemp("held"), SEED))
    near = slice(whole.middle - 1, whole.middle + 2)
    truth = {**whole.truth, "landmarks": whole.truth["landmarks"][near]}
    return replace(whole, grids=whole.grids[near], pixels=whole.pixels[near], truth=truth).write()
