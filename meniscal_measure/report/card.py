"""The values of one compartment on a card beside the image."""

from __future__ import annotations

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.reading import CompartmentReading, Conventions, Decision, Extrusion
from meniscal_measure.report import words
from meniscal_measure.report.canvas import Region, line_height_in, wrap

HEADER_IN = 0.24
"""Height of the bar with the compartment's name."""

INSET_IN = 0.07
"""Distance of text from the card's border."""

SMALL_PT, LARGE_PT = 7.0, 10.5


def draw_card(
    region: Region,
    compartment: Compartment,
    reading: CompartmentReading | None,
    conventions: Conventions,
) -> float:
    """Draw the card into the top of the region; a flagged one has a black bar and heavy border.

    Returns the y at which a leader line meets it, inches from the top of the region.
    """
    if reading is None:
        return _draw_missing(region, compartment)
    extrusion = reading.extrusion
    y = HEADER_IN + 0.08
    y = _lines(region, y, [words.value_words(extrusion)], size=LARGE_PT, weight="bold")
    leader_y_in = y - line_height_in(LARGE_PT) / 2
    y = _lines(region, y, [words.decision_words(extrusion, conventions)], weight="bold")
    y = _lines(region, y + 0.03, _details(reading, conventions)) + 0.04
    _frame(region.part(0, 0, region.width_in, y), compartment, extrusion)
    return leader_y_in


def _details(reading: CompartmentReading, conventions: Conventions) -> list[str]:
    extrusion = reading.extrusion
    remark = words.threshold_remark(extrusion, conventions)
    limit = words.threshold_words(conventions)
    return [
        *([remark] if remark else []),
        f"95 %: {words.interval_words(extrusion)}",
        f"P({limit}): {words.probability_words(extrusion)}",
        f"grade {extrusion.grade} of 0 to 3",
        f"body width {words.length_words(reading.body_width_mm)}",
        f"relative {words.fraction_words(reading.relative_extrusion)}",
        f"coverage {words.fraction_words(reading.coverage)}",
    ]


def _lines(
    region: Region, y_in: float, lines: list[str], *, size: float = SMALL_PT, weight: str = "normal"
) -> float:
    width_in = region.width_in - 2 * INSET_IN
    broken = [
        piece for line in lines for piece in wrap(line, width_in, size, bold=weight == "bold")
    ]
    return region.lines(INSET_IN, y_in, broken, size=size, weight=weight)


def _frame(card: Region, compartment: Compartment, extrusion: Extrusion) -> None:
    flagged, undecided = extrusion.flag, extrusion.decision is Decision.UNDECIDED
    card.box(
        fill=False, edgecolor="black", lw=2.2 if flagged else 0.7, ls="--" if undecided else "-"
    ).set_gid(f"{compartment.value}-card")
    bar = card.part(0, 0, card.width_in, HEADER_IN)
    bar.box(facecolor="black" if flagged else "#ECECEC", edgecolor="black", lw=0.7).set_gid(
        f"{compartment.value}-card-bar"
    )
    ink = "white" if flagged else "black"
    middle, style = HEADER_IN / 2, {"va": "center_baseline", "color": ink}
    bar.text(INSET_IN, middle, compartment.words.upper(), weight="bold", size=8, **style)
    label = "FLAGGED" if flagged else "not flagged"
    weight = "bold" if flagged else "normal"
    bar.text(bar.width_in - INSET_IN, middle, label, ha="right", size=6.5, weight=weight, **style)


def _draw_missing(region: Region, compartment: Compartment) -> float:
    card = region.part(0, 0, region.width_in, HEADER_IN + 0.42)
    card.box(fill=False, edgecolor="black", lw=0.7, ls=":").set_gid(f"{compartment.value}-card")
    name = compartment.words.upper()
    card.text(INSET_IN, HEADER_IN / 2, name, weight="bold", size=8, va="center_baseline")
    card.text(INSET_IN, HEADER_IN + 0.1, words.NOT_MEASURED, size=LARGE_PT, weight="bold")
    return HEADER_IN
