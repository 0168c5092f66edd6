"""Who came into the study, who was left out, and why."""

from __future__ import annotations

import textwrap
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from matplotlib.axes import Axes

from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.cohort.agreement.plots import INK, Draw
from meniscal_measure.cohort.readings import conventions_of
from meniscal_measure.cohort.store import Store

MOST_REASONS = 3
"""Reasons that the flow chart names; the table below it names them all."""

REASON_WIDTH = 34
"""Characters of a line of a reason in the flow chart."""


@dataclass
class Flow:
    """Counts on the way from the manifest to the analysis."""

    entries: int = 0
    subjects: set[str] = field(default_factory=set)
    measured: int = 0
    measured_subjects: set[str] = field(default_factory=set)
    excluded: Counter[str] = field(default_factory=Counter)
    """Entries by the manifest's reason."""
    failed: Counter[str] = field(default_factory=Counter)
    """Entries by what became of them: refused, crashed, waiting."""
    problems: list[tuple[str, str, str]] = field(default_factory=list)
    """Reading, status and reason of each entry that was not measured."""
    warned: int = 0
    """Measured entries with a warning."""
    verified: Counter[str] = field(default_factory=Counter)
    """Measured entries whose landmarks a person has confirmed, by that person."""
    signed_at: list[str] = field(default_factory=list)
    """When those were signed, as far as it is known."""
    quality: Counter[str] = field(default_factory=Counter)
    """Measured entries by what their reader found wrong with the images."""
    proposed: int = 0
    """Measured entries with landmarks of the program that nobody has confirmed."""
    flagged: int = 0
    """Measured entries with a compartment above the threshold."""
    conventions: Counter[tuple[SliceConvention, Conventions]] = field(default_factory=Counter)
    """Measured entries by what their numbers mean."""


def count_flow(store: Store) -> Flow:
    """Go through the current state of every entry and count."""
    flow = Flow()
    for row in store.rows():
        flow.entries += 1
        flow.subjects.add(row["subject"])
        if row["status"] == "measured":
            _count_measured(flow, row)
        elif row["status"] == "excluded":
            flow.excluded[row["reason"]] += 1
        else:
            flow.failed[row["status"]] += 1
            flow.problems.append((_name(row), row["status"], row["reason"]))
    return flow


def _count_measured(flow: Flow, row: dict[str, Any]) -> None:
    flow.measured += 1
    flow.measured_subjects.add(str(row["subject"]))
    flow.warned += bool(row["warning_count"])
    flow.quality.update(row["quality"].split("; ") if row["quality"] else ())
    if row["verified"]:
        flow.verified[str(row["verified_by"] or "a person not named")] += 1
        flow.signed_at += [str(row["signed_at"])] if row["signed_at"] else []
    else:
        flow.proposed += row["proposal_confidence"] is not None
    flow.flagged += bool(row["medial_flag"]) or bool(row["lateral_flag"])
    flow.conventions[SliceConvention(row["slice_convention"]), conventions_of(row)] += 1


def _name(row: dict[str, object]) -> str:
    names = ("subject", "visit", "side", "reader")
    return " / ".join(str(row[name]) for name in names if row[name])


def verified_words(flow: Flow, between: str = "; ") -> str:
    """Say how many of the measured readings a person stands behind."""
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
        (0.8, f"In the manifest\n{flow.entries} readings, {len(flow.subjects)} subjects"),
        (0.5, f"Included\n{included} readings"),
        (0.2, f"Measured and analysed\n{flow.measured} readings, "
              f"{len(flow.measured_subjects)} subjects\n{verified}"),
    )  # fmt: skip
    leaving = (
        (0.65, "Excluded", flow.excluded),
        (0.35, "Not measured", flow.failed),
    )

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
    """Draw a box with an arrow that ends at it; none where the box comes from its own place."""
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
