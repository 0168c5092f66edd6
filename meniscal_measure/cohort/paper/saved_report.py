"""A report in files: page, PDF, and each table and plot by itself for a manuscript."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from meniscal_measure.cohort.agreement.plots import drawn
from meniscal_measure.cohort.agreement.tables import as_csv, as_text
from meniscal_measure.cohort.paper.blocks import (
    Block,
    Heading,
    Listing,
    Paragraph,
    Plot,
    References,
    Results,
)
from meniscal_measure.cohort.paper.sheets import to_pdf
from meniscal_measure.cohort.paper.web_page import to_html
from meniscal_measure.files import csv_pieces, written_whole

LONGEST_NAME = 60
"""Characters of a caption that a file name keeps."""


def save_report(title: str, blocks: Sequence[Block], folder: Path) -> tuple[Path, ...]:
    """Write `cohort.html`, `cohort.pdf`, and tables and plots in folders of their own.

    Returns
    -------
    tuple of Path
        What was written.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    written = []
    for name, content in _contents(title, blocks):
        with written_whole(folder / name) as stream:
            stream.writelines(content)
        written.append(folder / name)
    return tuple(written)


def _contents(title: str, blocks: Sequence[Block]) -> Iterator[tuple[str, Iterable[bytes]]]:
    yield "cohort.html", [to_html(title, blocks).encode("utf-8")]
    yield "cohort.pdf", [to_pdf(title, blocks)]
    for number, block in enumerate(blocks):
        if isinstance(block, Heading | Paragraph | References):
            continue
        words = re.sub(r"[^a-z0-9]+", "-", block.caption.lower()).strip("-")
        name = f"{number:03d}-{words[:LONGEST_NAME].rstrip('-')}"
        if isinstance(block, Plot):
            yield f"plots/{name}.svg", [drawn(block.draw, "svg")]
            yield f"plots/{name}.pdf", [drawn(block.draw, "pdf")]
        elif isinstance(block, Results):
            yield f"tables/{name}.csv", [as_csv(block.estimates).encode("utf-8")]
            text = "\n".join([block.caption, "", as_text(block.estimates), *block.notes, ""])
            yield f"tables/{name}.txt", [text.encode("utf-8")]
        else:
            rows = block.rows() if isinstance(block, Listing) else block.rows
            pieces = csv_pieces(block.header, rows)
            yield f"tables/{name}.csv", (piece.encode("utf-8") for piece in pieces)
