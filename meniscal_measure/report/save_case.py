"""Writing a case to a folder: record, sheet as PDF and HTML, figure, and the answers' template."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from matplotlib.figure import Figure

from meniscal_measure.errors import OutputError
from meniscal_measure.files import written_whole
from meniscal_measure.knee.answers_template import answers_template
from meniscal_measure.knee.case_record import KneeCase, case_from_json, case_to_json
from meniscal_measure.report.canvas import Stamp, pdf_bytes, png_bytes
from meniscal_measure.report.case_page import case_page
from meniscal_measure.report.case_picture import CasePicture, case_figure
from meniscal_measure.report.case_sheet import case_sheet
from meniscal_measure.report.radiograph_picture import RadiographPicture

ANSWERS, RECORD = "answers.toml", "case.json"


def save_case(
    case: KneeCase,
    pictures: Sequence[CasePicture],
    folder: Path,
    *,
    follow_up: Figure | None = None,
    radiographs: Sequence[RadiographPicture] = (),
) -> list[Path]:
    """Write what a case consists of; answers that are there already are left as they are.

    The files name dates and UIDs, so only their owner may read them.

    `follow_up` is the figure of both examinations, where there are two; `radiographs` are those on
    which the leg was measured.

    Raises
    ------
    OutputError
        If the folder cannot be written, or holds the case of another study.
    """
    _check_same_study(case, folder / RECORD)
    stamp = Stamp("Knee case: a measurement aid, not a diagnosis", case.software, case.made_at)
    contents: dict[str, bytes] = {RECORD: case_to_json(case).encode()}
    figure_pdf = None
    if pictures:
        figure = case_figure(pictures, f"{case.side} knee, {case.root}")
        figure_pdf = pdf_bytes([case_figure(pictures)], stamp)
        contents["case-figure.png"] = png_bytes(figure, stamp)
        contents["case-figure.pdf"] = pdf_bytes([figure], stamp)
    pages = {} if follow_up is None else {"follow-up": follow_up}
    for number, picture in enumerate(radiographs, start=1):
        name = "radiograph" if number == 1 else f"radiograph-{number}"
        pages[name] = picture.figure()
    plates = []
    for name, figure in pages.items():
        plates.append(pdf_bytes([figure], stamp))
        contents |= {f"{name}.png": png_bytes(figure, stamp), f"{name}.pdf": plates[-1]}
    contents["case-sheet.pdf"] = case_sheet(case, figure_pdf, stamp, plates=plates)
    contents["case-sheet.html"] = case_page(case, [*pictures, *radiographs], stamp).encode()
    written = [folder / name for name in contents]
    if not (folder / ANSWERS).exists():
        contents[ANSWERS] = answers_template(
            case.questions, case.studies[0].study_instance_uid, case.offered
        ).encode()
    for name, content in contents.items():
        with written_whole(folder / name, owner_only=True) as stream:
            stream.write(content)
    return written


def _check_same_study(case: KneeCase, file: Path) -> None:
    """Refuse to write over the case of another knee."""
    if not file.exists():
        return
    earlier = case_from_json(file.read_text(encoding="utf-8"), file)
    held, own = (one.studies[0].study_instance_uid for one in (earlier, case))
    if (held and own and held != own) or earlier.side != case.side:
        raise OutputError(
            "{folder:private} holds the case of another study or knee. Name another folder"
            " (--out).",
            folder=str(file.parent),
        )
