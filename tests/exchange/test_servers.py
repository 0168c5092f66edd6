"""Runs `servers/` in a network namespace of its own: those servers listen on every address."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

UNCLOSED = "-W ignore::pytest.PytestUnraisableExceptionWarning"
"""pynetdicom leaves the socket of a refused connection to the garbage collector."""
PROGRAMS = ("unshare", "ip", "openssl", "Orthanc", "/usr/bin/dcmqrscp", "/usr/bin/storescp")


def test_against_real_archive_servers() -> None:
    missing = [program for program in PROGRAMS if shutil.which(program) is None]
    if missing:
        pytest.skip(f"not on this machine: {', '.join(missing)}")
    if os.geteuid() != 0:
        pytest.skip("only root may make a network namespace")
    tests = Path(__file__).parent / "servers"
    pytest_here = f"{sys.executable} -m pytest -q -p no:cacheprovider {UNCLOSED} {tests}"
    done = subprocess.run(
        ["unshare", "--net", "--mount", "bash", "-c", f"ip link set lo up && {pytest_here}"],
        env=os.environ | {"ARCHIVE_SERVERS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    print(done.stdout)
    assert done.returncode == 0, done.stdout + done.stderr
