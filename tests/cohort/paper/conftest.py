"""A store with a small reader study of two visits, some of it gone wrong."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from meniscal_measure.cohort.run import Job, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Measure, carry_out
from tests.cohort.conftest import knees_in


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory, measure: Measure) -> Iterator[Store]:
    """Ten knees, two visits, readers A and B, A twice; one refused, two excluded."""
    folder = tmp_path_factory.mktemp("study")
    make_knee = knees_in(folder / "images")
    rng = np.random.default_rng(100)
    entries = []
    for number in range(10):
        for visit in ("1", "2"):
            truth = 1.0 + 0.45 * number + (0.4 + number / 10) * (visit == "2")
            for reader, repeat in (("A", 1), ("B", 1), ("A", 2)):
                knee = make_knee(
                    f"S{number:02d}{reader}{repeat}",
                    visit=visit,
                    extrusion_mm=truth + rng.normal(0, 0.2) + 0.1 * (reader == "B"),
                )
                entries.append(
                    replace(knee, subject=f"S{number:02d}", reader=reader, repeat=repeat)
                )
    entries.append(make_knee("BAD", refuse="PixelData is cut short: <truncated>."))
    entries.append(replace(make_knee("OUT1"), exclude="claustrophobia"))
    entries.append(replace(make_knee("OUT2"), exclude="claustrophobia"))
    path = folder / "cohort.sqlite"
    run_cohort(entries, Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as opened:
        yield opened
