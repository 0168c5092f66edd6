"""What a command loads before it has anything to do: waiting for help is waiting for imports."""

from __future__ import annotations

import subprocess
import sys

HEAVY = ("numpy", "scipy", "pydicom", "skimage", "matplotlib", "onnxruntime", "reportlab", "pypdf",
         "jinja2", "starlette", "uvicorn", "pandas", "distributed", "torch", "msgspec",
         "sqlite3")  # fmt: skip

PROGRAM = f"""
import sys
from meniscal_measure.cli import app
for arguments in "--help", "measure --help", "cohort --help", "review --help", "--version":
    sys.argv = ["meniscal-measure", *arguments.split()]
    try:
        app()
    except SystemExit:
        pass
print("loaded:", *(name for name in {HEAVY} if name in sys.modules))
"""


def test_help_and_version_load_no_library_that_computes_draws_or_serves() -> None:
    run = subprocess.run(
        [sys.executable, "-c", PROGRAM], capture_output=True, check=True, encoding="utf-8"
    )

    assert run.stdout.count("Usage:") == 4
    assert run.stdout.rsplit("loaded:", 1)[1].split() == []
