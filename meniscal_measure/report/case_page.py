"""The case sheet as one HTML file: each number leads to the slice it was read from."""

from __future__ import annotations

import base64
from collections.abc import Sequence

from jinja2 import Environment, PackageLoader, StrictUndefined

from meniscal_measure.knee.case_record import KneeCase
from meniscal_measure.knee.quantity import TracedSlice
from meniscal_measure.report.canvas import Stamp, png_bytes
from meniscal_measure.report.case_picture import CasePicture, picture_figure
from meniscal_measure.report.radiograph_picture import RadiographPicture, radiograph_figure

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
    """Write the sheet as HTML, with the pictures in it; it asks for nothing from outside.

    Parameters
    ----------
    case
        The record.
    pictures
        Slices and radiographs with their marks.
    stamp
        What the pictures say of themselves.
    """
    shown = [
        (_anchor(picture.where), picture.caption, _data_address(picture, stamp))
        for picture in pictures
    ]
    anchors = {anchor for anchor, _, _ in shown}
    return _TEMPLATES.get_template("case.html.j2").render(
        case=case,
        pictures=shown,
        anchor=lambda where: _anchor(where) if _anchor(where) in anchors else "",
    )


def _anchor(where: TracedSlice) -> str:
    return f"{where.visit.value}-{where.view}-{where.name.number}"


def _data_address(picture: CasePicture | RadiographPicture, stamp: Stamp) -> str:
    if isinstance(picture, CasePicture):
        figure = picture_figure(picture)
    else:
        figure = radiograph_figure(picture)
    content = base64.b64encode(png_bytes(figure, stamp)).decode()
    return f"data:image/png;base64,{content}"
