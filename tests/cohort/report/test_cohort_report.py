"""The report of a cohort: complete, self-contained, and the same in HTML and PDF."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest

from meniscal_measure.cohort.report.contents import cohort_report
from meniscal_measure.cohort.report.document import (
    Block,
    Heading,
    Paragraph,
    Plot,
    Table,
    listing,
)
from meniscal_measure.cohort.report.html import to_html
from meniscal_measure.cohort.report.pdf import LINE_WIDTH, to_pdf
from meniscal_measure.cohort.store import Store
from meniscal_measure.errors import AgreementError
from meniscal_measure.report.notice import NOTICE


@pytest.fixture
def blocks(store: Store) -> list[Block]:
    return cohort_report(store)


@pytest.fixture
def page(blocks: list[Block]) -> str:
    return to_html("A cohort", blocks)


def tables(blocks: list[Block]) -> dict[str, Table]:
    return {block.caption: block for block in blocks if isinstance(block, Table)}


def test_it_opens_with_what_it_is_and_is_not(blocks: list[Block]) -> None:
    assert isinstance(blocks[0], Heading)
    assert blocks[1] == Paragraph(NOTICE)


def test_the_flow_adds_up(blocks: list[Block]) -> None:
    words = " ".join(block.text for block in blocks if isinstance(block, Paragraph))
    assert "The manifest names 63 readings of 13 subjects. 2 were excluded beforehand, 1" in words
    assert "and 60 readings of 10 subjects were analysed" in words
    assert tables(blocks)["Exclusions"].rows == (("claustrophobia", "2"),)


def test_software_settings_and_conventions_are_named(blocks: list[Block]) -> None:
    found = tables(blocks)
    settings = {row[0]: row[1] for row in found["Settings of the last run"].rows}
    assert settings["software"].startswith("meniscal_measure ")
    assert settings["conventions.threshold_mm"] == "3.0"
    assert found["Conventions of the readings"].rows == (
        ("chosen_by_reader", "rim_to_rim", "above", "3", "60"),
    )


def test_agreement_between_and_within_readers_names_its_sources(blocks: list[Block]) -> None:
    found = tables(blocks)
    between = found["Medial extrusion, readers A, B"]
    assert [row[0] for row in between.rows[:3]] == ["ICC(1,1)", "ICC(2,1)", "ICC(3,1)"]
    assert any("Shrout" in note for note in between.notes)
    pair = found["Medial extrusion, readers A and B"]
    assert "Lower limit of agreement" in [row[0] for row in pair.rows]
    assert "Reader A, repeated readings" in found


def test_change_between_visits_uses_the_repeats_of_the_readers(blocks: list[Block]) -> None:
    words = " ".join(block.text for block in blocks if isinstance(block, Paragraph))
    assert "from repeats by the same reader" in words
    changed = tables(blocks)["Medial extrusion, visit 1 to 2"]
    assert changed.rows[0][0] == "Mean change"
    # Built as 0.4 + n / 10 for n from 0 to 9: mean 0.85 mm.
    assert float(changed.rows[0][1]) == pytest.approx(0.85, abs=0.2)


def test_what_could_not_be_measured_is_listed_with_its_reason(blocks: list[Block]) -> None:
    (row,) = tables(blocks)["Not measured"].rows
    assert row == ("BAD / 1", "refused", "PixelData is cut short: <truncated>.")


def test_a_compartment_that_was_never_measured_has_no_section(blocks: list[Block]) -> None:
    headings = [block.text for block in blocks if isinstance(block, Heading)]
    assert "Medial extrusion" in headings
    assert "Lateral extrusion" not in headings


def test_long_lists_say_what_they_leave_out() -> None:
    table = listing("Knees", ("Knee",), [(str(n),) for n in range(12)], most=10)
    assert len(table.rows) == 10
    assert table.notes == ("2 more are in the exported table.",)


def test_a_store_without_readings_has_no_report(tmp_path: Path) -> None:
    with (
        Store(tmp_path / "empty.sqlite") as empty,
        pytest.raises(AgreementError, match="Nothing has been measured"),
    ):
        cohort_report(empty)


class Outside(HTMLParser):
    """Collects whatever would make a browser fetch something."""

    def __init__(self) -> None:
        super().__init__()
        self.wanted: list[str] = []
        self.ids: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.wanted += [tag] * (tag in {"script", "link", "iframe", "object", "embed", "base"})
        for name, value in attrs:
            fetching = name in {"src", "href", "xlink:href", "srcset", "data"}
            if fetching and not (value or "").startswith(("#", "data:")):
                self.wanted.append(f"{tag} {name}={value}")
            if name == "id":
                self.ids.append(value or "")


def test_the_page_asks_for_nothing_from_outside(page: str) -> None:
    parser = Outside()
    parser.feed(page)
    assert parser.wanted == []
    assert not re.search(r"@import|url\((?!#)", page)
    assert "default-src 'none'" in page


def test_no_two_elements_of_the_page_share_an_id(page: str) -> None:
    parser = Outside()
    parser.feed(page)
    assert len(parser.ids) == len(set(parser.ids))
    referred = set(re.findall(r"url\(#([^)]+)\)", page))
    assert referred <= set(parser.ids)


def test_text_from_the_images_cannot_become_markup(page: str) -> None:
    assert "&lt;truncated&gt;" in page
    assert "<truncated>" not in page


def test_each_plot_is_inline_and_described_in_words(page: str, blocks: list[Block]) -> None:
    plots = [block for block in blocks if isinstance(block, Plot)]
    assert page.count('<svg role="img" aria-label="') == len(plots) == 4
    assert all(f"<figcaption>{plot.caption}</figcaption>" in page for plot in plots)


def pages_text(pdf: bytes) -> Iterator[bytes]:
    yield from re.findall(rb"/Type /Page\b", pdf)


def test_the_pdf_has_pages_and_is_the_same_each_time(blocks: list[Block]) -> None:
    pdf = to_pdf("A cohort", blocks)
    assert pdf == to_pdf("A cohort", blocks)
    assert len(list(pages_text(pdf))) >= 4


def test_wide_tables_wrap_in_the_pdf_and_lose_nothing() -> None:
    from meniscal_measure.cohort.report.pdf import _lines

    reason = "the header promises 131072 bytes and the file holds 70000; copy it again " * 3
    table = Table("Not measured", ("Reading", "Reason"), (("S1 / 1", reason),), ("a note",))
    lines = list(_lines(table))
    assert max(map(len, lines)) <= LINE_WIDTH
    assert "".join(reason.split()) in "".join("".join(lines).split()).replace("S1/1", "")
