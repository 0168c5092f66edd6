"""Fixtures every room's tests may use: the sample series and the real study, where present."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

pytest_plugins = ["tests.handmade_landmarks", "tests.handmade_readings"]

settings.register_profile(
    "no clock",
    deadline=None,  # a loaded machine is no fault
    derandomize="CI" in os.environ,  # a release is checked by the same examples each time
)
settings.load_profile("no clock")

REPOSITORY = Path(__file__).parents[1]
REAL_STUDY = REPOSITORY.parent / "shared" / "real" / "knee-a"


@pytest.fixture(scope="session")
def samples() -> Path:
    """Folder of the shipped sample series."""
    return REPOSITORY / "sample_phantoms"


@pytest.fixture(scope="session")
def real_study() -> Path:
    """A real knee, kept beside the checkout and not part of it."""
    if not REAL_STUDY.is_dir():
        pytest.skip("the real study is not beside this checkout")
    return REAL_STUDY


@pytest.fixture(scope="session")
def real_landmarks() -> Callable[[str], Path]:
    """Landmark files placed by hand on the series of the real study."""
    return lambda series: REPOSITORY / "tests" / "real" / f"knee-a-{series}.landmarks.json"
