"""Commands are tested by what they say and record; what pictures hold is tested in tests/report."""

from __future__ import annotations

import pytest

from meniscal_measure.report import save

DRAWN = ("png_bytes", "svg_bytes", "pdf_bytes", "report_pdf")


@pytest.fixture
def without_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Write empty pictures, which take most of the time of a measurement from a landmark file."""
    for name in DRAWN:
        monkeypatch.setattr(save, name, lambda *_: b"")
