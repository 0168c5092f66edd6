"""What is found on a stack stands beside the truth, row by row."""

from pathlib import Path

import numpy as np
import pytest

from meniscal_measure.workshop.training.evaluate import (
    AS_IS,
    CORRUPTED,
    MARGIN_COLUMNS,
    STACK_COLUMNS,
    jobs,
    row_of,
)
from meniscal_measure.workshop.training.foreign import KINDS
from meniscal_measure.workshop.training.heldout import WORLD


def test_each_stack_is_looked_at_twice_and_each_foreign_kind_comes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / f"{name}.npz").touch()
    listed = list(jobs([tmp_path], 3))
    assert [kind for _, kind in listed[:4]] == [AS_IS, CORRUPTED] * 2
    assert [kind for _, kind in listed[4:]] == [kind for kind in KINDS for _ in range(3)]


def test_a_row_holds_facts_and_errors_of_both_margins(held_out: Path) -> None:
    world, kind, stack, margins = row_of((held_out, AS_IS))
    assert (world, kind) == (WORLD, AS_IS)
    assert stack.shape == (len(STACK_COLUMNS),)
    assert abs(stack[STACK_COLUMNS.index("slice_error")]) <= 1
    assert margins.shape == (2, len(MARGIN_COLUMNS))
    errors = margins[:, [MARGIN_COLUMNS.index(f"error_{name}") for name in ("rim", "outer_edge")]]
    assert np.abs(errors).max() < 1.5


@pytest.mark.parametrize("kind", ["noise"])
def test_a_foreign_input_has_facts_and_no_errors(kind: str, held_out: Path) -> None:
    _, _, stack, margins = row_of((held_out, kind))
    assert not np.isnan(stack[:-1]).any()
    assert np.isnan(margins).all()
