"""The figure and the report as DICOM objects, judged by a validator and taken out again."""

from __future__ import annotations

import io
import subprocess
from pathlib import Path

import numpy as np
import pydicom
from PIL import Image

from meniscal_measure.exchange.capture import figure_capture, report_document
from meniscal_measure.exchange.identity import Archived
from tests.exchange.conftest import Case, errors_of, saved

PDF = b"%PDF-1.4\n1 0 obj<</Type/Catalog>>endobj\ntrailer<</Root 1 0 R>>\n%%EOF\n"


def png() -> bytes:
    stream = io.BytesIO()
    pixels = np.arange(24 * 32 * 3, dtype=np.uint8).reshape(24, 32, 3)
    Image.fromarray(pixels).save(stream, format="PNG")
    return stream.getvalue()


def test_a_capture_holds_the_figure_and_names_its_slice(case: Case, tmp_path: Path) -> None:
    """Source: dciodvfy of dicom3tools for the object."""
    capture = figure_capture(case.reading, case.measured_image, png(), Archived())
    path = saved(capture, tmp_path)
    assert errors_of(path) == []
    assert np.array_equal(
        pydicom.dcmread(path).pixel_array, np.asarray(Image.open(io.BytesIO(png())))
    )
    (source,) = capture.SourceImageSequence
    assert source.ReferencedSOPInstanceUID == case.reading.measured.sop_instance_uid
    assert capture.ImageComments == "NOT VERIFIED"
    assert capture.PatientID == case.measured_image.header.PatientID


def test_a_document_holds_the_report(case: Case, tmp_path: Path) -> None:
    """Sources: dciodvfy for the object, dcm2pdf of DCMTK for what is in it."""
    document = report_document(case.reading, case.measured_image, PDF, Archived())
    path = saved(document, tmp_path)
    assert errors_of(path) == []
    out = tmp_path / "out.pdf"
    subprocess.run(["dcm2pdf", path, out], check=True, capture_output=True)
    assert out.read_bytes().rstrip(b"\0") == PDF
    assert "NOT VERIFIED" in document.DocumentTitle
    (source,) = document.SourceInstanceSequence
    assert source.ReferencedSOPInstanceUID == case.reading.measured.sop_instance_uid
