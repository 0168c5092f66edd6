"""Speed of the cohort room. Run with `pytest tests/benchmarks --benchmark-only`."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pydicom
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from meniscal_measure.cohort.agreement.diagnostic import roc_curve
from meniscal_measure.cohort.agreement.flags import flag_agreement
from meniscal_measure.cohort.agreement.kappa import weighted_kappa
from meniscal_measure.cohort.agreement.limits import limits_of_agreement, proportional_bias
from meniscal_measure.cohort.agreement.ratings import ratings_from_rows
from meniscal_measure.cohort.agreement.reliability import intraclass_correlations
from meniscal_measure.cohort.agreement.repeatability import measurement_error
from meniscal_measure.cohort.agreement.repeated import repeated_limits
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.task import Settings, Status, Task, carry_out, measure_knee

ROWS = 100_000


@pytest.mark.benchmark(group="agreement")
def test_agreement_of_a_hundred_thousand_readings(benchmark: BenchmarkFixture) -> None:
    rng = np.random.default_rng(0)
    knees = ROWS // 4
    case, reader = (index.ravel() for index in np.indices((knees, 4)))
    truth = rng.normal(2.7, 1.2, knees)
    values = truth[case] + rng.normal(0, 0.3, ROWS)
    case_names, reader_names = case.astype(str), reader.astype(str)

    def analyse() -> None:
        ratings = ratings_from_rows(case_names, reader_names, values)
        intraclass_correlations(ratings)
        measurement_error(ratings)
        first, second = ratings.values[:, 0], ratings.values[:, 1]
        limits_of_agreement(first, second)
        proportional_bias(first, second)
        repeated_limits(case, values, np.roll(values, 1))
        grades = np.digitize(ratings.values, [2, 3, 5])
        weighted_kappa(grades[:, 0], grades[:, 1], grades=4)
        flag_agreement(first > 3, second > 3)
        roc_curve(values, truth[case] > 3)

    benchmark(analyse)


@pytest.mark.benchmark(group="knee")
def test_a_knee_of_a_run(benchmark: BenchmarkFixture, samples: Path) -> None:
    study = samples / "normal"
    entry = Entry("S1", str(study / "series-1"), landmarks=str(study / "landmarks.json"))
    outcome = benchmark(carry_out, Task(entry, Settings(), b""), measure_knee)
    assert outcome.status is Status.MEASURED


@pytest.mark.benchmark(group="knee")
def test_the_pixels_of_a_knee_read_bare(benchmark: BenchmarkFixture, samples: Path) -> None:
    paths = sorted((samples / "normal" / "series-1").iterdir())
    assert benchmark(lambda: sum(pydicom.dcmread(path).pixel_array.size for path in paths))
