"""How fast synthetic slices are made. Measured, not asserted: run with --benchmark-only."""

from __future__ import annotations

import numpy as np
from pytest_benchmark.fixture import BenchmarkFixture

from meniscal_measure.phantom.knee import Knee
from meniscal_measure.phantom.parameters import KneeParameters
from meniscal_measure.phantom.random_contrast import random_views
from meniscal_measure.phantom.scanner.acquire import Scanner, scan
from meniscal_measure.phantom.scanner.protocols import PROTOCOLS, ProtocolName
from meniscal_measure.phantom.scanner.sampling import StackPlan, StackPlane


def test_a_random_contrast_slice_of_320_pixels_with_its_labels(benchmark: BenchmarkFixture) -> None:
    """At least 20 a second on one core are wanted: a mean below 50 ms."""
    views = random_views(np.random.default_rng(1))
    benchmark(next, views)


def test_a_scanned_slice_of_256_pixels(benchmark: BenchmarkFixture) -> None:
    knee = Knee(KneeParameters())
    plan = StackPlan(StackPlane.CORONAL, 1, 256, 256, 0.55, 0.55, 3.0, 3.0)
    protocol = PROTOCOLS[ProtocolName.PD_TSE_FS]
    benchmark(scan, knee, plan, protocol, scanner=Scanner(), seeds=(1, 1))
