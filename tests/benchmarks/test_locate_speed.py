"""Time of each stage from files to a reading without landmarks, beside the time of reading pixels.

Measured, not asserted: `pytest tests/benchmarks/test_locate_speed.py --benchmark-only`.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from meniscal_measure.locate.margins import find_margins
from meniscal_measure.locate.propose import Proposal, around, propose
from meniscal_measure.locate.survey import survey
from meniscal_measure.series.choose import choose_coronal
from meniscal_measure.series.model import Stack
from meniscal_measure.series.pixels import read_pixels
from meniscal_measure.series.scan import open_study
from meniscal_measure.workflow import measure
from meniscal_measure.workshop.knees.recipe import parse_recipe
from meniscal_measure.workshop.knees.study import write_study

pytestmark = pytest.mark.benchmark(group="from files to a proposed reading, 30 slices of 320 x 320")

RECIPE = {
    "name": "thirty",
    "seed": 1,
    "knee": {"side": "right"},
    "series": [
        {
            "plane": "coronal",
            "protocol": "pd_tse_fs",
            "slices": 30,
            "rows": 320,
            "columns": 320,
            "row_spacing_mm": 0.5,
            "column_spacing_mm": 0.5,
            "thickness_mm": 2.5,
            "spacing_mm": 2.8,
        }
    ],
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a knee of thirty slices."""
    target = tmp_path_factory.mktemp("thirty") / "study"
    write_study(parse_recipe(RECIPE), target)
    return target


@pytest.fixture(scope="module")
def stack(folder: Path) -> Stack:
    """Give its coronal stack."""
    return choose_coronal(open_study(folder)).stack


def test_pixels_are_read(benchmark: BenchmarkFixture, stack: Stack) -> None:
    """The read time that the others stand beside."""
    assert benchmark(read_pixels, stack).shape == (30, 320, 320)


def test_every_slice_is_surveyed(benchmark: BenchmarkFixture, stack: Stack) -> None:
    grids, pixels = [frame.grid for frame in stack.frames], read_pixels(stack)
    assert len(benchmark(survey, grids, pixels).measurable) == 30


def test_margins_are_looked_at_closely(benchmark: BenchmarkFixture, stack: Stack) -> None:
    grids, pixels = [frame.grid for frame in stack.frames], read_pixels(stack)
    seen, chosen = survey(grids, pixels), around(15, 30)
    assert len(benchmark(find_margins, grids, pixels, seen, chosen)) == 2 * len(chosen)


def test_slice_and_landmarks_are_proposed(benchmark: BenchmarkFixture, stack: Stack) -> None:
    proposal = benchmark(propose, stack, read_pixels(stack))
    assert isinstance(proposal, Proposal), proposal


def test_the_whole_way_from_files_to_a_reading(benchmark: BenchmarkFixture, folder: Path) -> None:
    assert benchmark(measure, folder).reading.proposal_confidence
