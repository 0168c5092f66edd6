"""One slice in one frame: the image at true aspect ratio with the marks of a reading on it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from meniscal_measure.anatomy import Landmark
from meniscal_measure.caliper.reading import CompartmentReading
from meniscal_measure.geometry import FloatArray, PixelGrid, orientation_letters
from meniscal_measure.report.fonts import FONT
from meniscal_measure.report.images import PixelArray
from meniscal_measure.report.ink import halo, ink_for
from meniscal_measure.report.marks import Marks, plane_extent_mm
from meniscal_measure.report.view import View
from meniscal_measure.report.window import display_window

EDGE = 0.02
"""Distance of letters and scale bar from the frame, as a fraction of it."""


LETTERS_Y = 0.88
"""Height of the letters at the left and right border: above the joint line and its leader lines."""


def show_slice(axes: Axes, pixels: PixelArray, grid: PixelGrid) -> None:
    """Draw the slice, in millimetres, so that rectangular pixels keep their true shape."""
    low, high = display_window(pixels)
    axes.imshow(
        np.asarray(pixels, dtype=np.float32), cmap="gray", vmin=low, vmax=high,
        extent=plane_extent_mm(grid), interpolation="bicubic", aspect="equal",
    )  # fmt: skip
    axes.set_facecolor("black")
    axes.set_xticks([])
    axes.set_yticks([])


def look_at(axes: Axes, view: View) -> None:
    """Show this part of the plane."""
    axes.set_xlim(view.left_mm, view.right_mm)
    axes.set_ylim(view.bottom_mm, view.top_mm)


def draw_marks(
    axes: Axes, reading: CompartmentReading, marks: Marks, *, scale: float = 1.0
) -> None:
    """Draw rim line, outer line and caliper; ids such as `medial-caliper` name them in SVG.

    The flag marker sits at the upper end of the outer line, off the meniscus it speaks of.
    `scale` thins the marks for small frames.
    """
    name, ink = reading.compartment.value, ink_for(reading.extrusion)
    for part, line, weight_pt in (
        ("rim-line", marks.rim_line, 0.9),
        ("outer-line", marks.outer_line, 0.6),
    ):
        _line(axes, line, f"{name}-{part}", color="white", lw=scale * weight_pt)
    caliper = {"lw": max(scale, 0.75) * ink.weight_pt, "ls": ink.dashes, "solid_capstyle": "butt"}
    _line(axes, marks.caliper, f"{name}-caliper", color=ink.on_slice, **caliper)
    style = ink.marker(ink.on_slice, ground="black")
    flag = axes.plot(*marks.flag_point, ls="", **style)[0]
    flag.set_markersize(max(scale, 0.6) * style["markersize"])
    flag.set_path_effects(halo(width_pt=2.6))
    flag.set_gid(f"{name}-flag")


def _line(axes: Axes, points: FloatArray, gid: str, **style: Any) -> None:
    line = axes.plot(*points.T, **style)[0]
    line.set_path_effects(halo(width_pt=style["lw"] + 1.2))
    line.set_gid(gid)


def draw_landmarks(axes: Axes, reading: CompartmentReading, marks: Marks) -> None:
    """Draw the landmarks themselves as small crosses, for the enlarged detail."""
    for landmark, point in marks.points.items():
        size = 5 if landmark in (Landmark.RIM, Landmark.FREE_EDGE) else 3.5
        cross = axes.plot(*point, ls="", marker="+", color="white", ms=size, mew=0.9)[0]
        cross.set_path_effects(halo(width_pt=2.2))
        cross.set_gid(f"{reading.compartment.value}-{landmark.value.replace('_', '-')}")


def draw_orientation(axes: Axes, grid: PixelGrid) -> None:
    """Write the patient directions at the four borders, computed from the geometry."""
    right, down = grid.row_direction, grid.column_direction
    near, far = EDGE, 1 - EDGE
    places = {
        "left": (near, LETTERS_Y, -right, ("left", "center")),
        "right": (far, LETTERS_Y, right, ("right", "center")),
        "top": (0.5, far, -down, ("center", "top")),
        "bottom": (0.5, near, down, ("center", "bottom")),
    }
    for name, (x, y, direction, (ha, va)) in places.items():
        text = axes.text(
            x, y, orientation_letters(direction), transform=axes.transAxes, ha=ha, va=va,
            color="white", family=FONT, size=9, weight="bold",
        )  # fmt: skip
        text.set_path_effects(halo(width_pt=1.8))
        text.set_gid(f"orientation-{name}")


def draw_scale_bar(axes: Axes, view: View) -> None:
    """Draw a bar of a round number of millimetres, about a fifth of the frame."""
    power = 10.0 ** math.floor(math.log10(view.width_mm / 4))
    length_mm = max(step * power for step in (1, 2, 5) if step * power <= view.width_mm / 4)
    x = view.left_mm + 2 * EDGE * view.width_mm
    y = view.bottom_mm - 0.07 * (view.bottom_mm - view.top_mm)
    bar = axes.plot([x, x + length_mm], [y, y], color="white", lw=2.2, solid_capstyle="butt")[0]
    bar.set_path_effects(halo(width_pt=3.8))
    bar.set_gid("scale-bar")
    words = axes.annotate(
        f"{length_mm:g} mm", (x + length_mm / 2, y), (0, 3), textcoords="offset points",
        ha="center", va="bottom", color="white", size=7, family=FONT,
    )  # fmt: skip
    words.set_path_effects(halo(width_pt=1.8))


def outline_view(axes: Axes, view: View) -> None:
    """Outline, on the whole slice, the part that is shown large."""
    corner, height_mm = (view.left_mm, view.top_mm), view.bottom_mm - view.top_mm
    axes.add_patch(Rectangle(corner, view.width_mm, height_mm, fill=False, edgecolor="white", lw=1))
