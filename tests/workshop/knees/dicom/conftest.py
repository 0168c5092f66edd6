"""A small stack of random pixels and the study it belongs to."""

from __future__ import annotations

import numpy as np
import pytest

from meniscal_measure.anatomy import Side
from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity, study_identity, uid_for
from meniscal_measure.workshop.knees.scanner.image import ScannedStack
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, ProtocolName
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane, stack_grids


def stack_of(name: ProtocolName) -> ScannedStack:
    plan = StackPlan(
        StackPlane.CORONAL, 3, 64, 80, 0.5, 0.4, 3.0, 3.3, (3.0, -4.0, 5.0), (5.0, -7.0, 9.0)
    )
    pixels = np.random.default_rng(3).integers(0, 4096, (3, 64, 80)).astype(np.uint16)
    labels = np.zeros_like(pixels, dtype=np.uint8)
    return ScannedStack(pixels, labels, stack_grids(plan), plan, PROTOCOLS[name], 3.0, (50, 80))


@pytest.fixture
def stack() -> ScannedStack:
    """A spin-echo stack."""
    return stack_of(ProtocolName.IW_TSE)


@pytest.fixture(params=ProtocolName)
def any_stack(request: pytest.FixtureRequest) -> ScannedStack:
    """A stack under each protocol."""
    return stack_of(request.param)


@pytest.fixture(params=[Side.RIGHT, Side.LEFT])
def identity(request: pytest.FixtureRequest) -> SeriesIdentity:
    """A series of a right, and of a left, knee."""
    study = study_identity("test", 1, request.param)
    return SeriesIdentity(study, uid_for("test series"), 2, "COR IW TSE")


@pytest.fixture
def right_identity() -> SeriesIdentity:
    """A series of a right knee."""
    study = study_identity("test", 1, Side.RIGHT)
    return SeriesIdentity(study, uid_for("test series"), 2, "COR IW TSE")
