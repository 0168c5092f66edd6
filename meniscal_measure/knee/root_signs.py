"""Signs of a torn root: what a reader says, what the pixels support, how well the sign does.

Nothing is added up: no score comes out of these signs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest

from meniscal_measure.anatomy import Plane
from meniscal_measure.knee.answers import Answers, Root, RootSign, SignAnswer, TearForm
from meniscal_measure.knee.cleft import cleft_gap
from meniscal_measure.knee.footprint import straight_distance
from meniscal_measure.knee.horn_shape import edge_bluntness
from meniscal_measure.knee.horn_signal import horn_quantities, horn_signals
from meniscal_measure.knee.marrow_signal import marrow_signal
from meniscal_measure.knee.named_landmarks import (
    KneeLandmark,
    LandmarkSpace,
    SpatialLandmark,
    measured_between,
)
from meniscal_measure.knee.published import Published, SignFigures
from meniscal_measure.knee.quantity import Basis, CasePart, TracedQuantity
from meniscal_measure.knee.tear_classes import class_words, type_words
from meniscal_measure.knee.tibial_axes import TibialAxes

ReadSlice = Callable[[SpatialLandmark], NDArray[np.float32]]
"""Gives the grey values of the slice that a landmark lies on."""

SIGN_WORDS = {
    RootSign.GHOST: "ghost: posterior horn not seen on the sagittal root slice",
    RootSign.CLEFT: "cleft: bright line through the root, coronal or sagittal",
    RootSign.RADIAL: "radial defect of the root, axial",
    RootSign.TRUNCATION: "truncation: the triangle ends abruptly",
    RootSign.MARROW_OEDEMA: "marrow oedema at the footprint",
    RootSign.GIRAFFE_NECK: "body and posterior part shaped like a giraffe's neck, coronal",
    RootSign.OCARINA: "ocarina: several condensed circles in the posterior horn, sagittal",
    RootSign.EXTRUSION: "extrusion of the body, coronal",
}
"""What each sign looks like."""


@dataclass(frozen=True)
class SignLine:
    """One sign as the sheet shows it."""

    sign: RootSign
    description: str
    seen: str
    """What the reader says; "not answered" while nobody has."""
    by: str
    performance: tuple[str, ...]
    """Published sensitivity and specificity, one sentence for each source."""


def sign_lines(answers: Answers, figures: Published) -> tuple[SignLine, ...]:
    """Set the reader's word on each sign beside its published performance."""
    lines = []
    for sign, words in SIGN_WORDS.items():
        said = answers.sign.get(sign)
        by = "" if said is None else said.by
        published = [_performance(each, figures) for each in figures.sign if each.sign == sign]
        lines.append(SignLine(sign, words, _seen(sign, said), by, tuple(published)))
    return tuple(lines)


def overall_performance(root: Root, figures: Published) -> list[str]:
    """Say how well signs together, and the whole examination, find tears of such a root."""
    start = f"{root.compartment.value}_"
    return [
        f"{entry.sign.removeprefix(start).replace('_', ' ').capitalize()}, {root.compartment.words}"
        f" posterior root: {_performance(entry, figures)}."
        for entry in figures.sign
        if entry.sign.startswith(start)
    ]


def _seen(sign: RootSign, said: SignAnswer | None) -> str:
    if said is not None:
        return said.seen.value
    return "measured" if sign is RootSign.EXTRUSION else "not answered"


def _performance(entry: SignFigures, figures: Published) -> str:
    source = figures.source[entry.source]
    bound = f"{entry.bound} " if entry.bound else ""
    found = f"sensitivity {bound}{entry.sensitivity:g} %{_interval(entry.found_in_torn)}"
    absent = "specificity not published"
    if entry.specificity is not None:
        absent = f"specificity {bound}{entry.specificity:g} %{_interval(entry.absent_in_whole)}"
    note = f"; {entry.note}" if entry.note else ""
    return f"{source.mention}: {found}, {absent}{note}"


def wilson_percent(hits: int, total: int) -> tuple[float, float]:
    """Give the 95 % interval of a proportion in per cent.

    Wilson EB. J Am Stat Assoc 1927;22:209-212.

    Examples
    --------
    >>> [round(end, 1) for end in wilson_percent(29, 30)]
    [83.3, 99.4]
    """
    found = binomtest(hits, total).proportion_ci(0.95, method="wilson")
    return 100 * float(found.low), 100 * float(found.high)


def _interval(counts: tuple[int, int] | None) -> str:
    if counts is None:
        return " (no interval published)"
    low, high = wilson_percent(*counts)
    return f" ({counts[0]}/{counts[1]}, 95 % {low:.0f} to {high:.0f})"


NO_SUPPORT = (
    "No support is computed: place landmarks of the signs, such as posterior_horn, or cleft_edge_a"
    " and cleft_edge_b."
)


