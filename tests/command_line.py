"""The commands as a user types them."""

from __future__ import annotations

from typer.testing import CliRunner, Result

from meniscal_measure.cli import app


def run(*words: object) -> Result:
    """Run `meniscal-measure` with these words."""
    return CliRunner().invoke(app, [str(word) for word in words])
