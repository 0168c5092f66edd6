"""Fixtures every room's tests may use: the sample series and the real study, where present."""

from __future__ import annotations

import gc
import io
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings
from PIL import Image

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


@pytest.fixture
def without_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Save blank pictures, as drawing takes most of the time; what they hold is tested in report/.

    The command line and archives are tested by what they say and record.
    """
    from meniscal_measure.report import save

    blank = io.BytesIO()
    Image.new("RGB", (8, 8)).save(blank, format="PNG")
    for name, content in {
        "png_bytes": blank.getvalue(),
        "svg_bytes": b"",
        "pdf_bytes": b"",
        "report_pdf": b"%PDF-1.4",
    }.items():
        monkeypatch.setattr(save, name, lambda *_, content=content: content)


def pytest_sessionstart() -> None:
    """Import and collect without looking for garbage, which takes half of that time."""
    gc.disable()


def pytest_collection_finish() -> None:
    """Look for garbage among what the tests make, and not in all that was imported for them."""
    gc.freeze()
    gc.enable()


def pytest_xdist_auto_num_workers() -> int:
    """Run three tests on two cores: those of pages and servers wait for half of their time."""
    return (os.cpu_count() or 2) * 3 // 2


LONGEST = ("notebooks/", "tests/exchange/test_servers.py")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest tests, so that no core waits for one at the end."""
    items.sort(key=lambda item: not item.nodeid.startswith(LONGEST))
