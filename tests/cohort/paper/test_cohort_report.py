"""The report of a cohort: complete, self-contained, and the same in HTML and PDF."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from html import escape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.cohort.agreement.estimates import Estimate
from meniscal_measure.cohort.agreement.labels import Labels
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.paper.accuracy_section import read_reference
from meniscal_measure.cohort.paper.agreement_section import agreement_sections, reliability_words
from meniscal_measure.cohort.paper.blocks import (
    Block,
    Heading,
    Listing,
    Paragraph,
    Plot,
    Results,
    Table,
    sources_of,
)
from meniscal_measure.cohort.paper.saved_report import save_report
from meniscal_measure.cohort.paper.sheets import to_pdf
from meniscal_measure.cohort.paper.study_report import cohort_report
from meniscal_measure.cohort.paper.web_page import to_html
from meniscal_measure.cohort.reader_agreement import detectable_change
from meniscal_measure.cohort.readings import load_compartments, load_readings
from meniscal_measure.cohort.run import Job, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Measure, Settings, carry_out
from meniscal_measure.errors import AgreementError, ManifestError, UsageError
from meniscal_measure.findings import Code, Finding
from meniscal_measure.records.notice import NOTICE
from tests.cohort.conftest import knees_in


@pytest.fixture(scope="module")
def blocks(store: Store) -> list[Block]:
    return cohort_report(store)


@pytest.fixture(scope="module")
def page(blocks: list[Block]) -> str:
    return to_html("A cohort", blocks)


def tables(blocks: list[Block]) -> dict[str, Table]:
    """Tables and results of a report by their captions."""
    plain = {block.caption: block for block in blocks if isinstance(block, Table)}
    results = [block for block in blocks if isinstance(block, Results)]
    plain |= {
        block.caption: Table(
            block.caption,
            block.header,
            tuple(tuple(map(str, row)) for row in block.rows()),
            in_file_only=True,
        )
        for block in blocks
        if isinstance(block, Listing)
    }
    sources = sources_of(blocks)
    return plain | {block.caption: block.table(sources) for block in results}


def test_it_opens_with_what_it_is_and_is_not(blocks: list[Block]) -> None:
    assert isinstance(blocks[0], Heading)
    assert blocks[1] == Paragraph(NOTICE)


def test_the_flow_adds_up(blocks: list[Block]) -> None:
    words = " ".join(block.text for block in blocks if isinstance(block, Paragraph))
    assert "The manifest names 63 readings of 13 subjects: 2 excluded, 1 not measured" in words
    assert "and 60 readings of 10 subjects analysed" in words
    assert tables(blocks)["Exclusions"].rows == (("claustrophobia", "2"),)


def test_repeats_that_are_unequally_many_are_all_told_of(store: Store) -> None:
    readings = load_readings(store, Compartment.MEDIAL)
    second = np.flatnonzero(readings.repeat == 2)[:1]
    more = readings.where(np.append(np.arange(readings.repeat.size), second))
    more.repeat[-1], more.extrusion_mm[-1] = 3, more.extrusion_mm[-1] + 0.1
    found = tables(list(agreement_sections("Medial", more, detectable_change(more))))
    (said,) = [
        note for note in found["Medial, reader A, repeated readings"].notes
        if note.startswith("Cases were not read equally often; the table takes 2 readings of each")
    ]  # fmt: skip
    assert re.search(r"All 41 readings of 20 cases have .* 0\.\d\d mm with 21 degrees", said)


def test_copies_are_not_reported_as_repeats(store: Store) -> None:
    readings = load_readings(store, Compartment.MEDIAL)
    first = readings.where(readings.repeat == 1)
    own = np.flatnonzero(first.reader.is_("A"))
    copied = first.where(np.append(np.arange(first.repeat.size), own))
    copied.repeat[-own.size :] = 2
    blocks = list(agreement_sections("Medial", copied, detectable_change(copied)))
    assert "Medial, reader A, repeated readings" not in tables(blocks)
    words = " ".join(block.text for block in blocks if isinstance(block, Paragraph))
    assert "The repeats of all 20 cases are identical, as copies of one reading are" in words


def test_every_bad_line_of_a_reference_is_named(tmp_path: Path) -> None:
    path = tmp_path / "reference.csv"
    path.write_text("subject,visit,side,finding\nS1,1,left,maybe\nS2,1,,1\nS3,1,right,0\n")
    with pytest.raises(ManifestError, match=r"line 2: give side.*\n  line 3: give side"):
        read_reference(path)
    path.write_text("subject,finding\n")
    with pytest.raises(ManifestError, match="the columns must be subject, visit, side, finding"):
        read_reference(path)
    with pytest.raises(UsageError, match=r"none\.csv cannot be read"):
        read_reference(tmp_path / "none.csv")


def test_what_could_not_be_measured_is_listed_with_its_reason(blocks: list[Block]) -> None:
    (row,) = tables(blocks)["Not measured"].rows
    assert row == ("BAD / 1", "refused", "PixelData is cut short: <truncated>.")


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


def test_text_from_the_images_cannot_become_markup() -> None:
    said = "PixelData is cut short: <truncated>"
    page = to_html("", [Paragraph(said), Table(said, (said,), ((said,),), (said,))])
    assert "&lt;truncated&gt;" in page
    assert "<truncated>" not in page


def pages_text(pdf: bytes) -> Iterator[bytes]:
    yield from re.findall(rb"/Type /Page\b", pdf)


def test_the_pdf_has_pages_and_is_the_same_each_time(blocks: list[Block]) -> None:
    pdf = to_pdf("A cohort", blocks)
    assert pdf == to_pdf("A cohort", blocks)
    assert 4 <= len(list(pages_text(pdf))) <= 8


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
        " Verified by: A 2, B 1. Signed from 2026-03-02 to 2026-03-04 (UTC). Readings that"
        " are not verified are part of every statistic below."
    ) in words


def test_what_readers_found_wrong_with_the_images_is_counted(signed: Store) -> None:
    noted = tables(cohort_report(signed))["Noted by the readers"]
    assert noted.rows == (("motion", "2"), ("cut off", "1"))


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


def words_of(blocks: list[Block]) -> str:
    return " ".join(block.text for block in blocks if isinstance(block, Paragraph))


def test_software_settings_conventions_and_versions_are_named(blocks: list[Block]) -> None:
    found = tables(blocks)["Settings, conventions and versions"]
    rows = {row[0]: row[1] for row in found.rows}
    assert rows["Software of the last run"].startswith("meniscal_measure ")
    assert rows["Threshold (mm)"] == "3.0"
    assert rows["60 readings"] == (
        "chosen by the reader; line through both plateau rims; > 3 mm, exactly 3 is not above"
    )
    assert "numpy" in rows["This report"]


def test_the_placement_that_is_assumed_is_said_with_its_reason(blocks: list[Block]) -> None:
    assert "0.2 mm is assumed, which follows from the spread" in words_of(blocks)


def test_one_icc_is_recommended_and_the_others_are_a_file(blocks: list[Block]) -> None:
    found = tables(blocks)
    between = found["Medial extrusion, readers A, B"]
    assert [row[0] for row in between.rows if row[0].startswith("ICC")] == [
        "ICC(2,1), two-way random, absolute agreement, single reading"
    ]
    others = found["Medial extrusion, readers A, B, the other forms of the ICC"]
    assert (len(others.rows), others.in_file_only) == (5, True)
    assert "ICC(2,1) is recommended for this design (Koo" in words_of(blocks)
    assert any("Shrout" in source for source in sources_of(blocks))
    pair = found["Medial extrusion, readers A and B"]
    assert "Lower limit of agreement" in [row[0] for row in pair.rows]
    assert "AC1" in [
        row[0] for row in found["Medial extrusion, flag and grade by readers A and B"].rows
    ]
    assert "Medial extrusion, reader A, repeated readings" in found


@pytest.mark.parametrize(
    ("icc", "words"),
    [
        (Estimate("ICC", 0.95, 0.91, 0.98), "excellent"),
        (Estimate("ICC", 0.6, 0.4, 0.8), "poor to good"),
        (Estimate("ICC", -0.3, -0.7, 0.1), "negative: readings of one case differ more than cases"),
        (Estimate("ICC", float("nan")), "not defined"),
    ],
)
def test_reliability_is_put_into_honest_words(icc: Estimate, words: str) -> None:
    assert reliability_words(icc).startswith(words)


def test_change_is_told_with_the_smallest_detectable_change(blocks: list[Block]) -> None:
    changed = tables(blocks)["Medial extrusion, visit 1 to 2"]
    assert re.search(
        r"0\.\d\d mm \(95 % interval 0\.\d\d to 0\.\d\d, from 20 cases repeated",
        " ".join(changed.notes),
    )
    assert changed.rows[0][0] == "Mean change"
    # Built as 0.4 + n / 10 for n from 0 to 9: mean 0.85 mm.
    assert float(changed.rows[0][1]) == pytest.approx(0.85, abs=0.2)


def test_all_readings_are_modelled(blocks: list[Block]) -> None:
    found = tables(blocks)
    (caption,) = (caption for caption in found if "linear mixed model" in caption)
    assert "extrusion ~ visit + reader, random intercepts for subject, examination" in caption
    effects = {row[0]: float(row[1]) for row in found[caption].rows}
    # Built with 0.85 mm between the visits on average, and 0.1 mm between the readers.
    assert effects["visit: 2 against 1"] == pytest.approx(0.85, abs=0.2)
    assert effects["reader: B against A"] == pytest.approx(0.1, abs=0.2)


def test_lists_of_single_knees_are_files_and_not_shown(blocks: list[Block], page: str) -> None:
    hidden = {name for name, table in tables(blocks).items() if table.in_file_only}
    assert {"Medial extrusion, visit 1 to 2: change of each knee, the largest first",
            "Readings flagged by the threshold rule", "Not measured"} <= hidden  # fmt: skip
    assert not any(f"<caption>{escape(name)}</caption>" in page for name in hidden)


def test_every_table_and_plot_is_a_file_of_its_own(blocks: list[Block], tmp_path: Path) -> None:
    written = save_report("A cohort", blocks, tmp_path)
    kinds = Counter(path.suffix for path in written)
    results = sum(isinstance(block, Results) for block in blocks)
    lists = sum(isinstance(block, Table | Listing) for block in blocks)
    plots = sum(isinstance(block, Plot) for block in blocks)
    assert kinds == {".html": 1, ".pdf": 1 + plots, ".svg": plots, ".csv": results + lists,
                     ".txt": results}  # fmt: skip
    text = next(path for path in written if "readers-a-and-b.txt" in path.name).read_text("utf-8")
    assert "Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160 (repeated" in text
    assert "The limits take them as repeated measurements of 10 subjects." in text


def test_each_plot_is_inline_and_described_in_words(page: str, blocks: list[Block]) -> None:
    plots = [block for block in blocks if isinstance(block, Plot) and not block.in_file_only]
    assert page.count('<svg role="img" aria-label="') == len(plots) >= 5
    assert all(f"<figcaption>{escape(plot.caption)}</figcaption>" in page for plot in plots)


def test_the_guidelines_say_where_each_item_is_answered(blocks: list[Block]) -> None:
    rows = tables(blocks)["GRRAS (Kottner 2011)"].rows
    assert [row[0] for row in rows] == [str(number) for number in range(1, 16)]
    assert "STARD 2015 (Bossuyt 2015)" not in tables(blocks)


def test_extrusion_is_compared_with_a_reference_finding(store: Store, tmp_path: Path) -> None:
    lines = ["subject;visit;side;finding"]
    lines += [f"S{n:02d};{visit};right;{int(n > 5)}" for n in range(10) for visit in (1, 2)]
    lines += ["S99;1;left;yes", "S98;1;left;"]
    (tmp_path / "reference.csv").write_text("\n".join(lines))
    blocks = cohort_report(store, reference=read_reference(tmp_path / "reference.csv"))
    found = tables(blocks)
    roc = found["Medial extrusion, ROC"]
    names = [row[0] for row in roc.rows]
    assert names[:2] == ["Area under the ROC curve", "Cut-off with the largest Youden index"]
    assert "8 of 20 cases (40 %)" in roc.notes[1]
    # Built as 1.0 + 0.45 n, and 0.4 + n / 10 more at visit 2: above 3 mm from knee 5, or 3.
    accuracy = {row[0]: row[1] for row in found["Medial extrusion > 3 mm"].rows}
    assert accuracy["Sensitivity"] == "1.000"
    assert "STARD 2015 (Bossuyt 2015)" in found


# Groups, covariates and several readers


@pytest.fixture(scope="module")
def grouped(tmp_path_factory: pytest.TempPathFactory, measure: Measure) -> Iterator[list[Block]]:
    """Report of sixteen subjects in two groups at two visits, read by three readers.

    Their covariates are known.
    """
    folder = tmp_path_factory.mktemp("grouped")
    make_knee = knees_in(folder / "images")
    rng = np.random.default_rng(101)
    entries = []
    for number in range(16):
        tear, level = number % 2, rng.normal(2, 0.6)
        covariates = (
            ("age", str(50 + number)),
            ("sex", "fm"[number % 3 == 0]),
            ("note", f"n{number}"),
        )
        for visit in ("1", "2"):
            truth = level + 0.9 * tear + (0.2 + 0.385 * tear) * (visit == "2") + rng.normal(0, 0.1)
            for reader in "ABC":
                name = f"S{number:02d}{reader}"
                knee = make_knee(name, visit=visit, extrusion_mm=truth + rng.normal(0, 0.15))
                group = "tear" if tear else "control"
                entries.append(replace(knee, subject=f"S{number:02d}", reader=reader, group=group,
                                       covariates=covariates))  # fmt: skip
    path = folder / "grouped.sqlite"
    run_cohort(entries, Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as opened:  # its longest tables are read when they are written
        yield cohort_report(opened)


def test_change_by_group_comes_before_agreement_and_in_the_sentences(grouped: list[Block]) -> None:
    headings = [block.text for block in grouped if isinstance(block, Heading)]
    change = headings.index("Medial extrusion: change between visits, by group")
    assert change < headings.index("Medial extrusion: agreement of readers")
    rows = {row[0]: row for row in tables(grouped)["Medial extrusion, visit 1 to 2, by group"].rows}
    difference = rows["Difference of changes, tear minus control"]
    assert float(difference[2]) == pytest.approx(0.385, abs=0.2)
    assert "The difference of these changes, tear minus control, was" in words_of(grouped)
    (caption,) = (caption for caption in tables(grouped) if "linear mixed model" in caption)
    assert "extrusion ~ group + visit + reader + age + sex m against f + group × visit" in caption


def test_table_one_describes_subjects_by_group(grouped: list[Block]) -> None:
    table = tables(grouped)["Table 1. Subjects and knees"]
    rows = {row[0]: row[1:] for row in table.rows}
    assert table.header == ("", "All", "control", "tear")
    assert rows["Subjects"] == ("16", "8", "8")
    assert rows["age"][0].startswith("57.50 (")
    assert rows["sex: f"][0] == "10 (62 %)"


def test_three_readers_are_compared_together_and_pair_by_pair(grouped: list[Block]) -> None:
    found = tables(grouped)
    names = [row[0] for row in found["Medial extrusion, readers A, B, C"].rows]
    assert {"Fleiss' kappa, flag", "AC1, flag", "AC1, grade"} <= set(names)
    pairs = found["Medial extrusion, every two readers"].rows
    assert [row[0] for row in pairs] == ["A minus B", "A minus C", "B minus C"]


def test_sensitivity_analyses_leave_out_what_may_be_doubted(grouped: list[Block]) -> None:
    found = tables(grouped)["Medial extrusion: sensitivity analyses"]
    rows = {row[0]: row for row in found.rows}
    assert rows["all"][1] == "96"
    assert rows["verified by a person only"][1:] == ("0", "–", "–", "–")
    assert rows["first readings only"][3] == rows["all"][3]


def test_the_report_of_a_whole_study_has_no_more_than_eight_pages(grouped: list[Block]) -> None:
    assert len(list(pages_text(to_pdf("A cohort", grouped)))) <= 8


def test_readings_on_slices_chosen_by_different_rules_are_not_pooled(
    tmp_path: Path, make_knee: Callable[..., Entry], measure: Measure
) -> None:
    def said(rule: str) -> dict[str, object]:
        conventions = {"axis": "rim_to_rim", "slice": rule, "threshold_rule": "above",
                       "threshold_mm": 3.0}  # fmt: skip
        return {"conventions": conventions}

    rules = ["maximum_extrusion"] * 2 + ["medial_spine_apex"] * 3
    entries = [
        make_knee(f"S{n}", extrusion_mm=2 + n, record=said(rule)) for n, rule in enumerate(rules)
    ]
    path = tmp_path / "mixed.sqlite"
    run_cohort(entries, Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as opened:
        with pytest.raises(
            AgreementError, match=r"2 along rim_to_rim on maximum_extrusion, > 3 mm; 3 along rim_to"
        ):
            cohort_report(opened)
        chosen = SliceConvention.MEDIAL_SPINE_APEX
        found = load_compartments(opened, slice_convention=chosen)
        words = words_of(cohort_report(opened, slice_convention=chosen))
    assert found[Compartment.MEDIAL].extrusion_mm.tolist() == [4.0, 5.0, 6.0]
    assert "2 not measured or left out, and 3 readings of 3 subjects analysed" in words
    assert "largest extrusion" not in words


def test_readings_along_different_axes_are_not_pooled_even_if_of_one_compartment(
    tmp_path: Path, make_knee: Callable[..., Entry], measure: Measure, stand_in: Any
) -> None:
    """Medial readings are of one axis; the lateral one that differs has no medial one."""
    one = stand_in.record(1.5, Settings())
    other = one["conventions"] | {"axis": "local_tangent"}
    both = {"lateral": one["medial"]}
    alone = {"medial": None, **both, "conventions": other}
    entries = [
        make_knee(f"S{n}", extrusion_mm=2 + n, record=said)
        for n, said in enumerate((both, both, alone))
    ]
    path = tmp_path / "mixed.sqlite"
    run_cohort(entries, Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as opened:
        assert load_readings(opened, Compartment.MEDIAL).size == 2
        with pytest.raises(AgreementError, match=r"1 along local_tangent .* 2 along rim_to_rim"):
            load_compartments(opened)


def test_identical_readers_are_said_and_not_compared(store: Store) -> None:
    readings = load_readings(store, Compartment.MEDIAL)
    own = readings.where(readings.reader.is_("A") & (readings.repeat == 1))
    both = own.where(np.tile(np.arange(20), 2))
    copied = replace(both, reader=Labels.of(np.repeat(["A", "B"], 20)))
    words = words_of(list(agreement_sections("Medial", copied, detectable_change(copied))))
    assert words.startswith("Readers A, B have identical values in all 20 cases, as copies")
