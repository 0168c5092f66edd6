"""A radiograph of the leg with its landmarks, axes and joint lines, and the knee enlarged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.knee.limb import FEMORAL_LINE, FEMUR, TIBIA, TIBIAL_LINE, Line
from meniscal_measure.knee.projection import Pixel, ProjectionScale
from meniscal_measure.knee.quantity import CasePart, TracedSlice
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report.canvas import Region, blank
from meniscal_measure.report.fonts import FONT
from meniscal_measure.report.ink import halo
from meniscal_measure.report.panel import draw_scale_bar, look_at, show_slice
from meniscal_measure.report.view import View, view_around

WIDTH_IN, HEIGHT_IN, GAP_IN, TOP_IN, FOOT_IN = 7.3, 6.4, 0.15, 0.3, 0.55
LEG_IN = 2.3
"""Width of the whole leg; the rest is the knee and the numbers."""

KNEE_IN = 3.0
"""Height of the knee."""

MOST_ROWS = 1600
"""Largest number of rows drawn, so that the file stays small: more are thinned out."""

MARGIN = 0.06
"""Shown around the landmarks, as a share of the leg's length."""

LEAST_SHOWN = 0.15
"""Least extent shown, as a share of the height of the radiograph: about one landmark alone."""

KEY = "Lines: axes of femur and tibia white, weight-bearing line dashed, joint lines coloured."

KNEE_SHARE = 2.2
"""Width of the enlarged knee over that of its joint lines."""

WEIGHT_BEARING: Line = (FEMUR[0], TIBIA[1])
DRAWN: tuple[tuple[Line, dict[str, Any]], ...] = (
    (WEIGHT_BEARING, {"color": "#ffd166", "ls": (0, (5, 3)), "lw": 0.9}),
    (FEMUR, {"color": "white", "lw": 0.9}),
    (TIBIA, {"color": "white", "lw": 0.9}),
    (FEMORAL_LINE, {"color": "#7fd1ff", "lw": 1.1}),
    (TIBIAL_LINE, {"color": "#f4a6c6", "lw": 1.1}),
)
"""Lines and how they are drawn; the weight-bearing line is dashed."""


@dataclass(frozen=True, eq=False)
class RadiographPicture:
    """A radiograph to be shown."""

    where: TracedSlice
    image: NDArray[np.float32]
    """Intensities, `[row, column]`."""
    scale: ProjectionScale
    """Size of its pixels."""
    marks: Mapping[str, Pixel]
    """Landmarks, `[column, row]`."""
    part: CasePart
    """What was measured on it."""
    borders: Mapping[str, str] = field(default_factory=dict)
    """Letters of the patient's directions at the borders "left" and "right"; empty where they are
    not known."""

    @property
    def caption(self) -> str:
        """Name the radiograph and what its pixels measure."""
        return f"{self.where}: {self.scale.calibration.words}"

    @property
    def places(self) -> dict[str, FloatArray]:
        """The landmarks in the plane of the image, as it is drawn."""
        return {name: self.scale.plane(np.array(pixel)) for name, pixel in self.marks.items()}

    def figure(self) -> Figure:
        """Draw the leg, its knee enlarged, and the numbers, without any patient identifier."""
        whole, part = blank(WIDTH_IN, HEIGHT_IN), self.part
        whole.text(0, 0.02, f"{part.title}: {self.where}", size=9, weight="bold")
        height_in, side_in = HEIGHT_IN - TOP_IN - FOOT_IN, WIDTH_IN - LEG_IN - GAP_IN
        leg = whole.part(0, TOP_IN, LEG_IN, height_in)
        least = LEAST_SHOWN * self.image.shape[0] * self.scale.row_mm
        _draw(leg, self, _around(self.places, leg, margin=MARGIN, least=least))
        knee = whole.part(LEG_IN + GAP_IN, TOP_IN, side_in, KNEE_IN)
        near = {n: at for n, at in self.places.items() if n in (*FEMORAL_LINE, *TIBIAL_LINE)}
        if near:
            margin = (KNEE_SHARE - 1) / 2
            _draw(knee, self, _around(near, knee, margin=margin, least=least / KNEE_SHARE))
        below = whole.part(LEG_IN + GAP_IN, TOP_IN + KNEE_IN + GAP_IN, side_in, height_in - KNEE_IN)
        y_in = below.lines(0, 0, [f"{q.name}: {q.words}" for q in part.quantities], size=8)
        for said in (*part.remarks, *part.gaps):
            y_in = below.wrapped(0, y_in + 0.05, said, size=6.5)
        foot = whole.part(0, HEIGHT_IN - FOOT_IN + 0.05, WIDTH_IN, FOOT_IN)
        foot.wrapped(0, 0, f"{KEY} {NOTICE}", size=6.0)
        return whole.figure


def _around(
    places: Mapping[str, FloatArray], frame: Region, *, margin: float, least: float
) -> View:
    """Show these places with a margin, at least a given extent, in the shape of the frame."""
    points = np.array(list(places.values()))
    low, high = points.min(axis=0), points.max(axis=0)
    width, height = (high - low) + 2 * margin * max(float((high - low).max()), least)
    width, height = max(width, least), max(height, least)
    ratio = frame.height_in / frame.width_in
    return view_around((low + high) / 2, max(width, height / ratio), ratio)


def _draw(frame: Region, picture: RadiographPicture, view: View) -> None:
    axes, places = frame.axes(), picture.places
    image, dx, dy = picture.image, picture.scale.column_mm, picture.scale.row_mm
    left, top = max(int(view.left_mm / dx), 0), max(int(view.top_mm / dy), 0)
    right, bottom = int(view.right_mm / dx) + 2, int(view.bottom_mm / dy) + 2
    shown = image[top:bottom, left:right]
    thin = max(1, -(-shown.shape[0] // MOST_ROWS))
    shown = shown[::thin, ::thin]
    grid = PixelGrid(
        (0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0),
        dy * thin, dx * thin, *shown.shape,
    )  # fmt: skip
    show_slice(axes, shown, grid)
    (drawn,) = axes.get_images()
    x0, x1, y0, y1 = drawn.get_extent()
    drawn.set_extent((x0 + left * dx, x1 + left * dx, y0 + top * dy, y1 + top * dy))
    look_at(axes, view)
    for line, style in DRAWN:
        if set(line) <= set(places):
            (path,) = axes.plot(*np.array([places[name] for name in line]).T, **style)
            path.set_path_effects(halo(width_pt=2.0))
    for x, y in places.values():
        if view.left_mm <= x <= view.right_mm and view.top_mm <= y <= view.bottom_mm:
            (cross,) = axes.plot(x, y, ls="", marker="+", ms=6, mew=0.9, color="white")
            cross.set_path_effects(halo(width_pt=2.0))
    for border, x in (("left", 0.03), ("right", 0.97)):
        letter = axes.text(
            x, 0.5, picture.borders.get(border, ""), color="white", size=8, weight="bold",
            ha=border, transform=axes.transAxes, family=FONT,
        )  # fmt: skip
        letter.set_path_effects(halo(width_pt=2.0))
    if picture.scale.measures_lengths:
        draw_scale_bar(axes, view)