def sign_support(
    spaces: Sequence[tuple[LandmarkSpace, TibialAxes]],
    answers: Answers,
    figures: Published,
    read_slice: ReadSlice,
) -> CasePart:
    """Compute what supports the signs, from the landmarks of each frame of reference."""
    quantities: list[TracedQuantity] = []
    remarks: list[str] = []
    distance = None
    for space, axes in spaces:
        quantities += _horn(space, read_slice)
        for gap in _gap(space, read_slice):
            quantities.append(gap)
            grade = class_words(gap, figures.classification["gap"], figures)
            remarks.append(f"Grade of the gap: {grade}.")
        quantities += _bluntness(space, read_slice)
        quantities += _oedema(space, read_slice)
        quantities += _sagittal_extrusion(space, axes)
        distance = _tear_distance(space) or distance
    if distance is not None:
        quantities.append(distance)
        remarks += _zone(distance, figures)
    form = answers.case.tear_form
    if form is not None:
        remarks.append(type_words(form, distance, figures))
    if form is TearForm.COMPLETE_RADIAL and distance is None:
        remarks.append("Its sub-type needs the edges of the cleft, or the tear, and the root.")
    remarks += overall_performance(answers.case.root, figures)
    gaps = () if quantities else (NO_SUPPORT,)
    return CasePart("Root signs: what the images support", tuple(quantities), tuple(remarks), gaps)


def _horn(space: LandmarkSpace, read_slice: ReadSlice) -> list[TracedQuantity]:
    horns = [
        horn
        for name in (KneeLandmark.POSTERIOR_HORN, KneeLandmark.HORN_BESIDE_A,
                     KneeLandmark.HORN_BESIDE_B)
        for horn in space.on_plane(name, Plane.SAGITTAL)
    ]  # fmt: skip
    if len(horns) < 2:
        return []
    pixels = {horn.slice_index: read_slice(horn) for horn in horns}
    return horn_quantities(horn_signals(horns, pixels))


def _gap(space: LandmarkSpace, read_slice: ReadSlice) -> Iterator[TracedQuantity]:
    edges = map(space.every, (KneeLandmark.CLEFT_EDGE_A, KneeLandmark.CLEFT_EDGE_B))
    for first, second in zip(*edges, strict=False):
        yield cleft_gap(first, second, read_slice(first))


def _bluntness(space: LandmarkSpace, read_slice: ReadSlice) -> Iterator[TracedQuantity]:
    outer = space.first(KneeLandmark.POSTERIOR_HORN_EDGE)
    free = space.first(KneeLandmark.HORN_FREE_EDGE)
    if outer is not None and free is not None:
        yield edge_bluntness(outer, free, read_slice(free))


def _tear_distance(space: LandmarkSpace) -> TracedQuantity | None:
    """Measure from the tear, or from the edge of its cleft that is nearest to the root."""
    root = space.first(KneeLandmark.ROOT_ATTACHMENT)
    tear, how = space.first(KneeLandmark.TEAR), "straight, in space"
    if root is None:
        return None
    if tear is None:
        edges = [*space.every(KneeLandmark.CLEFT_EDGE_A), *space.every(KneeLandmark.CLEFT_EDGE_B)]
        to_root = [float(np.linalg.norm(np.subtract(e.point_mm, root.point_mm))) for e in edges]
        if not edges:
            return None
        tear, how = edges[int(np.argmin(to_root))], f"from the nearer edge of the cleft, {how}"
    return straight_distance(tear, root, "distance of the tear from the root attachment", how)


def _zone(distance: TracedQuantity, figures: Published) -> list[str]:
    zone = figures.root_zone
    where = "within" if distance.value <= zone.limit_mm else "beyond"
    source = figures.source[zone.source].mention
    return [
        f"The tear lies {where} {zone.limit_mm:g} mm of the attachment ({source}; {zone.note})."
    ]


def _oedema(space: LandmarkSpace, read_slice: ReadSlice) -> Iterator[TracedQuantity]:
    footprint = space.first(KneeLandmark.FOOTPRINT_MARROW)
    reference = space.first(KneeLandmark.REFERENCE_MARROW)
    if footprint is not None and reference is not None:
        yield marrow_signal(footprint, reference, read_slice(footprint), read_slice(reference))


def _sagittal_extrusion(space: LandmarkSpace, axes: TibialAxes) -> Iterator[TracedQuantity]:
    for name, margin, edge, outward in (
        ("posterior extrusion, sagittal", KneeLandmark.POSTERIOR_PLATEAU_MARGIN,
         KneeLandmark.POSTERIOR_HORN_EDGE, axes.posterior),
        ("anterior extrusion, sagittal", KneeLandmark.ANTERIOR_PLATEAU_MARGIN,
         KneeLandmark.ANTERIOR_HORN_EDGE, -axes.posterior),
    ):  # fmt: skip
        bone, meniscus = space.first(margin), space.first(edge)
        if bone is None or meniscus is None:
            continue
        found = measured_between(lambda p, out=outward: out @ (p[1] - p[0]), [bone, meniscus])  # type: ignore[misc]
        away = np.subtract(meniscus.point_mm, bone.point_mm)
        turned_mm = axes.sd_rad * float(np.linalg.norm(np.cross(outward, away)))
        yield TracedQuantity(
            name, found.value, "mm", float(np.hypot(found.u, turned_mm)), Basis.READER,
            tuple(dict.fromkeys((bone.where, meniscus.where))),
            f"along the back-to-front axis of the tibia, outward positive; {axes.source}",
        )  # fmt: skip
