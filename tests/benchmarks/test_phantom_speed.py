"""How fast synthetic slices are made, in processor time of one core. Measured, not asserted."""

from __future__ import annotations

import time

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.scanner.acquire import Scanner, scan
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, ProtocolName
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee

pytestmark = pytest.mark.benchmark(timer=time.process_time)


def test_one_scanned_slice_of_256_pixels(benchmark: BenchmarkFixture) -> None:
    knee = SyntheticKnee(KneeParameters())
    plan = StackPlan(StackPlane.CORONAL, 1, 256, 256, 0.55, 0.55, 3.0, 3.0)
    protocol = PROTOCOLS[ProtocolName.PD_TSE_FS]
    benchmark(scan, knee, plan, protocol, scanner=Scanner(), seeds=(1, 1))
