"""A stack that the networks were not trained on."""

from pathlib import Path

import pytest

from meniscal_measure.workshop.training.heldout import make_stack

SEED = 300_013
"""Of a small stack: few slices and pixels."""


@pytest.fixture(scope="session")
def held_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write one held-out stack, which no test changes."""
    return make_stack(tmp_path_factory.mktemp("held"), SEED)
