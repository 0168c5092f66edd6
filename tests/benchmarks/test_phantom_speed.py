"""How fast synthetic slices are made, in processor time of one core. Measured, not asserted."""

from __future__ import annotations

import time
from itertools import islice

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from meniscal_measure.workshop.knees.knee import Knee
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.random_contrast import USUAL, random_views
from meniscal_measure.workshop.knees.scanner.acquire import Scanner, scan
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, ProtocolName
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane

pytestmark = pytest.mark.benchmark(timer=time.process_time)


def test_all_random_views_of_one_slice(benchmark: BenchmarkFixture) -> None:
    """Eight slices of 320 x 320 with labels; at least 20 a second are wanted: below 400 ms."""
    views = random_views(np.random.default_rng(1))
    benchmark(lambda: list(islice(views, USUAL.views_per_slice)))


def test_one_scanned_slice_of_256_pixels(benchmark: BenchmarkFixture) -> None:
    knee = Knee(KneeParameters())
    plan = StackPlan(StackPlane.CORONAL, 1, 256, 256, 0.55, 0.55, 3.0, 3.0)
    protocol = PROTOCOLS[ProtocolName.PD_TSE_FS]
    benchmark(scan, knee, plan, protocol, scanner=Scanner(), seeds=(1, 1))
