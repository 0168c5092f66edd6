"""Applying a threshold again gives what measuring again would have given."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.caliper.reading import Conventions, ThresholdRule
from meniscal_measure.cohort.redecide import with_threshold
from meniscal_measure.cohort.task import Record
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.series.model import Study
from meniscal_measure.workflow import measure, read


@pytest.fixture(scope="module")
def study(samples: Path) -> Study:
    """A study of the samples, and its landmarks beside it."""
    return read(samples / "exactly-3mm")


def measured(study: Study, conventions: Conventions) -> Record:
    """Measure with neighbours and lay out, but for the time of it."""
    landmarks = Path(study.path) / "landmarks.json"
    knee = measure(study, landmarks=landmarks, conventions=conventions)
    return reading_to_dict(knee.reading) | {"measured_at": ""}


@given(threshold_mm=st.floats(0.0, 10.0), rule=st.sampled_from(ThresholdRule))
def test_another_threshold_equals_measuring_again(
    study: Study, threshold_mm: float, rule: ThresholdRule
) -> None:
    conventions = Conventions(threshold_mm=threshold_mm, threshold_rule=rule)
    before = measured(study, Conventions())
    assert with_threshold(before, conventions) == measured(study, conventions)


def test_the_given_record_is_left_as_it_was(study: Study) -> None:
    before = measured(study, Conventions())
    with_threshold(before, Conventions(threshold_mm=0.1))
    assert before == measured(study, Conventions())
