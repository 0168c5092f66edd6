"""What a command loads before it has anything to do: waiting for help is waiting for imports."""

from __future__ import annotations

import subprocess
import sys

HEAVY = ("numpy", "scipy", "pydicom", "skimage", "matplotlib", "onnxruntime", "reportlab", "pypdf",
         "jinja2", "starlette", "uvicorn", "pandas", "distributed", "torch", "msgspec",
         "sqlite3")  # fmt: skip

PROGRAM = """
import sys
from meniscal_measure.cli import app
sys.argv = ["meniscal-measure", *{arguments}]
try:
    app()
except SystemExit:
    pass
print("loaded:", *(name for name in {heavy} if name in sys.modules))
"""


def loaded_by(*arguments: str) -> list[str]:
    """The heavy libraries that are in memory after a command."""
    program = PROGRAM.format(arguments=list(arguments), heavy=HEAVY)
    run = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, check=True, encoding="utf-8"
    )
    return run.stdout.rsplit("loaded:", 1)[1].split()


def test_help_and_version_load_no_library_that_computes_draws_or_serves() -> None:
    assert loaded_by("--help") == []
    assert loaded_by("measure", "--help") == []
    assert loaded_by("cohort", "--help") == []
    assert loaded_by("review", "--help") == []
    assert loaded_by("--version") == []
