"""Writing a case to a folder: record, sheet as PDF and HTML, figure, and the answers' template."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from matplotlib.figure import Figure

from meniscal_measure.files import written_whole
from meniscal_measure.knee.case_record import KneeCase, case_to_json
from meniscal_measure.knee.questions import answers_template
from meniscal_measure.report.canvas import Stamp, pdf_bytes, png_bytes
from meniscal_measure.report.case_page import case_page
from meniscal_measure.report.case_picture import CasePicture, case_figure
from meniscal_measure.report.case_sheet import case_sheet

ANSWERS = "answers.toml"


def save_case(
    case: KneeCase,
    pictures: Sequence[CasePicture],
    folder: Path,
    *,
    follow_up: Figure | None = None,
) -> list[Path]:
    """Write what a case consists of; answers that are there already are left as they are.

    The files name dates and UIDs, so only their owner may read them.

    `follow_up` is the figure of both examinations, where there are two.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    stamp = Stamp("Knee case: a measurement aid, not a diagnosis", case.software, case.made_at)
    contents: dict[str, bytes] = {"case.json": case_to_json(case).encode()}
    figure_pdf = None
    if pictures:
        figure = case_figure(pictures, f"{case.side} knee, {case.root}")
        figure_pdf = pdf_bytes([case_figure(pictures)], stamp)
        contents["case-figure.png"] = png_bytes(figure, stamp)
        contents["case-figure.pdf"] = pdf_bytes([figure], stamp)
    follow_up_pdf = None
    if follow_up is not None:
        follow_up_pdf = pdf_bytes([follow_up], stamp)
        contents |= {"follow-up.png": png_bytes(follow_up, stamp), "follow-up.pdf": follow_up_pdf}
    contents["case-sheet.pdf"] = case_sheet(case, figure_pdf, stamp, follow_up=follow_up_pdf)
    contents["case-sheet.html"] = case_page(case, pictures, stamp).encode()
    written = [folder / name for name in contents]
    if not (folder / ANSWERS).exists():
        contents[ANSWERS] = answers_template(case.questions).encode()
    for name, content in contents.items():
        with written_whole(folder / name, owner_only=True) as stream:
            stream.write(content)
    return written
