from __future__ import annotations

import json
import re
import shutil
import subprocess
import zlib
from collections.abc import Callable
from dataclasses import astuple, replace
from pathlib import Path
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image
from pypdf import PdfReader

from meniscal_measure.caliper.reading import Reading
from meniscal_measure.errors import InputError, OutputError, UsageError
from meniscal_measure.findings import Code, Finding, Severity
from meniscal_measure.records.file_set import check_set
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.records.reading_file import read_reading
from meniscal_measure.records.signatures import signed_by
from meniscal_measure.report import save
from meniscal_measure.report.canvas import Stamp, blank, pdf_bytes, png_bytes, svg_bytes
from meniscal_measure.report.figure import slice_figure
from meniscal_measure.report.fonts import CODE_POINT_NOTE
from meniscal_measure.report.images import SeriesImages
from meniscal_measure.report.profile import profile_figure
from meniscal_measure.report.save import SavedFiles, save_reading
from meniscal_measure.report.strip import strip_figure
from tests.handmade_findings import example
from tests.handmade_readings import Case, MakeCase

IDENTIFIERS = ("quillfeather", "zebedee", "PID-90817", "20250917", "2025-09-17", "2.25.", "okonjo")

XHTML = "{http://www.w3.org/1999/xhtml}"

PDF_STREAM = re.compile(rb"stream\r?\n(.*?)\r?\nendstream", re.DOTALL)


@pytest.fixture(scope="module")
def saved(case: Case, tmp_path_factory: pytest.TempPathFactory) -> SavedFiles:
    return save_reading(*case, tmp_path_factory.mktemp("saved"))


@pytest.fixture(scope="module")
def anonymous(make_case: MakeCase, tmp_path_factory: pytest.TempPathFactory) -> SavedFiles:
    folder = tmp_path_factory.mktemp("anonymous")
    return save_reading(*make_case(verified=True), folder, identifiers=False)


