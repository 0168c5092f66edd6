"""Meniscal extrusion in millimetres from a knee MRI: a measurement aid, not a diagnosis."""

__version__ = "0.1.0"
