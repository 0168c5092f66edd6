"""Where the centre of a meniscal root is to be expected, from published distances."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from meniscal_measure.geometry import FloatArray, PixelGrid, Vector, as_vector
from meniscal_measure.knee.named_landmarks import (
    KneeLandmark,
    LandmarkSpace,
    SpatialLandmark,
    distance_mm,
    measured_between,
)
from meniscal_measure.knee.published import Published, PublishedSource, RootOffset
from meniscal_measure.knee.quantity import Basis, TracedQuantity, TracedSlice
from meniscal_measure.knee.tibial_axes import TibialAxes

CHI2_95_OF_2 = 5.991
"""95 % point of chi-square with 2 degrees of freedom: size of a 95 % region in a plane."""


@dataclass(frozen=True, eq=False)
class PredictedCentre:
    """Centre of a root as one published series puts it."""

    point_mm: Vector
    """LPS mm."""
    covariance_mm2: FloatArray
    """Of its position, shape (3, 3), from the landmarks, the directions and, where the series
    states it, the spread between its specimens. Height is taken from a landmark, not predicted."""
    offset: RootOffset
    source: PublishedSource
    level: str
    """What the height was taken from, in words."""
    where: tuple[TracedSlice, ...]
    """Slices of the landmarks it rests on."""

    @property
    def spread_is_known(self) -> bool:
        """Whether the series states how its specimens spread, both ways."""
        offset = self.offset
        return offset.posterior_spread_mm is not None and offset.lateral_spread_mm is not None

    def u_along(self, direction: FloatArray) -> float | None:
        """Give the standard uncertainty along a direction, mm; None without a published spread."""
        if not self.spread_is_known:
            return None
        return math.sqrt(float(direction @ self.covariance_mm2 @ direction))

    def on_image(self, grid: PixelGrid) -> tuple[FloatArray, FloatArray]:
        """Project it onto a slice: its `[column, row]`, and the outline of the 95 % region there.

        The outline has the shape (49, 2).
        """
        basis = grid.plane_basis
        values, vectors = np.linalg.eigh(basis @ self.covariance_mm2 @ basis.T)
        angles = np.linspace(0, 2 * math.pi, 49)
        circle = np.stack([np.cos(angles), np.sin(angles)], axis=-1)
        spread = circle * np.sqrt(CHI2_95_OF_2 * np.maximum(values, 0)) @ vectors.T
        outline = np.asarray(self.point_mm) + spread @ basis
        return grid.to_pixel(self.point_mm), grid.to_pixel(outline)


def predicted_centres(
    root: str, landmarks: LandmarkSpace, axes: TibialAxes, figures: Published
) -> list[PredictedCentre]:
    """Predict the centre of a root, once for each published series whose apex is placed.

    `root` is its name in the published figures; landmarks and axes are those of one frame of
    reference.
    """
    found = []
    for offset in figures.footprint:
        apex = landmarks.first(offset.apex)
        if offset.root == root and apex is not None:
            margin = landmarks.first(offset.margin) if offset.margin else None
            found.append(_predicted(offset, apex, margin, axes, figures.source[offset.source]))
    return found


def _predicted(
    offset: RootOffset,
    apex: SpatialLandmark,
    margin: SpatialLandmark | None,
    axes: TibialAxes,
    source: PublishedSource,
) -> PredictedCentre:
    level, words = (apex, "eminence apex") if margin is None else (margin, "cartilage margin")
    move = axes.offset(lateral_mm=offset.lateral_mm, posterior_mm=offset.posterior_mm)
    drop_mm = float(np.subtract(level.point_mm, apex.point_mm) @ axes.upward)
    point = np.asarray(apex.point_mm) + move + drop_mm * axes.upward
    flat = np.eye(3) - np.outer(axes.upward, axes.upward)
    covariance = flat @ apex.covariance_mm2 @ flat
    covariance += np.outer(axes.upward, axes.upward) * float(
        axes.upward @ level.covariance_mm2 @ axes.upward
    )
    for spread_mm, direction in (
        (offset.posterior_spread_mm, axes.posterior),
        (offset.lateral_spread_mm, axes.lateral),
    ):
        covariance += (spread_mm or 0.0) ** 2 * np.outer(direction, direction)
    for axis in (axes.lateral, axes.posterior, axes.upward):
        turned = axes.sd_rad * np.cross(axis, move)
        covariance += np.outer(turned, turned)
    where = dict.fromkeys((apex.where, level.where, *axes.where))
    return PredictedCentre(
        as_vector(point), covariance, offset, source, f"level of the {words}", tuple(where)
    )


def footprint_quantities(
    centres: Sequence[PredictedCentre], landmarks: LandmarkSpace, axes: TibialAxes
) -> Iterator[TracedQuantity]:
    """Say where the centres lie, how far they are apart, and how the other distances agree."""
    for centre in centres:
        name = centre.source.short
        offset = centre.offset
        for word, value_mm, axis in (
            ("behind" if offset.posterior_mm >= 0 else "in front of", offset.posterior_mm,
             axes.posterior),
            ("lateral of" if offset.lateral_mm >= 0 else "medial of", offset.lateral_mm,
             axes.lateral),
        ):  # fmt: skip
            yield TracedQuantity(
                f"centre {word} the apex, {name}", abs(value_mm), "mm", centre.u_along(axis),
                Basis.PUBLISHED, centre.where, centre.source.words,
            )  # fmt: skip
        yield from _checks(centre, landmarks, axes, name)
    for first, second in pairwise(centres):
        apart = float(np.linalg.norm(np.subtract(first.point_mm, second.point_mm)))
        yield TracedQuantity(
            "distance between the published centres", apart, "mm", None, Basis.PUBLISHED,
            first.where, "the sources disagree; both centres are drawn",
        )  # fmt: skip


def _checks(
    centre: PredictedCentre, landmarks: LandmarkSpace, axes: TibialAxes, name: str
) -> Iterator[TracedQuantity]:
    """Compare with published distances that the prediction did not use."""
    offset = centre.offset

    def check(
        what: str, mark: SpatialLandmark, value_mm: float, along: FloatArray, published: str
    ) -> TracedQuantity:
        return TracedQuantity(
            f"centre {what}, {name}", value_mm, "mm", _joint_u(centre, mark, along),
            Basis.PUBLISHED, (*centre.where, mark.where),
            f"published {published}; {centre.source.mark.words}",
        )  # fmt: skip

    margin = landmarks.first(offset.margin) if offset.margin else None
    if margin is not None and offset.margin_lateral_mm is not None:
        away_mm = float(np.subtract(centre.point_mm, margin.point_mm) @ axes.lateral)
        published = _with_spread(offset.margin_lateral_mm, offset.margin_spread_mm)
        yield check("lateral of the cartilage margin", margin, away_mm, axes.lateral, published)
    cruciate = landmarks.first(KneeLandmark.CRUCIATE_MARGIN)
    if cruciate is not None and offset.cruciate_mm is not None:
        away_mm, along = _in_plateau(np.subtract(centre.point_mm, cruciate.point_mm), axes)
        published = _with_spread(offset.cruciate_mm, offset.cruciate_spread_mm)
        yield check("from the posterior cruciate margin", cruciate, away_mm, along, published)


def _in_plateau(away_mm: FloatArray, axes: TibialAxes) -> tuple[float, FloatArray]:
    """Length and direction of a vector in the plane of the plateau."""
    flat = away_mm - float(away_mm @ axes.upward) * axes.upward
    length = float(np.linalg.norm(flat))
    return length, flat / length if length else axes.posterior


def _joint_u(
    centre: PredictedCentre, landmark: SpatialLandmark, direction: FloatArray
) -> float | None:
    own = centre.u_along(direction)
    if own is None:
        return None
    return math.hypot(own, math.sqrt(float(direction @ landmark.covariance_mm2 @ direction)))


def _with_spread(value_mm: float, spread_mm: float | None) -> str:
    spread = ", spread not known" if spread_mm is None else f" ± {spread_mm:g} (SD)"
    return f"{value_mm:g} mm{spread}"


def distance_to_centre(
    landmark: SpatialLandmark, centre: PredictedCentre, axes: TibialAxes, name: str
) -> TracedQuantity:
    """Measure how far a landmark lies from a predicted centre in the plane of the plateau.

    The height is left out: no series gives it.
    """
    length, direction = _in_plateau(np.subtract(landmark.point_mm, centre.point_mm), axes)
    return TracedQuantity(
        name, length, "mm", _joint_u(centre, landmark, direction), Basis.READER,
        (landmark.where, *centre.where), centre.source.words,
    )  # fmt: skip


def centre_landmark(centre: PredictedCentre, like: SpatialLandmark) -> SpatialLandmark:
    """Take a predicted centre for a landmark, its uncertainty the same every way.

    `like` is a landmark of the same frame of reference.
    """
    sd_mm = math.sqrt(float(np.trace(centre.covariance_mm2)) / 3)
    return replace(
        like, name="predicted_centre", point_mm=centre.point_mm, sd_mm=sd_mm, sd_across_mm=sd_mm,
        where=centre.where[0],
    )  # fmt: skip


def straight_distance(
    first: SpatialLandmark, second: SpatialLandmark, name: str, source: str
) -> TracedQuantity:
    """Measure the straight distance of two landmarks in space, mm."""
    found = measured_between(distance_mm, [first, second])
    where = tuple(dict.fromkeys((first.where, second.where)))
    return TracedQuantity(name, found.value, "mm", found.u, Basis.READER, where, source)
