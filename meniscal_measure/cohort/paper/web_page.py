"""A report as one HTML file that loads nothing from elsewhere."""

from __future__ import annotations

import re
from collections.abc import Sequence

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from meniscal_measure.cohort.agreement.plots import drawn
from meniscal_measure.cohort.paper.blocks import Block, Plot, shown

TEMPLATES = Environment(
    loader=PackageLoader("meniscal_measure.cohort.paper", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


def to_html(title: str, blocks: Sequence[Block]) -> str:
    """Write a report as HTML with its plots as inline SVG."""
    found = shown(blocks)
    kinds = [(type(block).__name__, block) for block in found]
    figures = {
        number: _inline(block, f"plot{number}-")
        for number, block in enumerate(found)
        if isinstance(block, Plot)
    }
    template = TEMPLATES.get_template("report.html.j2")
    return template.render(title=title, blocks=kinds, figures=figures)


def _inline(plot: Plot, prefix: str) -> Markup:
    """Cut an SVG file down to its element, with names no other plot of the page has."""
    svg = drawn(plot.draw, "svg").decode()
    svg = svg[svg.index("<svg") :].strip()
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    used = set(re.findall(r'(?:url\(#|href="#)([^)"]+)', svg))
    svg = re.sub(r' id="([^"]+)"', lambda m: f' id="{prefix}{m[1]}"' if m[1] in used else "", svg)
    svg = re.sub(r'(url\(#|href="#)', rf"\g<1>{prefix}", svg)
    label = Markup('<svg role="img" aria-label="{}"').format(plot.caption)
    return Markup(svg.replace("<svg", str(label), 1))
