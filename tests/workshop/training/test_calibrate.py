"""Standard deviations are fitted so that intervals hold on worlds of any precision."""

from pathlib import Path

import numpy as np
import pytest

from meniscal_measure.workshop.training.calibrate import (
    COVERAGE,
    SIGNS,
    WIDENED,
    World,
    fitted,
    report,
    worlds_in,
)
from meniscal_measure.workshop.training.evaluate import MARGIN_COLUMNS

COUNT = 600


def a_world(name: str, seed: int, factor: float) -> World:
    """Errors whose true standard deviation is `factor` times the spread of the augmentations."""
    rng = np.random.default_rng(seed)
    spread = rng.uniform(0.2, 1.5, (COUNT, 3))
    other = rng.uniform(0.2, 1.5, (2, COUNT, 3))
    errors = factor * spread * rng.normal(size=spread.shape)
    return World(name, errors, np.stack([other[0], spread, other[1]]))


def test_intervals_hold_on_the_worlds_fitted_to() -> None:
    worlds = [a_world("one", 1, 2.0), a_world("another", 2, 2.0)]
    factors = fitted(worlds)
    for world in worlds:
        assert COVERAGE - 0.02 < world.held(factors).mean() < COVERAGE + 0.05


def test_the_sign_that_errors_follow_gets_the_weight() -> None:
    factors = fitted([a_world("one", 3, 2.0)])
    spread = 1 + SIGNS.index("spread")
    assert factors[spread] / WIDENED == pytest.approx([2.0] * 3, rel=0.15)
    assert (np.delete(factors, spread, axis=0) < 0.5).all()


def test_a_world_that_was_left_out_is_reported_beside_the_fit() -> None:
    lines = list(report([a_world("clear", 4, 0.5), a_world("poor", 5, 3.0)]))
    poor = next(line for line in lines if line.startswith("poor"))
    together, alone = (float(part.rsplit(" ", 1)[1]) for part in poor.split(",")[1:])
    assert together > 0.85
    assert alone < 0.5


def test_a_table_gives_its_worlds_and_leaves_out_what_has_no_truth(tmp_path: Path) -> None:
    margins = np.random.default_rng(6).normal(size=(4, 2, len(MARGIN_COLUMNS)))
    margins[3] = np.nan
    np.savez(
        tmp_path / "table.npz",
        worlds=["a", "a", "b", "b"],
        kinds=["as it is", "corrupted", "as it is", "noise"],
        margins=margins,
        margin_columns=MARGIN_COLUMNS,
    )
    worlds = list(worlds_in(tmp_path / "table.npz"))
    assert [world.name for world in worlds] == ["a, as it is", "a, corrupted", "b, as it is"]
    expected = margins[0][:, MARGIN_COLUMNS.index("error_rim")]
    assert worlds[0].errors_mm[:, 0] == pytest.approx(expected)
