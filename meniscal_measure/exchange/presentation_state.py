"""Calipers and values drawn on the original slices: a Grayscale Softcopy Presentation State.

Graphics are in pixels of the image, the corner of the upper left one being (0, 0)
(DICOM PS3.3 C.10.5); any viewer that knows presentation states shows them on the slices.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

import highdicom as hd
import numpy as np
from highdicom.pr import GraphicAnnotation, GraphicLayer, GraphicObject, TextObject
from pydicom.dataset import Dataset

from meniscal_measure.caliper.reading import CompartmentReading, Reading, SliceReading
from meniscal_measure.exchange import identity
from meniscal_measure.exchange.source_images import SourceImage
from meniscal_measure.geometry import FloatArray, PixelGrid, graphic_coordinates
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report.marks import compartment_marks
from meniscal_measure.report.words import (
    convention_words,
    status_words,
    value_words,
    values_note,
    warning_words,
)

SERIES_NUMBER = 9102
LAYER = GraphicLayer("CALIPERS", order=1, description="Rim lines, calipers and extrusion")
VALUE_BOX_MM = (45.0, 8.0)
"""Width and height of the box of a value; viewers choose the letters to fit it."""
LEGEND_BOX = (0.96, 0.16)
"""Width and height of the legend along the lower border, as fractions of the image."""
LABEL = "EXTRUSION"
"""Content Label (0070,0080)."""


def presentation_state(
    reading: Reading,
    images: Mapping[int, SourceImage],
    window: tuple[float, float],
    archived: identity.Archived,
) -> Dataset:
    """Draw a reading, with its identifiers, on the slices it was taken on.

    `images` holds the image of each measured slice, see `source_images`; `window` the grey values
    shown as black and white. The creator of the state is the reader who verified, else the program,
    and its description says when the landmarks are not verified.

    Raises
    ------
    UsageError
        If the UID root is not usable.
    """
    content = json.dumps([reading_to_dict(reading), window]).encode()
    (low, high), slices = window, (reading.measured, *reading.neighbours)
    headers = {image.header.SOPInstanceUID: image.header for image in images.values()}
    by = reading.verified_by if reading.verified else None
    state = hd.pr.GrayscaleSoftcopyPresentationState(
        referenced_images=list(headers.values()),
        series_instance_uid=archived.series_uid("presentation", reading),
        series_number=SERIES_NUMBER,
        sop_instance_uid=archived.uid("presentation", content),
        instance_number=1 + len(archived.replaces),
        **identity.EQUIPMENT,
        content_label=LABEL,
        content_description="Meniscal extrusion" + ("" if reading.verified else ", NOT VERIFIED"),
        content_creator_name=identity.person_name(by or identity.MANUFACTURER),
        graphic_layers=[LAYER],
        graphic_annotations=[
            _annotation(reading, part, images[part.slice_index]) for part in slices
        ],
        voi_lut_transformations=[
            hd.pr.SoftcopyVOILUTTransformation(
                window_center=(low + high) / 2, window_width=high - low
            )
        ],
        series_description="Meniscal extrusion, calipers",
    )
    if reading.source.side is not None:
        state.Laterality = reading.source.side.value
    return state


def _annotation(reading: Reading, part: SliceReading, image: SourceImage) -> GraphicAnnotation:
    texts = [_value(measured, image.grid) for measured in part.compartments.values()]
    if part is reading.measured:
        texts.append(_legend(reading, image))
    return GraphicAnnotation(
        referenced_images=[image.header],
        graphic_layer=LAYER,
        referenced_frame_number=image.frame_number,
        graphic_objects=[
            GraphicObject("POLYLINE", line, units="PIXEL")
            for measured in part.compartments.values()
            for line in lines_px(measured, image.grid)
        ],
        text_objects=texts,
    )


def lines_px(measured: CompartmentReading, grid: PixelGrid) -> tuple[FloatArray, ...]:
    """Rim line, outer line and caliper of a compartment, as graphics coordinates.

    Returns
    -------
    tuple of ndarray
        Each shape (2, 2): `[column, row]`, the corner of the upper left pixel being `[0, 0]`.

    Examples
    --------
    >>> [line.shape for line in lines_px(reading.medial, images.grids[3])]
    [(2, 2), (2, 2), (2, 2)]
    """
    marks = compartment_marks(measured, grid)
    spacing_mm = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
    lines_mm = (marks.rim_line, marks.outer_line, marks.caliper)
    return tuple(graphic_coordinates(line / spacing_mm) for line in lines_mm)


def _value(measured: CompartmentReading, grid: PixelGrid) -> TextObject:
    """Write the value above its outer line, outward of it, kept on the image."""
    marks = compartment_marks(measured, grid)
    spacing_mm = np.array([grid.column_spacing_mm, grid.row_spacing_mm])
    anchor = graphic_coordinates(marks.flag_point / spacing_mm)
    width, height = np.array(VALUE_BOX_MM) / spacing_mm
    left = anchor[0] - width if marks.on_image_left else anchor[0]
    left = float(np.clip(left, 0, grid.columns - width))
    top = float(np.clip(anchor[1] - height, 0, grid.rows - height))
    flag = " FLAGGED" if measured.extrusion.flag else ""
    return TextObject(
        text_value=f"{measured.compartment.words} {value_words(measured.extrusion)}{flag}",
        units="PIXEL",
        bounding_box=(left, top, left + width, top + height),
    )


def _legend(reading: Reading, image: SourceImage) -> TextObject:
    grid = image.grid
    width, height = LEGEND_BOX[0] * grid.columns, LEGEND_BOX[1] * grid.rows
    left, top = (grid.columns - width) / 2, grid.rows - height
    number = image.header.get("InstanceNumber")
    shown = "" if number is None else f"Instance Number {number}; "
    lines = (
        f"{shown}{status_words(reading)}",
        warning_words(reading),
        f"{convention_words(reading)}. {values_note(reading)}",
        NOTICE,
    )
    return TextObject(
        text_value="\r\n".join(filter(None, lines)),
        units="PIXEL",
        bounding_box=(left, top, left + width, top + height),
        text_justification="LEFT",
    )
