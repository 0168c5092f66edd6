"""The report of a cohort: complete, self-contained, and the same in HTML and PDF."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from html import escape
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.reader_agreement import detectable_change
from meniscal_measure.cohort.readings import load_readings, mean_of_readings
from meniscal_measure.cohort.report.contents import cohort_report
from meniscal_measure.cohort.report.document import (
    Block,
    Heading,
    Paragraph,
    Plot,
    Results,
    Table,
    listing,
)
from meniscal_measure.cohort.report.files import save_report
from meniscal_measure.cohort.report.groups import group_sections
from meniscal_measure.cohort.report.html import to_html
from meniscal_measure.cohort.report.pdf import _pages, to_pdf
from meniscal_measure.cohort.report.readers import reader_sections
from meniscal_measure.cohort.report.reference import read_reference
from meniscal_measure.cohort.report.typesetting import BODY, column_widths, width_in, wrapped
from meniscal_measure.cohort.run import Job, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Measure, carry_out
from meniscal_measure.errors import AgreementError, ManifestError, UsageError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.records.notice import NOTICE


@pytest.fixture
def blocks(store: Store) -> list[Block]:
    return cohort_report(store)


@pytest.fixture
def page(blocks: list[Block]) -> str:
    return to_html("A cohort", blocks)


def tables(blocks: list[Block]) -> dict[str, Table]:
    """Tables and results of a report by their captions."""
    plain = {block.caption: block for block in blocks if isinstance(block, Table)}
    return plain | {block.caption: block.table for block in blocks if isinstance(block, Results)}


def test_it_opens_with_what_it_is_and_is_not(blocks: list[Block]) -> None:
    assert isinstance(blocks[0], Heading)
    assert blocks[1] == Paragraph(NOTICE)


def test_the_flow_adds_up(blocks: list[Block]) -> None:
    words = " ".join(block.text for block in blocks if isinstance(block, Paragraph))
    assert "The manifest names 63 readings of 13 subjects. 2 were excluded, 1" in words
    assert "and 60 readings of 10 subjects were analysed" in words
    assert tables(blocks)["Exclusions"].rows == (("claustrophobia", "2"),)


def test_software_settings_and_conventions_are_named(blocks: list[Block]) -> None:
    found = tables(blocks)
    settings = {row[0]: row[1] for row in found["Settings of the last run"].rows}
    assert settings["software"].startswith("meniscal_measure ")
    assert settings["conventions.threshold_mm"] == "3.0"
    assert found["Conventions of the readings"].rows == (
        (
            "chosen by the reader",
            "line through both plateau rims",
            "> 3 mm, exactly 3 is not above",
            "60",
        ),
    )


def test_agreement_between_and_within_readers_names_its_sources(blocks: list[Block]) -> None:
    found = tables(blocks)
    between = found["Medial extrusion, readers A, B"]
    forms = [row[0].split(",")[0] + "," + row[0].split(",")[1] for row in between.rows[:3]]
    assert forms == ["ICC(1,1)", "ICC(2,1)", "ICC(3,1)"]
    assert between.rows[1][0] == "ICC(2,1), two-way random, absolute agreement, single reading"
    assert any("Shrout" in note for note in between.notes)
    pair = found["Medial extrusion, readers A and B"]
    assert "Lower limit of agreement" in [row[0] for row in pair.rows]
    assert "Medial extrusion, reader A, repeated readings" in found


def test_repeats_that_are_unequally_many_are_all_told_of(store: Store) -> None:
    readings = load_readings(store, Compartment.MEDIAL)
    second = np.flatnonzero(readings.repeat == 2)[:1]
    more = readings.where(np.append(np.arange(readings.repeat.size), second))
    more.repeat[-1], more.extrusion_mm[-1] = 3, more.extrusion_mm[-1] + 0.1
    found = tables(list(reader_sections("Medial", more, detectable_change(more))))
    (said,) = [
        note for note in found["Medial, reader A, repeated readings"].notes
        if note.startswith("Cases were not read equally often; the table takes 2 readings of each")
    ]  # fmt: skip
    assert re.search(r"All 41 readings of 20 cases have .* 0\.\d\d mm with 21 degrees", said)


def test_copies_are_not_reported_as_repeats(store: Store) -> None:
    readings = load_readings(store, Compartment.MEDIAL)
    first = readings.where(readings.repeat == 1)
    own = np.flatnonzero(first.reader == "A")
    copied = first.where(np.append(np.arange(first.repeat.size), own))
    copied.repeat[-own.size :] = 2
    blocks = list(reader_sections("Medial", copied, detectable_change(copied)))
    assert "Medial, reader A, repeated readings" not in tables(blocks)
    words = " ".join(block.text for block in blocks if isinstance(block, Paragraph))
    assert "The repeats of all 20 cases are identical, as copies of one reading are" in words


def test_repeats_without_a_variance_to_share_out_are_told_of(store: Store) -> None:
    readings = load_readings(store, Compartment.MEDIAL)
    own = readings.where(readings.reader == "A")
    own.extrusion_mm[:] = 2.0
    more = own.where(np.append(np.arange(40), 0))
    more.repeat[-1], more.extrusion_mm[-1] = 3, 2.5
    (_, said) = reader_sections("Medial", more, detectable_change(more))
    assert isinstance(said, Paragraph)
    assert said.text.startswith("Agreement of the repeats is not reported. All readings are equal")


def test_readers_with_the_same_values_throughout_are_not_compared(store: Store) -> None:
    readings = load_readings(store, Compartment.MEDIAL)
    own = readings.where((readings.reader == "A") & (readings.repeat == 1))
    both = own.where(np.tile(np.arange(20), 2))
    copied = replace(both, reader=np.repeat(["A", "B"], 20))
    _, said, listed = reader_sections("Medial", copied, detectable_change(copied))
    assert isinstance(said, Paragraph)
    assert said.text.startswith("Readers A, B have identical values in all 20 cases, as copies")
    assert isinstance(listed, Table)
    assert listed.rows == ()


def test_change_between_visits_uses_the_repeats_of_the_readers(blocks: list[Block]) -> None:
    words = " ".join(block.text for block in blocks if isinstance(block, Paragraph))
    assert re.search(
        r"0\.\d\d mm \(95 % interval 0\.\d\d to 0\.\d\d, from 20 cases repeated", words
    )
    changed = tables(blocks)["Medial extrusion, visit 1 to 2"]
    assert changed.rows[0][0] == "Mean change"
    # Built as 0.4 + n / 10 for n from 0 to 9: mean 0.85 mm.
    assert float(changed.rows[0][1]) == pytest.approx(0.85, abs=0.2)


def test_groups_are_described_and_all_readings_modelled(blocks: list[Block]) -> None:
    found = tables(blocks)
    assert found["Medial extrusion, visit 1, group all"].rows[0][0] == "Mean"
    assert found["Medial extrusion, visit 2, group all"].notes[-1].startswith("All 10 cases")
    (caption,) = (caption for caption in found if "mixed model" in caption)
    assert "extrusion ~ visit + reader with a random level for each subject, exam" in caption
    effects = {row[0]: float(row[1]) for row in found[caption].rows if row[3] == "mm"}
    # Built with 0.85 mm between the visits on average, and 0.1 mm between the readers.
    assert effects["visit: 2 against 1"] == pytest.approx(0.85, abs=0.2)
    assert effects["reader: B against A"] == pytest.approx(0.1, abs=0.2)


def test_two_groups_are_compared(store: Store) -> None:
    knees = mean_of_readings(load_readings(store, Compartment.MEDIAL))
    groups = np.where(np.arange(knees.subject.size) < 10, "control", "tear")
    found = tables(list(group_sections("Medial extrusion", replace(knees, group=groups))))
    assert list(found)[-1] == "Medial extrusion, group control minus tear"


def test_extrusion_is_compared_with_a_reference_finding(store: Store, tmp_path: Path) -> None:
    lines = ["subject,visit,side,finding"]
    lines += [f"S{n:02d},{visit},right,{int(n > 5)}" for n in range(10) for visit in (1, 2)]
    lines += ["S99,1,left,yes", "S98,1,left,"]
    (tmp_path / "reference.csv").write_text("\n".join(lines))
    blocks = cohort_report(store, reference=read_reference(tmp_path / "reference.csv"))
    found = tables(blocks)
    roc = found["Medial extrusion, ROC"]
    assert roc.rows[0][0] == "Area under the ROC curve"
    assert roc.notes[-1:] == (
        "Predictive values, and the proportion correct, hold only where the finding is as frequent"
        " as here: 8 of 20 cases (40 %).",
    )
    # Built as 1.0 + 0.45 n, and 0.4 + n / 10 more at visit 2: above 3 mm from knee 5, or 3.
    accuracy = {row[0]: row[1] for row in found["Medial extrusion > 3 mm"].rows}
    assert accuracy["Sensitivity"] == "1.000"


def test_every_bad_line_of_a_reference_is_named(tmp_path: Path) -> None:
    path = tmp_path / "reference.csv"
    path.write_text("subject,visit,side,finding\nS1,1,left,maybe\nS2,1,,1\nS3,1,right,0\n")
    with pytest.raises(ManifestError, match=r"line 2: give side.*\n  line 3: give side"):
        read_reference(path)
    path.write_text("subject,finding\n")
    with pytest.raises(ManifestError, match="the columns must be subject, visit, side, finding"):
        read_reference(path)
    with pytest.raises(UsageError, match="cannot be read as CSV"):
        read_reference(tmp_path / "none.csv")


def test_every_table_and_plot_is_a_file_of_its_own(blocks: list[Block], tmp_path: Path) -> None:
    written = save_report("A cohort", blocks, tmp_path)
    kinds = Counter(path.suffix for path in written)
    results = sum(isinstance(block, Results | Table) for block in blocks)
    plots = sum(isinstance(block, Plot) for block in blocks)
    assert kinds == {".html": 1, ".pdf": 1 + plots, ".svg": plots, ".csv": results, ".txt": results}
    text = next(path for path in written if "readers-a-and-b.txt" in path.name).read_text("utf-8")
    assert "Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160 (repeated" in text
    assert "All 20 cases were analysed" in text
    assert "The limits take them as repeated measurements of 10 subjects." in text


def test_what_could_not_be_measured_is_listed_with_its_reason(blocks: list[Block]) -> None:
    (row,) = tables(blocks)["Not measured"].rows
    assert row == ("BAD / 1", "refused", "PixelData is cut short: <truncated>.")


def test_a_compartment_that_was_never_measured_has_no_section(blocks: list[Block]) -> None:
    headings = [block.text for block in blocks if isinstance(block, Heading)]
    assert "Medial extrusion" in headings
    assert "Lateral extrusion" not in headings


def test_long_lists_say_what_they_leave_out() -> None:
    table = listing("Knees", ("Knee",), [(str(n),) for n in range(12)], most=10)
    assert len(table.shown) == 10
    assert len(table.rows) == 12
    assert table.notes == ("2 more are in the table's file.",)


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
    assert page.count('<svg role="img" aria-label="') == len(plots) == 5
    assert all(f"<figcaption>{escape(plot.caption)}</figcaption>" in page for plot in plots)


def pages_text(pdf: bytes) -> Iterator[bytes]:
    yield from re.findall(rb"/Type /Page\b", pdf)


def test_the_pdf_has_pages_and_is_the_same_each_time(blocks: list[Block]) -> None:
    pdf = to_pdf("A cohort", blocks)
    assert pdf == to_pdf("A cohort", blocks)
    assert len(list(pages_text(pdf))) >= 4


def test_wide_tables_wrap_in_the_pdf_and_lose_nothing() -> None:
    reason = "the header promises 131072 bytes and the file holds 70000; copy it again " * 3
    rows = (("S1 / 1", reason), ("S2 / 1", "x" * 400))
    widths = column_widths((("Reading", "Reason"), *rows), 6.0, 0.1)
    assert sum(widths) + 0.1 <= 6.0
    for row in rows:
        for cell, width in zip(row, widths, strict=True):
            lines = wrapped(cell, BODY, width)
            assert max(width_in(line, BODY) for line in lines) <= width
            assert "".join(lines).replace(" ", "") == cell.replace(" ", "")


def test_a_heading_stands_with_what_it_heads_and_a_long_table_repeats_its_header() -> None:
    rows = [(f"S{n:03d}", "refused") for n in range(120)]
    table = listing("Knees", ("Knee", "Status"), rows, most=500)
    blocks: list[Block] = [Paragraph("word " * 900), Heading("Last"), table]
    texts = [[text.get_text() for text in page.texts] for page in _pages(blocks)]
    assert len(texts) >= 3
    (headed,) = (page for page in texts if "Last" in page)
    assert headed[headed.index("Last") + 1 :][:3] == ["Knees", "Knee", "Status"]
    assert all("Status" in page for page in texts if "refused" in page)
    assert sum(page.count("refused") for page in texts) == 120


def test_a_knee_with_two_different_findings_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "reference.csv"
    path.write_text("subject,visit,side,finding\nA,1,left,1\n A ,1,left,yes\nA,1,left,0\n")
    with pytest.raises(ManifestError, match="line 4: A / left / 1 has another finding above"):
        read_reference(path)


# Who stands behind a reading


@pytest.fixture
def signed(tmp_path: Path, make_knee: Callable[..., Entry], measure: Measure) -> Iterator[Store]:
    """Three readings signed by A and B, two proposed ones and one placed and not confirmed."""
    said = [
        {
            "verified": True,
            "verified_by": "A",
            "signatures": [
                {
                    "signed_at": "2026-03-02T10:00:00.000+00:00",
                    "quality": ["motion", "cut_off"],
                }
            ],
        },
        {
            "verified": True,
            "verified_by": "A",
            "signatures": [{"signed_at": "2026-03-04T23:59:00.000+00:00", "quality": ["motion"]}],
        },
        {"verified": True, "verified_by": "B"},
        {"proposal_confidence": 0.93},
        {"proposal_confidence": 0.95},
        {},
    ]
    entries = [
        make_knee(f"S{number}", extrusion_mm=3.5 + number / 10, record=record)
        for number, record in enumerate(said)
    ]
    path = tmp_path / "signed.sqlite"
    run_cohort(entries, Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as opened:
        yield opened


def test_verified_and_proposed_readings_are_counted_apart(signed: Store) -> None:
    blocks = cohort_report(signed)
    words = [block.text for block in blocks if isinstance(block, Paragraph)]
    assert (
        "Of the analysed readings: 3 verified; 2 proposed, not verified; 1 placed, not verified."
        " Verified by: A 2, B 1. Signed from 2026-03-02 to 2026-03-04 (UTC). Readings that nobody"
        " has verified enter every statistic below."
    ) in words


def test_what_readers_found_wrong_with_the_images_is_counted(signed: Store) -> None:
    noted = tables(cohort_report(signed))["Noted by the readers"]
    assert noted.rows == (("motion", "2"), ("cut off", "1"))


def test_the_flow_and_the_flagged_list_show_who_verified(signed: Store) -> None:
    blocks = cohort_report(signed)
    flow = next(block for block in blocks if isinstance(block, Plot))
    page = to_html("", [flow])
    assert "3 verified," in page
    assert "2 proposed, not verified," in page
    flagged = tables(blocks)["Readings flagged by the threshold rule"]
    assert [row[-1] for row in flagged.rows] == ["A", "A", "B"] + ["not verified"] * 3


def test_readings_under_different_conventions_do_not_compare(store: Store) -> None:
    rows = [row | {"threshold_mm": 3.0 + (n == 7)} for n, row in enumerate(store.rows())]
    mixed = SimpleNamespace(rows=lambda: iter(rows))
    with pytest.raises(
        AgreementError, match=r"different conventions \(rim_to_rim, > 3 mm; rim_to_rim, > 4 mm"
    ):
        load_readings(cast("Store", mixed), Compartment.MEDIAL)


def test_warnings_are_counted_before_they_are_listed(
    tmp_path: Path, make_knee: Callable[..., Entry], measure: Measure
) -> None:
    alone, several = Finding(Code.NO_NEIGHBOUR), Finding(Code.DUPLICATES, {"count": 3})
    said = [[alone.to_json()], [alone.to_json(), several.to_json()], []]
    entries = [make_knee(f"S{n}", record={"warnings": warnings}) for n, warnings in enumerate(said)]
    path = tmp_path / "warned.sqlite"
    run_cohort(entries, Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as opened:
        found = tables(cohort_report(opened))
    assert found["Warnings"].rows == ((str(alone), "2"), (str(several), "1"))
    assert found["Warnings, reading by reading"].rows[-1] == ("S1 / 1 / 1", str(several))
