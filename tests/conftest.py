"""Fixtures every room's tests may use: the sample series and the real study, where present."""

from __future__ import annotations

import gc
import hashlib
import io
import os
import pickle
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, cast

import pytest
from hypothesis import settings
from PIL import Image

if TYPE_CHECKING:
    from meniscal_measure.locate.frames import Image as Pictures

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


@pytest.fixture(scope="session", autouse=True)
def each_image_is_seen_once(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[None]:
    """Run a network on the same images once: tests propose landmarks on the same few knees.

    What it gave is kept in a file, for the other processes that run tests. Benchmarks run it anew.
    """
    if request.config.getoption("benchmark_only", default=False):
        yield
        return
    from meniscal_measure.locate import networks

    run, folder = networks.run, tmp_path_factory.getbasetemp()
    if hasattr(request.config, "workerinput"):
        folder = folder.parent  # of all processes of this run
    folder = folder / "networks"
    folder.mkdir(exist_ok=True)

    def run_once(name: str, pictures: Pictures) -> networks.Outputs:
        seen = hashlib.sha256(f"{name} {pictures.shape} ".encode() + pictures.tobytes())
        kept = folder / seen.hexdigest()
        if not kept.exists():
            part = folder / f"{kept.name}.{os.getpid()}.{threading.get_ident()}"
            part.write_bytes(pickle.dumps(run(name, pictures)))
            part.replace(kept)
        return cast(networks.Outputs, pickle.loads(kept.read_bytes()))

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(networks, "run", run_once)
        yield


Blank = Callable[[pytest.MonkeyPatch], None]


@pytest.fixture(scope="session")
def blank_pictures() -> Blank:
    """Save blank pictures, as drawing takes most of the time; what they hold is tested in report/.

    The command line and archives are tested by what they say and record.
    """
    from meniscal_measure.report import save

    blank = io.BytesIO()
    Image.new("RGB", (8, 8)).save(blank, format="PNG")

    def act(patched: pytest.MonkeyPatch) -> None:
        for name, content in {
            "png_bytes": blank.getvalue(),
            "svg_bytes": b"",
            "pdf_bytes": b"",
            "report_pdf": b"%PDF-1.4",
        }.items():
            patched.setattr(save, name, lambda *_, content=content: content)

    return act


@pytest.fixture
def without_pictures(blank_pictures: Blank, monkeypatch: pytest.MonkeyPatch) -> None:
    """Save blank pictures in this test."""
    blank_pictures(monkeypatch)


def pytest_sessionstart() -> None:
    """Import and collect without looking for garbage, which takes half of that time."""
    gc.disable()


def pytest_collection_finish() -> None:
    """Look for garbage among what the tests make, and not in all that was imported for them."""
    gc.freeze()
    gc.enable()


def pytest_xdist_auto_num_workers() -> int:
    """Run two tests on each core: those of pages and servers wait for half of their time."""
    return (os.cpu_count() or 2) * 2


LONGEST = ("notebooks/", "tests/exchange/test_servers.py")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest tests, so that no core waits for one at the end."""
    items.sort(key=lambda item: not item.nodeid.startswith(LONGEST))
