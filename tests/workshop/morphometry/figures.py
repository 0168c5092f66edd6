"""Shape figures of one section, and of one knee, by the definitions of the real knees' table.

All figures are mm or degrees in the level frame of a section; those of one side end in `_M`
(medial) or `_L` (lateral).
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from tests.workshop.morphometry.bone_section import (
    BonesAt,
    BoneSection,
    FloatArray,
    Plane,
    cut,
    rim_of,
)

OFFSETS_MM = (-12, -8, -4, 0, 4, 8, 12)
"""Places of the sections behind the apex of the medial spine."""

SIDES = (("M", 1.0), ("L", -1.0))
APEX_WINDOW_MM = 6.0
SPINE_SLOPE_DEG = 20.0
COVERED_MM = 0.3
"""Least thickness that counts as cartilage."""

OPEN_MM = 38.0
"""A notch whose roof is higher above the condyles than this is open."""


def knee_figures(bones_at: BonesAt) -> dict[int, dict[str, float]]:
    """Measure a knee: figures by offset of the section; those of the whole knee at offset 0."""
    apex, lateral_apex = _apices(bones_at)
    turn = _condylar_turn(bones_at)
    back = np.array([-math.sin(turn), math.cos(turn)])
    behind = float((np.array(lateral_apex) - apex) @ back)
    apart = float((np.array(apex) - lateral_apex) @ [back[1], -back[0]])

    def section(offset: float) -> BoneSection:
        u, y = np.array(apex) + offset * back
        return cut(bones_at, Plane(float(u), float(y), turn))

    figures = {offset: section_figures(section(offset), apart) for offset in OFFSETS_MM}
    middle = figures[0]
    middle["apex_dv"] = behind
    middle["lat_spine_h_own"] = section_figures(section(behind), apart)["spine_h_L"]
    middle |= _depths(bones_at, apex, turn, middle)
    return figures


def section_figures(section: BoneSection, apart: float) -> dict[str, float]:
    """Measure one section; `apart` is how far the apices of the spines lie apart."""
    spines = _spines(section, apart)
    found = {"width": 2 * section.half_width, "tilt_rim_line": section.tilt_deg}
    found |= {key: value for key, value in spines.items() if not key.startswith("_")}
    for name, side in SIDES:
        flank = _Flank(section, side, spines["_apex_" + name])
        for key, value in flank.figures().items():
            found[f"{key}_{name}"] = value
    return found | _notch(section)


def _spines(section: BoneSection, apart: float) -> dict[str, float]:
    """Heights of both spines and of the valley between them, above the rim line."""
    places = {}
    for name, expected in (("M", section.apex), ("L", section.apex - apart)):
        near = np.flatnonzero(np.abs(section.across - expected) < min(APEX_WINDOW_MM, 0.5 * apart))
        places[name] = int(near[np.argmax(np.nan_to_num(section.tibia[near], nan=-np.inf))])
    medial, lateral = places["M"], places["L"]
    rims = section.half_width
    return {
        "spine_h_M": float(section.tibia[medial]),
        "spine_h_L": float(section.tibia[lateral]),
        "spine_valley": float(section.tibia[lateral : medial + 1].min()),
        "spine_sep": float(section.across[medial] - section.across[lateral]),
        "spine_rim_M": rims - float(section.across[medial]),
        "spine_rim_L": rims + float(section.across[lateral]),
        "_apex_M": float(section.across[medial]),
        "_apex_L": -float(section.across[lateral]),
    }


class _Flank:
    """One side of a section, `out` counted outward from the middle."""

    def __init__(self, section: BoneSection, side: float, apex: float) -> None:
        order = slice(None, None, 1 if side > 0 else -1)
        self.out = side * section.across[order]
        self.tibia, self.femur = section.tibia[order], section.femur[order]
        self.tibial = section.tibial_cartilage[order] - self.tibia
        self.femoral = self.femur - section.femoral_cartilage[order]
        self.wall = section.tibia_outline * [side, 1.0]
        self.condyle = section.femur_outline * [side, 1.0]
        self.rim, self.apex = section.half_width, apex
        self.corner = rim_of(self.condyle * [1.0, -1.0], 1.0) * [1.0, -1.0]
        self.base = self._spine_base()
        self.centre = 0.5 * (self.base + self.rim)

    def at(self, surface: FloatArray, out: float) -> float:
        return float(np.interp(out, self.out, surface))

    def figures(self) -> dict[str, float]:
        return {
            "rimR": _circle_radius(_arc(self.wall, np.array([self.rim, 0.0]), 3.0)),
            "wall": self._wall_deg(),
            "spinebase_rim": self.rim - self.base,
            **self._plateau(),
            **self._cartilage(),
            **self._gaps(),
            **self._femur(),
        }

    def _spine_base(self) -> float:
        slope = np.gradient(np.convolve(self.tibia, np.full(5, 0.2), mode="same"), self.out)
        inner = self.apex + 0.6 * (self.rim - self.apex)
        steep = (np.abs(slope) > math.tan(math.radians(SPINE_SLOPE_DEG))) & (
            (self.out > self.apex) & (self.out < inner)
        )
        base = float(self.out[steep].max()) if steep.any() else self.apex
        covered = (self.tibial > COVERED_MM) & (self.out > self.apex)
        return max(base, float(self.out[covered].min())) if covered.any() else base

    def _wall_deg(self) -> float:
        rim = int(np.argmin(np.hypot(self.wall[:, 0] - self.rim, self.wall[:, 1])))
        ways = self.wall[rim:], self.wall[rim::-1]
        down = min(ways, key=lambda way: _arc(way, way[0], 6.0)[-1, 1])
        deep = np.append(down[:, 1] < -12.0, True)
        out, up = down[: deep.argmax()].T
        return math.degrees(math.atan(np.polyfit(up[up < -2.0], out[up < -2.0], 1)[0]))

    def _plateau(self) -> dict[str, float]:
        end, base = self.at(self.tibia, self.rim - 3.0), self.at(self.tibia, self.base)
        inner = self.rim - 5.0
        return {
            "tilt": math.degrees(math.atan2(end - base, self.rim - 3.0 - self.base)),
            "sag_mid": 0.5 * base - self.at(self.tibia, self.centre),
            "sag5_mid": 0.5 * (base + self.at(self.tibia, inner))
            - self.at(self.tibia, 0.5 * (self.base + inner)),
        }

    def _cartilage(self) -> dict[str, float]:
        covered = self.out[(self.tibial > COVERED_MM) & (self.out > self.apex)]
        return {
            "tcart_c": self.at(self.tibial, self.centre),
            "tcart_5": self.at(self.tibial, self.rim - 5.0),
            "tcart_2": self.at(self.tibial, self.rim - 2.0),
            "cart_end": self.rim - float(covered.max()) if covered.size else math.nan,
            "fcart_c": self.at(self.femoral, self.centre),
        }

    def _gap(self, out: float) -> tuple[float, float]:
        """Joint space in a column, with and without the cartilage; NaN outside the condyle."""
        if out > self.corner[0]:
            return math.nan, math.nan
        gap = self.at(self.femur, out) - self.at(self.tibia, out)
        return gap, gap - self.at(self.tibial, out) - self.at(self.femoral, out)

    def _gaps(self) -> dict[str, float]:
        places = {"c": self.centre, "5": self.rim - 5.0, "2": self.rim - 2.0, "0": self.rim}
        found = {}
        for key, out in places.items():
            found["gap_" + key], found["gapnet_" + key] = self._gap(out)
        return found

    def _femur(self) -> dict[str, float]:
        out, up = self.condyle.T
        lowest = int(np.argmin(np.where(out > 0, up, np.inf)))
        bottom = float(up[lowest])
        reach = {
            f"fem_out{limit}": float(out[up < bottom + limit].max()) - self.rim
            for limit in (12, 35)
        }
        return {
            "rim_fem_dist": float(np.hypot(out - self.rim, up).min()),
            "fem_corner_dx": float(self.corner[0]) - self.rim,
            "fem_corner_h": float(self.corner[1]),
            **reach,
            "femR5": _circle_radius(_arc(self.condyle, self.corner, 5.0)),
            "fem_low_rim": self.rim - float(out[lowest]),
        }


def _arc(outline: FloatArray, about: FloatArray, half_mm: float) -> FloatArray:
    """Part of an outline within an arc length of a point on it."""
    steps = np.hypot(*np.diff(outline, axis=0).T)
    length = np.concatenate([[0.0], np.cumsum(steps)])
    nearest = int(np.argmin(np.hypot(*(outline - about).T)))
    part: FloatArray = outline[np.abs(length - length[nearest]) <= half_mm]
    return part


def _circle_radius(points: FloatArray) -> float:
    """Radius of the circle that fits points best (linear least squares)."""
    x, y = (points - points.mean(axis=0)).T
    unknown = np.linalg.lstsq(
        np.stack([2 * x, 2 * y, np.ones_like(x)], axis=1), x**2 + y**2, rcond=None
    )[0]
    return float(np.sqrt(unknown[2] + unknown[0] ** 2 + unknown[1] ** 2))


def _notch(section: BoneSection) -> dict[str, float]:
    """Height and widths of the notch; NaN where it is open, as it is behind."""
    nothing = {"notch_h": math.nan, "notch_w50": math.nan, "notch_w25": math.nan}
    across, femur = section.across, section.femur
    solid = np.nan_to_num(femur, nan=np.inf)
    lowest = [int(np.argmin(np.where(side * across > 4.0, solid, np.inf))) for _, side in SIDES]
    medial, lateral = lowest
    line = np.interp(across, across[[lateral, medial]], femur[[lateral, medial]])
    height = (femur - line)[lateral : medial + 1]
    if not np.isfinite(height).all() or height.max() > OPEN_MM:
        return nothing
    roof = float(height.max())
    step = float(across[1] - across[0])
    widths = {
        f"notch_w{percent}": step * _run(height > 0.01 * percent * roof, int(height.argmax()))
        for percent in (50, 25)
    }
    return {"notch_h": roof, **widths}


def _run(chosen: NDArray[np.bool_], inside: int) -> int:
    """Length of the unbroken run of true values about a place."""
    ends = np.flatnonzero(np.diff(np.concatenate([[False], chosen, [False]]).astype(int)))
    return next(int(b - a) for a, b in list(pairwise(ends))[::2] if a <= inside < b)


def _apices(bones_at: BonesAt) -> tuple[tuple[float, float], tuple[float, float]]:
    """Find the apices of medial and lateral spine on the height map of the tibia."""
    us, ys, zs = np.arange(-15.0, 15.1, 0.5), np.arange(-16.0, 20.1, 0.5), np.arange(-6.0, 26.0)
    u, y, z = np.meshgrid(us, ys, zs, indexing="ij")
    tibia = np.asarray(bones_at(u, y, z).tibia, np.float64)
    above = (tibia < 0).shape[2] - 1 - (tibia < 0)[..., ::-1].argmax(axis=2)
    above = np.minimum(above, zs.size - 2)
    low = np.take_along_axis(tibia, above[..., None], 2)[..., 0]
    high = np.take_along_axis(tibia, above[..., None] + 1, 2)[..., 0]
    top = ndimage.gaussian_filter(zs[above] + low / (low - high), 1.0)
    peaks = np.argwhere(ndimage.maximum_filter(top, 9) == top)
    inside = [(i, j) for i, j in peaks if 0 < i < us.size - 1 and 0 < j < ys.size - 1]
    ranked = sorted(inside, key=lambda place: -top[place])
    medial = next(place for place in ranked if us[place[0]] > -2.0)
    apex = float(us[medial[0]]), float(ys[medial[1]])
    beside = [place for place in ranked if us[place[0]] < apex[0] - 4.0]
    if not beside:
        return apex, (apex[0] - 11.0, apex[1])
    return apex, (float(us[beside[0][0]]), float(ys[beside[0][1]]))


def _condylar_turn(bones_at: BonesAt) -> float:
    """Angle of the line through the hindmost bone of both femoral condyles."""
    ends = []
    for side in (-1.0, 1.0):
        u, y, z = np.meshgrid(
            side * np.arange(8.0, 40.0, 1.0),
            np.arange(10.0, 48.0, 0.5),
            np.arange(2.0, 35.0, 2.0),
            indexing="ij",
        )
        hit = np.asarray(bones_at(u, y, z).femur) < 0
        hindmost = np.unravel_index(np.argmax(np.where(hit, y, -np.inf)), y.shape)
        ends.append((float(u[hindmost]), float(y[hindmost])))
    (lateral_u, lateral_y), (medial_u, medial_y) = ends
    return math.atan2(medial_y - lateral_y, medial_u - lateral_u)


def _depths(
    bones_at: BonesAt, apex: tuple[float, float], turn: float, middle: dict[str, float]
) -> dict[str, float]:
    """Depth of each plateau through its middle, and where the apex lies along it."""
    y, z = np.meshgrid(np.arange(-40.0, 40.0, 0.5), np.arange(-20.0, 20.0, 0.5))
    ends = {}
    for name, side in SIDES:
        apex_rim = middle["spine_rim_" + name]
        from_apex = apex_rim - 0.5 * middle["spinebase_rim_" + name]
        aside = from_apex if side > 0 else -from_apex - middle["spine_sep"]
        u = apex[0] + math.cos(turn) * aside - math.sin(turn) * y
        back = apex[1] + math.sin(turn) * aside + math.cos(turn) * y
        inside = np.asarray(bones_at(u, back, z).tibia) < 0
        front, hind = (
            y[np.unravel_index(np.argmax(np.where(inside, sign * y + z, -np.inf)), y.shape)]
            for sign in (-1.0, 1.0)
        )
        ends[name] = float(front), float(hind)
    depth = {name: hind - front for name, (front, hind) in ends.items()}
    shares = [-front / (hind - front) for front, hind in ends.values()]
    midpoint = 0.25 * sum(front + hind for front, hind in ends.values())
    return {
        "ap_M": depth["M"],
        "ap_L": depth["L"],
        "frac_a": 0.5 * sum(shares),
        "va_minus_vb": -midpoint,
    }
