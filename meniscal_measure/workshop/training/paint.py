"""Filling the synthetic knee with tissue: water and fat signal at every point."""

from __future__ import annotations

from collections.abc import Callable

from torch import Tensor

from meniscal_measure.workshop.training import bone_signal, joint_margin, surroundings
from meniscal_measure.workshop.training.canvas import Canvas, Signal
from meniscal_measure.workshop.training.fields import Draw
from meniscal_measure.workshop.training.knee_batch import Shape

LAYERS: tuple[Callable[[Canvas], None], ...] = (
    surroundings.outer_layers,
    surroundings.popliteal_space,
    surroundings.joint_contents,
    surroundings.cruciates,
    surroundings.fibula,
    surroundings.patella,
    joint_margin.recess,
    joint_margin.bands,
    joint_margin.pockets,
    joint_margin.popliteus,
    joint_margin.film,
    joint_margin.menisci,
    bone_signal.bones,
    bone_signal.tunnels,
    surroundings.skin,
)
"""Painted in this order, each over those before it."""


def paint(draw: Draw, shape: Shape, signal: Signal) -> tuple[Tensor, Tensor]:
    """Water and fat signal of the knee, each (batch, slice, row, column)."""
    canvas = Canvas(draw, shape, signal)
    for layer in LAYERS:
        layer(canvas)
    return canvas.water, canvas.fat
