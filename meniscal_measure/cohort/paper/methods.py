"""Sentences and settings of a methods section, of what was done and of nothing else."""

from __future__ import annotations

import platform
from collections import Counter
from collections.abc import Iterator
from importlib.metadata import version
from typing import Any

from meniscal_measure.caliper.landmarks import HAND_PLACEMENT_SD_MM
from meniscal_measure.cohort.paper.blocks import Block, Heading, Paragraph, Table
from meniscal_measure.cohort.paper.participant_flow import Flow, verified_words
from meniscal_measure.cohort.reader_agreement import DetectableChange
from meniscal_measure.report.words import AXIS_WORDS, SLICE_WORDS, rule_words

PACKAGES = ("numpy", "scipy", "pydicom", "onnxruntime", "matplotlib")
"""Packages whose versions a reader needs to get the same numbers."""


def methods_sections(
    flow: Flow, settings: dict[str, Any], detectable: DetectableChange
) -> Iterator[Block]:
    """Say how readings were made, by whom they were verified, and how they were analysed."""
    yield Heading("Methods")
    proposed = f"Landmarks were proposed by the networks {_listed(flow.networks)} (SHA-256). "
    yield Paragraph(
        f"Meniscal extrusion was measured with meniscal_measure {_listed(flow.versions)} as the"
        " signed distance from the rim of the tibial plateau to the outer edge of the meniscal"
        f" body, osteophytes left out, {_conventions(flow)}."
        f" {proposed if flow.networks else ''}Standard uncertainties follow the GUM"
        " (JCGM 100:2008). Where a landmark file states no standard deviation of the placement,"
        f" {HAND_PLACEMENT_SD_MM:g} mm is assumed, which follows from the spread of medial"
        " extrusion (0.92 mm, Bruns 2014) and a reader agreement of ICC 0.90. A case is one knee at"
        " one visit."
    )
    yield Paragraph(verification(flow))
    yield Paragraph(
        "Groups are compared by the difference of their changes between visits (Welch), and by a"
        " linear mixed model of group, visit, group × visit, side, reader and covariates, as far as"
        " they vary, with random intercepts for subject, knee and examination; p values of several"
        " differences are adjusted after Holm. Agreement is described by ICC(2,1), the standard"
        " error of measurement, limits of agreement, kappa and AC1. Cases of one subject are"
        " not independent, and every interval allows for this by the method named as its source."
        " Cases with a missing value are left out and counted. Intervals are 95 % confidence"
        " intervals. The smallest detectable change is"
        f" {detectable.words}."
    )
    yield _settings(flow, settings)


def verification(flow: Flow) -> str:
    """Say who stands behind the readings that were analysed."""
    said = f"Of the analysed readings: {verified_words(flow)}."
    if flow.verified:
        by = ", ".join(f"{name} {count}" for name, count in sorted(flow.verified.items()))
        said += f" Verified by: {by}."
    if flow.signed_on:
        days = sorted(flow.signed_on)
        said += f" Signed from {days[0]} to {days[-1]} (UTC)."
    if flow.verified.total() < flow.measured:
        said += " Readings that are not verified are part of every statistic below."
    return said


def _listed(counts: Counter[str]) -> str:
    return " and ".join(name for name, _ in counts.most_common())


def _conventions(flow: Flow) -> str:
    said = [
        f"along the {AXIS_WORDS[conventions.axis]} (slice: {SLICE_WORDS[slice_]}; flagged where"
        f" it is {rule_words(conventions)})"
        for (slice_, conventions), _ in flow.conventions.most_common()
    ]
    return "; or ".join(said)


def _settings(flow: Flow, settings: dict[str, Any]) -> Table:
    asked = {**settings, **settings.get("conventions", {})}
    asked.pop("conventions", None)
    rows = [("Software of the last run", f"meniscal_measure {asked.pop('software_version', '')}")]
    for name, value in asked.items():
        words, unit = (name[:-3], " (mm)") if name.endswith("_mm") else (name, "")
        label = words.replace("_", " ").capitalize() + unit
        said = ("no", "yes")[value] if isinstance(value, bool) else str(value).replace("_", " ")
        rows.append((label, said))
    for (slice_, conventions), count in flow.conventions.most_common():
        meaning = SLICE_WORDS[slice_], AXIS_WORDS[conventions.axis], rule_words(conventions)
        rows.append((f"{count} readings", "; ".join(meaning)))
    packages = ", ".join(f"{name} {version(name)}" for name in PACKAGES)
    rows.append(("This report", f"Python {platform.python_version()}, {packages}"))
    return Table("Settings, conventions and versions", ("Setting", "Value"), tuple(rows))
