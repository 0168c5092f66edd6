"""Examples are held where batches are drawn from, wherever they were made."""

from dataclasses import dataclass
from typing import Any

import pytest

torch = pytest.importorskip("torch")  # only training needs it

from meniscal_measure.workshop.training.replay import Pool  # noqa: E402

ELSEWHERE = torch.device("meta")
"""A device beside the processor that every machine has; it holds shapes and no values."""


@dataclass(frozen=True)
class Example:
    image: Any
    tissue: Any


def test_an_example_of_a_worker_process_is_held_on_the_device_of_the_pool() -> None:
    pool = Pool(8, ELSEWHERE)
    pool.put(Example(torch.ones(2, 3, 4, 4), torch.ones(2, 4, 4)))
    assert pool.held.image.device == pool.held.tissue.device == ELSEWHERE
    assert pool.count == 2
