"""The program's own proposals, where the package they need is installed."""

from __future__ import annotations

from importlib.util import find_spec

from meniscal_measure.caliper.landmarks import LandmarkSet
from meniscal_measure.errors import NothingMeasurableError
from meniscal_measure.review.knee import Propose
from meniscal_measure.series.model import Laterality, Stack
from meniscal_measure.series.pixels import read_pixels

NEEDED_PACKAGE = "onnxruntime"


def locator() -> Propose | None:
    """Return what proposes landmarks; None where the package it needs is not installed."""
    return _located if find_spec(NEEDED_PACKAGE) is not None else None


def _located(stack: Stack, laterality: Laterality) -> LandmarkSet:
    from meniscal_measure.locate.propose import propose

    proposal = propose(stack, read_pixels(stack), laterality.side)
    if proposal.landmarks is None:
        raise NothingMeasurableError(f"Nothing is proposed: {proposal.reason}")
    return proposal.landmarks
