"""Meniscal extrusion in millimetres from a knee MRI: a measurement aid, not a diagnosis.

Three lines from a folder to a reading::

    import meniscal_measure

    study = meniscal_measure.read("study-folder")
    reading = meniscal_measure.measure(study, landmarks="landmarks.json")
    reading.save("out")
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from meniscal_measure.workflow import KneeReading, measure, read

__version__ = "0.1.0"

__all__ = ["KneeReading", "__version__", "measure", "read"]


def __getattr__(name: str) -> Any:
    # The workflow pulls in the imaging libraries; `--help` must not wait for them.
    if name in __all__:
        return getattr(import_module("meniscal_measure.workflow"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
