"""Who came into the study, who was left out, and why."""

from __future__ import annotations

import textwrap
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from matplotlib.axes import Axes

from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.caliper.reading import AxisConvention, Conventions, ThresholdRule
from meniscal_measure.cohort.agreement.plots import INK, Draw
from meniscal_measure.cohort.store import Store

MOST_REASONS = 3
"""Reasons that the flow chart names; the table below it names them all."""

REASON_WIDTH = 34
"""Characters of a line of a reason in the flow chart."""


@dataclass
class Flow:
    """Counts on the way from the manifest to the analysis."""

    entries: int = 0
    subjects: int = 0
    measured: int = 0
    measured_subjects: int = 0
    excluded: Counter[str] = field(default_factory=Counter)
    """Entries by the manifest's reason."""
    failed: Counter[str] = field(default_factory=Counter)
    """Entries by why they are not analysed: refused, crashed, waiting, on another slice."""
    warned: int = 0
    """Measured entries with a warning."""
    verified: Counter[str] = field(default_factory=Counter)
    """Measured entries whose landmarks a person has confirmed, by that person."""
    signed_on: list[str] = field(default_factory=list)
    """Days on which those were signed, as far as they are known."""
    quality: Counter[str] = field(default_factory=Counter)
    """Measured entries by what their reader found wrong with the images."""
    proposed: int = 0
    """Measured entries with landmarks of the program that nobody has confirmed."""
    flagged: int = 0
    """Measured entries with a compartment above the threshold."""
    versions: Counter[str] = field(default_factory=Counter)
    """Measured entries by the version of the software that measured."""
    networks: Counter[str] = field(default_factory=Counter)
    """Proposed entries by the networks that proposed, by the start of their hash."""
    conventions: Counter[tuple[SliceConvention, Conventions]] = field(default_factory=Counter)
    """Measured entries by what their numbers mean."""


MEASURED_GROUPS = (
    "verified", "verified_by", "substr(signed_at, 1, 10)", "quality",
    "proposal_confidence IS NOT NULL", "warning_count > 0",
    "coalesce(medial_flag, 0) OR coalesce(lateral_flag, 0)", "software_version",
    "substr(network_sha256, 1, 12)", "slice_convention", "axis_convention", "threshold_rule",
    "threshold_mm",
)  # fmt: skip


SLICE_PLACE = MEASURED_GROUPS.index("slice_convention")

OTHER_SLICE = "on a slice chosen by another rule"
"""What became of a measured reading that a report of one slice convention leaves out."""


def count_flow(store: Store, slice_convention: SliceConvention | None = None) -> Flow:
    """Count the entries by their current state.

    With a slice convention, readings on slices chosen by another rule count as not analysed.
    """
    flow = Flow()
    for status, reason, count in store.counted("status", "reason"):
        flow.entries += count
        if status == "excluded":
            flow.excluded[reason] += count
        elif status != "measured":
            flow.failed[status] += count
    flow.subjects = store.subject_count()
    flow.measured_subjects = store.subject_count(
        measured_only=True, slice_convention=slice_convention
    )
    for *group, count in store.counted(*MEASURED_GROUPS, measured_only=True):
        if slice_convention in (None, group[SLICE_PLACE]):
            _count_measured(flow, group, count)
        else:
            flow.failed[OTHER_SLICE] += count
    return flow


def _count_measured(flow: Flow, group: list[Any], count: int) -> None:
    verified, by, day, quality, proposed, warned, flagged, version, networks, *meaning = group
    flow.measured += count
    flow.warned += count * bool(warned)
    flow.flagged += count * bool(flagged)
    flow.versions[version or "unknown"] += count
    flow.quality.update(dict.fromkeys(quality.split("; "), count) if quality else {})
    if verified:
        flow.verified[by or "a person not named"] += count
        flow.signed_on += [day] if day else []
    else:
        flow.proposed += count * bool(proposed)
    if networks:
        flow.networks[networks] += count
    slice_, axis, rule, threshold_mm = meaning
    conventions = Conventions(AxisConvention(axis), ThresholdRule(rule), threshold_mm)
    flow.conventions[SliceConvention(slice_), conventions] += count


def verified_words(flow: Flow, between: str = "; ") -> str:
    """Say how many of the measured readings a person stands behind.

    Examples
    --------
    >>> verified_words(Flow(measured=3, proposed=2))
    '2 proposed, not verified; 1 placed, not verified'
    """
    verified = flow.verified.total()
    placed = flow.measured - verified - flow.proposed
    counts = (
        (verified, "verified"),
        (flow.proposed, "proposed, not verified"),
        (placed, "placed, not verified"),
    )
    return between.join(f"{count} {what}" for count, what in counts if count)


def flow_plot(flow: Flow) -> Draw:
    """Draw the way from the manifest to the analysis, with what left it on the right."""
    verified = verified_words(flow, ",\n")
    included = flow.entries - flow.excluded.total()
    boxes = (
        (0.8, f"In the manifest\n{flow.entries} readings, {flow.subjects} subjects"),
        (0.5, f"Included\n{included} readings"),
        (0.2, f"Measured and analysed\n{flow.measured} readings, "
              f"{flow.measured_subjects} subjects\n{verified}"),
    )  # fmt: skip
    leaving = ((0.65, "Excluded", flow.excluded), (0.35, "Not analysed", flow.failed))

    def draw(axes: Axes) -> None:
        axes.set_axis_off()
        axes.set(xlim=(0, 1), ylim=(0.05, 0.95))
        for height, text in boxes:
            _box(axes, (0.27, height), text, (0.27, min(height + 0.25, 0.8)))
        for height, title, counts in leaving:
            _box(axes, (0.76, height), _listed(title, counts), (0.27, height))

    return draw


def _listed(title: str, counts: Counter[str]) -> str:
    lines = [f"{title} {counts.total()}"]
    for reason, count in counts.most_common(MOST_REASONS):
        lines += textwrap.wrap(f"{count} {reason}", REASON_WIDTH, max_lines=2, placeholder=" …")
    rest = counts.total() - sum(count for _, count in counts.most_common(MOST_REASONS))
    return "\n".join([*lines, *([f"{rest} for other reasons"] if rest else [])])


def _box(axes: Axes, place: tuple[float, float], text: str, come_from: tuple[float, float]) -> None:
    """Draw a box, with an arrow to it where it comes from another place."""
    axes.annotate(
        text,
        come_from,
        xytext=place,
        ha="center",
        va="center",
        fontsize=6.5,
        bbox={"boxstyle": "square,pad=0.5", "facecolor": "white", "edgecolor": INK},
        arrowprops=None if come_from == place else {"arrowstyle": "<|-", "color": INK},
        parse_math=False,
    )
