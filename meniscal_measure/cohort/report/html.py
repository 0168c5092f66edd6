"""A report as one HTML file that asks for nothing from outside."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape

from meniscal_measure.cohort.agreement.plots import figure_bytes, figure_of
from meniscal_measure.cohort.report.document import (
    Block,
    Heading,
    Paragraph,
    Plot,
    Results,
    Table,
    is_number,
)

STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; max-width: 60rem; margin: 2rem auto; padding: 0 1rem;
  color: #1a1a1a; background: #fff; }
h1, h2, h3 { line-height: 1.2; margin-top: 2rem; }
table { border-collapse: collapse; margin: 1.5rem 0; font-size: .9rem; }
caption { text-align: left; font-weight: 600; padding: .3rem 0; }
figcaption { font-size: .9rem; }
th, td { text-align: left; vertical-align: top; padding: .2rem .8rem .2rem 0;
  border-bottom: 1px solid #bbb; }
td.n { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
figure { margin: 1.5rem 0; }
svg { max-width: 100%; height: auto; width: 30rem; }
.notes { font-size: .8rem; margin: 0; }
@media print { body { max-width: none; } figure, tr { break-inside: avoid; } }
"""

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
"""Content Security Policy: the page may load nothing."""


def to_html(title: str, blocks: Sequence[Block]) -> str:
    """Write a report as HTML with its plots as inline SVG."""
    body = "\n".join(_block(number, block) for number, block in enumerate(blocks))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n"
        f"<body>\n<main>\n{body}\n</main>\n</body>\n</html>\n"
    )


def _block(number: int, block: Block) -> str:
    match block:
        case Heading(text, level):
            return f"<h{level}>{escape(text)}</h{level}>"
        case Paragraph(text):
            return f"<p>{escape(text)}</p>"
        case Table():
            return _table(block)
        case Results():
            return _table(block.table)
        case Plot(caption, draw):
            drawn = figure_bytes(figure_of(draw), "svg").decode()
            svg = _inline(drawn, f"plot{number}-", caption)
            return f"<figure>\n{svg}\n<figcaption>{escape(caption)}</figcaption>\n</figure>"


def _table(table: Table) -> str:
    head = "".join(f'<th scope="col">{escape(cell)}</th>' for cell in table.header)
    rows = "\n".join("<tr>" + "".join(map(_cell, row)) + "</tr>" for row in table.shown)
    notes = "".join(f'<p class="notes">{escape(note)}</p>\n' for note in table.notes)
    return (
        f"<table>\n<caption>{escape(table.caption)}</caption>\n"
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table>\n{notes}"
    )


def _cell(cell: str) -> str:
    kind = ' class="n"' if cell and is_number(cell) else ""
    return f"<td{kind}>{escape(cell)}</td>"


def _inline(svg: str, prefix: str, label: str) -> str:
    """Cut an SVG file down to its element, with names no other plot of the page has."""
    svg = svg[svg.index("<svg") :].strip()
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    used = set(re.findall(r'(?:url\(#|href="#)([^)"]+)', svg))
    svg = re.sub(r' id="([^"]+)"', lambda m: f' id="{prefix}{m[1]}"' if m[1] in used else "", svg)
    svg = re.sub(r'(url\(#|href="#)', rf"\g<1>{prefix}", svg)
    return svg.replace("<svg", f'<svg role="img" aria-label="{escape(label)}"', 1)
