"""The case sheet as one HTML file: each number leads to the slice it was read from."""

from __future__ import annotations

import base64
from collections.abc import Sequence

from jinja2 import Environment, PackageLoader, StrictUndefined
from matplotlib.figure import Figure

from meniscal_measure.knee.case_record import KneeCase
from meniscal_measure.knee.quantity import TracedSlice
from meniscal_measure.report.canvas import Stamp, png_bytes
from meniscal_measure.report.case_picture import CasePicture
from meniscal_measure.report.radiograph_picture import RadiographPicture

_TEMPLATES = Environment(
    loader=PackageLoader("meniscal_measure.report", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


def case_page(
    case: KneeCase, pictures: Sequence[CasePicture | RadiographPicture], stamp: Stamp
) -> str:
    """Write the sheet as HTML, with the pictures in it; it asks for nothing from outside."""
    shown = [
        (_anchor(each.where), each.caption, _data_address(each.figure(), stamp))
        for each in pictures
    ]
    anchors = {anchor for anchor, _, _ in shown}
    return _TEMPLATES.get_template("case.html.j2").render(
        case=case,
        pictures=shown,
        anchor=lambda where: _anchor(where) if _anchor(where) in anchors else "",
    )


def _anchor(where: TracedSlice) -> str:
    return f"{where.visit.value}-{where.view}-{where.name.number}"


def _data_address(figure: Figure, stamp: Stamp) -> str:
    content = base64.b64encode(png_bytes(figure, stamp)).decode()
    return f"data:image/png;base64,{content}"
