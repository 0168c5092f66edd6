"""A leg of known joint angles, projected from the front onto a detector."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Side
from meniscal_measure.geometry import FloatArray

HEAD_RADIUS_MM, TALUS_RADIUS_MM, SHAFT_RADIUS_MM, CONDYLE_RADIUS_MM = 24.0, 18.0, 14.0, 20.0
"""Half-widths of what is drawn (common practice, no source)."""

BORDER_MM = 60.0
"""Around the leg, in the patient."""

ATTENUATION_PER_MM = 0.04
"""Of bone, over the tissue around it: it sets the contrast only."""

GREY_RANGE, NOISE = 3600.0, 40.0


@dataclass(frozen=True)
class LegShape:
    """Angles and lengths of a leg, which lies in a plane parallel to the detector."""

    side: Side = Side.RIGHT
    """Which leg."""
    lateral_femoral_deg: float = 87.0
    medial_tibial_deg: float = 87.0
    """Between the axis of the bone and its joint line, on the side named."""
    convergence_deg: float = 0.0
    """Between the joint lines, positive where the joint opens laterally."""
    femur_mm: float = 430.0
    tibia_mm: float = 360.0
    joint_mm: float = 6.0
    half_line_mm: float = 22.0
    """Axes of the bones, distance of the knee centres, half the width of a joint line."""

    @property
    def varus_deg(self) -> float:
        """Varus of the leg, which the joint angles add up to.

        Examples
        --------
        >>> LegShape(lateral_femoral_deg=90.0, convergence_deg=1.0).varus_deg
        4.0
        """
        return self.lateral_femoral_deg - self.medial_tibial_deg + self.convergence_deg

    @property
    def places_mm(self) -> dict[str, FloatArray]:
        """Landmarks by name, `[x, y]` with x towards the patient's left and y down, mm.

        Laid out from the hip downwards: each line is turned from the one before it.
        """
        medial = 1.0 if self.side is Side.RIGHT else -1.0

        def turned(direction: FloatArray, angle_deg: float) -> FloatArray:
            """Turn from the downward direction towards medial."""
            angle = -medial * np.radians(angle_deg)
            cosine, sine = np.cos(angle), np.sin(angle)
            return np.array([[cosine, -sine], [sine, cosine]]) @ direction

        hip, down = np.zeros(2), np.array([0.0, 1.0])
        femoral = turned(down, self.lateral_femoral_deg)
        tibial = turned(femoral, self.convergence_deg)
        shaft = turned(tibial, -self.medial_tibial_deg)
        knee = hip + self.femur_mm * down
        plateau = knee + self.joint_mm * shaft
        return {
            "hip_centre": hip,
            "femoral_knee_centre": knee,
            "tibial_knee_centre": plateau,
            "ankle_centre": plateau + self.tibia_mm * shaft,
            "femoral_line_medial": knee + self.half_line_mm * femoral,
            "femoral_line_lateral": knee - self.half_line_mm * femoral,
            "tibial_line_medial": plateau + self.half_line_mm * tibial,
            "tibial_line_lateral": plateau - self.half_line_mm * tibial,
        }

    @property
    def axis_deviation_mm(self) -> float:
        """Distance of the tibial knee centre from the line hip to ankle, in the patient."""
        places = self.places_mm
        load = places["ankle_centre"] - places["hip_centre"]
        knee = places["tibial_knee_centre"] - places["hip_centre"]
        medial = 1.0 if self.side is Side.RIGHT else -1.0
        return float(medial * (load[0] * knee[1] - load[1] * knee[0]) / np.hypot(*load))


@dataclass(frozen=True)
class XraySetup:
    """How the leg is projected."""

    magnification: float = 1.1
    """Distance of the detector from the source over that of the leg."""
    pixel_mm: float = 0.5
    """Size of a pixel at the detector."""
    ball_mm: float = 25.0
    """Diameter of a calibration ball at the height of the bone; 0 for none."""
    long: bool = True
    """Whether the whole leg is shown; else the knee only."""


@dataclass(frozen=True, eq=False)
class ProjectedLeg:
    """A radiograph of a leg, and where its landmarks are shown."""

    shape: LegShape
    setup: XraySetup
    """What was projected, and how."""
    pixels: NDArray[np.uint16]
    """[row, column], bone bright, 12 bits."""
    landmarks_px: dict[str, tuple[float, float]] = field(default_factory=dict)
    """`[column, row]` of each landmark in view, with both edges of the ball."""


def projected_leg(shape: LegShape, setup: XraySetup, *, seed: int = 1) -> ProjectedLeg:
    """Project a leg from the front, the patient's left on the right of the image.

    Examples
    --------
    >>> knee = projected_leg(LegShape(), XraySetup(long=False, pixel_mm=2.0))
    >>> "hip_centre" in knee.landmarks_px, "tibial_line_medial" in knee.landmarks_px
    (False, True)
    """
    places = shape.places_mm
    if not setup.long:
        places = {name: place for name, place in places.items() if "line" in name or "knee" in name}
    if setup.ball_mm > 0:
        middle = shape.places_mm["tibial_knee_centre"] + [-1.8 * BORDER_MM / 2, 20.0]
        half = np.array([setup.ball_mm / 2, 0.0])
        places |= {"ball_edge_a": middle - half, "ball_edge_b": middle + half}
    points = np.array(list(places.values()))
    first = points.min(axis=0) - BORDER_MM
    size_mm = points.max(axis=0) + BORDER_MM - first
    pixel_mm = setup.pixel_mm / setup.magnification
    columns, rows = np.ceil(size_mm / pixel_mm).astype(int)
    x, y = np.meshgrid(
        first[0] + pixel_mm * np.arange(columns), first[1] + pixel_mm * np.arange(rows)
    )
    depth_mm = _bone_mm(shape, np.stack([x, y], axis=-1))
    if setup.ball_mm > 0:
        depth_mm += 4 * _sphere_mm(np.stack([x, y], axis=-1), middle, setup.ball_mm / 2)
    bright = GREY_RANGE * (1 - np.exp(-ATTENUATION_PER_MM * depth_mm)) + 5 * NOISE
    noise = np.random.default_rng(seed).normal(0.0, NOISE, bright.shape)
    return ProjectedLeg(
        shape,
        setup,
        np.clip(bright + noise, 0, 4095).astype(np.uint16),
        {
            name: (float((place - first)[0] / pixel_mm), float((place - first)[1] / pixel_mm))
            for name, place in places.items()
        },
    )


def _bone_mm(shape: LegShape, points: FloatArray) -> FloatArray:
    """Way of the ray through bone."""
    at = shape.places_mm
    parts = [_sphere_mm(points, at["hip_centre"], HEAD_RADIUS_MM)]
    for line, centre, away in (
        ("femoral_line", "femoral_knee_centre", "hip_centre"),
        ("tibial_line", "tibial_knee_centre", "ankle_centre"),
    ):
        axis = (at[away] - at[centre]) / np.hypot(*(at[away] - at[centre]))
        # the middle of each condyle lies a radius above its lowest point, so that the line touches
        ends = [at[f"{line}_{side}"] + CONDYLE_RADIUS_MM * axis for side in ("medial", "lateral")]
        parts += [_sphere_mm(points, end, CONDYLE_RADIUS_MM) for end in ends]
        parts.append(_rod_mm(points, at[centre] + CONDYLE_RADIUS_MM * axis, at[away]))
    parts.append(_sphere_mm(points, at["ankle_centre"], TALUS_RADIUS_MM))
    return np.asarray(np.maximum.reduce(parts), dtype=np.float64)


def _sphere_mm(points: FloatArray, centre: FloatArray, radius_mm: float) -> FloatArray:
    within = radius_mm**2 - np.sum((points - centre) ** 2, axis=-1)
    return np.asarray(2 * np.sqrt(np.maximum(within, 0.0)), dtype=np.float64)


def _rod_mm(points: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Way through a round rod."""
    along = end - start
    share = np.clip((points - start) @ along / (along @ along), 0.0, 1.0)
    away = points - start - share[..., None] * along
    within = SHAFT_RADIUS_MM**2 - np.sum(away**2, axis=-1)
    return np.asarray(2 * np.sqrt(np.maximum(within, 0.0)), dtype=np.float64)