@pytest.fixture
def report_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw the report and leave the pictures beside it empty."""
    for name in ("png_bytes", "svg_bytes"):
        monkeypatch.setattr(save, name, lambda *_: b"")


def pictures_of(reading: Reading, images: SeriesImages) -> tuple[Figure, ...]:
    grid = images.grids[reading.measured.slice_index]
    pictures = (slice_figure(reading, images), strip_figure(reading, images))
    return (*pictures, profile_figure(reading, grid))


def words_of(figure: Figure) -> str:
    return " ".join(text.get_text() for text in figure.findobj(Text))


def unpacked(pdf: bytes) -> bytes:
    """The PDF with its compressed streams opened."""
    parts = [pdf]
    for match in PDF_STREAM.finditer(pdf):
        try:
            parts.append(zlib.decompress(match[1]))
        except zlib.error:
            continue
    return b"\n".join(parts)


def pdf_words(path: Path) -> str:
    program = shutil.which("pdftotext")
    if program is None:
        pytest.skip("pdftotext (poppler) is not installed")
    run = subprocess.run([program, "-layout", path, "-"], capture_output=True, check=True)
    return run.stdout.decode()


def files(saved: SavedFiles) -> list[Path]:
    return [part for part in astuple(saved) if isinstance(part, Path)]


def word_faults(path: Path) -> list[str]:
    """Words that overlap others or run off the paper, as poppler lays them out."""
    program = shutil.which("pdftotext")
    if program is None:
        pytest.skip("pdftotext (poppler) is not installed")
    run = subprocess.run([program, "-bbox", path, "-"], capture_output=True, check=True)
    return [
        fault
        for page in ElementTree.fromstring(run.stdout).iter(f"{XHTML}page")
        for fault in page_faults(page)
    ]


def page_faults(page: ElementTree.Element) -> list[str]:
    width, height = float(page.attrib["width"]), float(page.attrib["height"])
    words = list(page.iter(f"{XHTML}word"))
    corners = [[float(word.attrib[n]) for n in ("xMin", "yMin", "xMax", "yMax")] for word in words]
    left, top, right, bottom = np.array(corners).T
    off = (left < 0) | (top < 0) | (right > width) | (bottom > height)
    shared_width = np.minimum.outer(right, right) - np.maximum.outer(left, left)
    shared_height = np.minimum.outer(bottom, bottom) - np.maximum.outer(top, top)
    overlapping = np.triu((shared_width > 1.5) & (shared_height > 3.0), k=1)
    return [f"{words[n].text!r} runs off the paper" for n in np.flatnonzero(off)] + [
        f"{words[a].text!r} overlaps {words[b].text!r}" for a, b in np.argwhere(overlapping)
    ]


def test_the_promised_files_are_written_and_no_others(saved: SavedFiles) -> None:
    folder = saved.reading.parent
    assert sorted(path.name for path in folder.iterdir()) == [
        "figure.pdf",
        "figure.png",
        "figure.svg",
        "profile.png",
        "profile.svg",
        "reading.json",
        "reading.sha256",
        "readings.csv",
        "report.pdf",
        "strip.png",
        "strip.svg",
    ]
    assert all(path in folder.iterdir() for path in files(saved))


def test_the_record_says_that_it_is_no_diagnosis(saved: SavedFiles) -> None:
    record = json.loads(saved.reading.read_text("utf-8"))
    assert record["notice"] == NOTICE
    assert record["source"]["patient_id"] == "PID-90817"


def test_the_figure_is_large_enough_to_read(saved: SavedFiles) -> None:
    with Image.open(saved.figure_png) as picture:
        assert picture.width >= 1400
        assert picture.info["Title"].endswith("a measurement aid, not a diagnosis")


@pytest.mark.parametrize("name", ["figure_svg", "strip_svg", "profile_svg"])
def test_an_svg_is_well_formed_and_fetches_nothing(saved: SavedFiles, name: str) -> None:
    root = ElementTree.fromstring(getattr(saved, name).read_bytes())
    links = [
        value
        for element in root.iter()
        for key, value in element.attrib.items()
        if key.endswith(("href", "src"))
    ]
    assert all(link.startswith(("#", "data:image/png;base64,")) for link in links)
    assert not list(root.iter("{http://www.w3.org/2000/svg}script"))


def test_marks_can_be_found_in_the_svg_by_name(saved: SavedFiles) -> None:
    root = ElementTree.fromstring(saved.figure_svg.read_bytes())
    ids = {element.get("id") for element in root.iter()}
    assert {"medial-caliper", "medial-rim-line", "lateral-flag", "scale-bar"} <= ids


@pytest.mark.parametrize("name", ["figure_pdf", "report"])
def test_a_pdf_embeds_its_fonts_as_truetype_and_draws_vectors(saved: SavedFiles, name: str) -> None:
    content = unpacked(getattr(saved, name).read_bytes())
    assert b"/FontFile2" in content
    assert b"/Type3" not in content
    assert len(re.findall(rb"^[\d. -]+ l$", content, re.MULTILINE)) > 30, "line segments"


def test_no_image_in_the_report_covers_a_page(saved: SavedFiles) -> None:
    content = saved.report.read_bytes()
    sizes = [int(width) for width in re.findall(rb"/Width (\d+)", content)]
    page_px = 8.27 * 200
    assert sizes
    assert max(sizes) < 0.6 * page_px


def test_the_report_has_two_a4_pages(saved: SavedFiles) -> None:
    pages = PdfReader(saved.report).pages
    assert [page.mediabox[2:] for page in pages] == [pytest.approx((595.3, 841.9), abs=0.3)] * 2


def test_the_words_of_the_report_can_be_searched(saved: SavedFiles) -> None:
    said = " ".join(pdf_words(saved.report).split())
    for part in (
        "Patient: Quillfeather Zebedee",
        "4.50 ± 0.59 mm",
        "FLAGGED > 3 mm",
        "rim placement",
        "expanded uncertainty U95",
        "the gaps between its printed bins",
        "SOP Instance UID 2.25.333333",
        "No neighbouring slice was measured",
        "verified by (reader's name)",
        "A measurement aid, not a diagnosis.",
    ):
        assert part in said


def test_each_page_of_the_report_says_what_it_is_and_is_not(saved: SavedFiles) -> None:
    """Pages come apart; below the figure, which says so too, stands the foot of the page."""
    pages = [" ".join(page.split()) for page in pdf_words(saved.report).split("\f")[:-1]]
    assert len(pages) == 2
    for page in pages:
        foot = page[page.rindex(NOTICE) :]
        assert "PROPOSED, NOT VERIFIED" in foot
    assert (
        "axis rim_to_rim (line through both plateau rims); slice largest_medial_spine" in pages[1]
    )


@pytest.mark.usefixtures("report_alone")
@pytest.mark.parametrize(
    "changes",
    [{}, {"left_mm": 3.0, "right_mm": 3.0}, {"side": None, "left_mm": None}, {"verified": True}],
)
def test_no_words_of_the_report_overlap_or_run_off_the_paper(
    make_case: MakeCase, tmp_path: Path, changes: dict[str, object]
) -> None:
    saved = save_reading(*make_case(**changes), tmp_path)
    assert len(PdfReader(saved.report).pages) == 2
    assert word_faults(saved.report) == []


@pytest.mark.parametrize("code", [code for code in Code if code.severity is Severity.WARNING])
def test_every_picture_names_every_warning(make_case: MakeCase, code: Code) -> None:
    reading, images = make_case(warnings=(example(code),))
    said = f"WARNINGS, in full in the report: {code.word.replace('_', ' ')}."
    for figure in pictures_of(reading, images):
        assert said in re.sub(r"\s+", " ", words_of(figure))


@pytest.mark.usefixtures("report_alone")
def test_slices_in_a_warning_are_counted_as_the_reader_counts(
    make_case: MakeCase, tmp_path: Path
) -> None:
    """In the report and in the text of the record."""
    values = {"gap_mm": 6.0, "before": 2, "after": 3, "usual_mm": 3.0}
    saved = save_reading(*make_case(warnings=(Finding(Code.MISSING_SLICES, values),)), tmp_path)
    said = "6.00 mm between slices 3 and 4"
    assert said in " ".join(pdf_words(saved.report).split())
    (warning,) = json.loads(saved.reading.read_text("utf-8"))["warnings"]
    assert said in warning["text"]
    assert warning["values"] == values


@pytest.mark.usefixtures("report_alone")
def test_many_warnings_go_on_over_the_page_and_none_is_left_out(
    make_case: MakeCase, tmp_path: Path
) -> None:
    warnings = tuple(Finding(Code.DUPLICATES, {"count": 1000 + n}) for n in range(180))
    saved = save_reading(*make_case(warnings=warnings), tmp_path)
    said = " ".join(pdf_words(saved.report).split())
    assert all(" ".join(warning.words().split()) in said for warning in warnings)
    pages = len(PdfReader(saved.report).pages)
    assert f"page {pages} of {pages}" in said
    assert word_faults(saved.report) == []


def test_the_same_reading_gives_the_same_bytes(
    case: Case, saved: SavedFiles, tmp_path: Path
) -> None:
    again = save_reading(*case, tmp_path)
    for first, second in zip(files(saved), files(again), strict=True):
        assert first.read_bytes() == second.read_bytes(), first.name


def test_no_file_holds_an_identifier_when_they_are_left_out(anonymous: SavedFiles) -> None:
    for path in files(anonymous):
        content = path.read_bytes()
        content = (unpacked(content) if path.suffix == ".pdf" else content).lower()
        for identifier in IDENTIFIERS:
            assert identifier.lower().encode() not in content, path.name


def test_no_word_on_a_page_is_an_identifier_when_they_are_left_out(anonymous: SavedFiles) -> None:
    for path in (anonymous.report, anonymous.figure_pdf):
        said = pdf_words(path).lower()
        assert "measurement aid" in said
        assert not [name for name in IDENTIFIERS if name.lower() in said]


@pytest.mark.parametrize("name", ["figure", "strip", "profile"])
def test_pictures_never_name_the_patient(saved: SavedFiles, name: str) -> None:
    for path in (getattr(saved, f"{name}_png"), getattr(saved, f"{name}_svg")):
        content = path.read_bytes().lower()
        assert b"quillfeather" not in content
        assert b"pid-90817" not in content


@pytest.mark.usefixtures("without_pictures")
def test_a_folder_that_cannot_be_made_is_an_output_error(case: Case, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file, not a folder")
    with pytest.raises(OutputError, match="Cannot write"):
        save_reading(*case, tmp_path / "taken")


def test_saving_leaves_the_settings_of_matplotlib_alone() -> None:
    before = dict(mpl.rcParams)
    stamp = Stamp(title="A title", software="meniscal_measure", made_at="2026-02-03T04:05:06+00:00")
    figure = blank(1, 1).figure
    assert png_bytes(figure, stamp).startswith(b"\x89PNG")
    assert svg_bytes(figure, stamp).startswith(b"<?xml")
    assert pdf_bytes([figure], stamp).startswith(b"%PDF")
    assert dict(mpl.rcParams) == before


@pytest.mark.usefixtures("without_pictures")
def test_a_verified_reading_is_not_replaced_by_one_that_is_not(
    case: Case, make_case: Callable[..., Case], tmp_path: Path
) -> None:
    verified = save_reading(*make_case(verified=True), tmp_path).reading.read_bytes()
    with pytest.raises(UsageError, match=r"holds a reading that is verified.*--force"):
        save_reading(*case, tmp_path)
    assert (tmp_path / "reading.json").read_bytes() == verified
    save_reading(*case, tmp_path, force=True)
    assert (tmp_path / "earlier-1" / "reading.json").read_bytes() == verified
    check_set(tmp_path / "earlier-1", "reading.json")
    assert not read_reading(tmp_path / "reading.json").verified


@pytest.mark.usefixtures("without_pictures")
def test_a_verified_reading_is_not_replaced_by_way_of_a_folder_that_is_not_there(
    case: Case, make_case: MakeCase, tmp_path: Path
) -> None:
    save_reading(*make_case(verified=True), tmp_path / "out")
    with pytest.raises(UsageError, match="holds a reading that is verified"):
        save_reading(*case, tmp_path / "new" / ".." / "out")


@pytest.mark.usefixtures("without_pictures")
def test_a_verified_reading_is_not_replaced_though_its_writing_was_interrupted(
    case: Case, make_case: MakeCase, tmp_path: Path
) -> None:
    save_reading(*case, tmp_path / "out")
    save_reading(*make_case(verified=True), tmp_path / "out" / ".complete")
    with pytest.raises(UsageError, match="holds a reading that is verified"):
        save_reading(*case, tmp_path / "out")


@pytest.mark.usefixtures("without_pictures")
def test_a_verified_reading_that_another_one_replaces_is_kept(
    make_case: MakeCase, tmp_path: Path
) -> None:
    reading, images = make_case(verified=True)
    first = save_reading(reading, images, tmp_path).reading.read_bytes()
    save_reading(signed_by(reading, "Reader B"), images, tmp_path)
    assert not (tmp_path / "earlier-1").exists()
    second = (tmp_path / "reading.json").read_bytes()
    later = replace(reading.signatures[0], signed_at="2030-01-01T00:00:00+00:00")
    save_reading(replace(reading, signatures=(later,)), images, tmp_path)
    assert first != second == (tmp_path / "earlier-1" / "reading.json").read_bytes()


@pytest.mark.usefixtures("without_pictures")
@pytest.mark.parametrize("content", [b"", b"[1]", b"{}", b"\xff", b'{"verified": 1}'])
def test_what_cannot_be_read_may_have_been_verified(
    case: Case, tmp_path: Path, content: bytes
) -> None:
    (tmp_path / "reading.json").write_bytes(content)
    with pytest.raises(UsageError, match="or cannot be read"):
        save_reading(*case, tmp_path)
    assert (tmp_path / "reading.json").read_bytes() == content


@pytest.mark.usefixtures("without_pictures")
def test_a_record_that_was_edited_is_not_read(case: Case, tmp_path: Path) -> None:
    record = save_reading(*case, tmp_path).reading
    record.write_text(record.read_text().replace("4.5", "2.5"))
    with pytest.raises(InputError, match=r"reading\.json is not what was written with the other"):
        read_reading(record)


def test_every_picture_names_the_conventions_of_its_numbers_and_what_was_assumed(
    make_case: MakeCase,
) -> None:
    assumed = (Finding(Code.ASSUMED_PLACEMENT_SD, {"sd_mm": 0.2}),)
    for figure in pictures_of(*make_case(warnings=assumed)):
        said = re.sub(r"\s+", " ", words_of(figure))
        for name in ("rim_to_rim", "largest_medial_spine", "> 3 mm", "SD 0.2 mm assumed"):
            assert name in said


@pytest.mark.usefixtures("report_alone")
def test_a_report_explains_the_code_points_that_it_had_to_write(case: Case, tmp_path: Path) -> None:
    """U+10FFFD is for private use: no font has it."""
    reading, images = case
    odd = replace(reading, source=replace(reading.source, patient_name="Doe^\U0010fffd"))
    said = " ".join(pdf_words(save_reading(odd, images, tmp_path).report).split())
    assert "Doe [U+10FFFD]" in said
    assert CODE_POINT_NOTE in said
