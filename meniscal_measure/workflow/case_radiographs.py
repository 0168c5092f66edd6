"""The radiographs of a case: which are of this knee, and the alignment measured on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import InputError, LandmarkError
from meniscal_measure.geometry import PixelGrid, unit_vector
from meniscal_measure.knee.answers import Answers, LandmarkAnswer
from meniscal_measure.knee.limb import FEMORAL_LINE, TIBIAL_LINE, LimbLandmark, LimbMeasure
from meniscal_measure.knee.limb_part import TITLE, limb_part
from meniscal_measure.knee.pairing import KneeIdentity, patients_differ
from meniscal_measure.knee.projection import BALL_EDGES, Pixel, ProjectionScale, projection_scale
from meniscal_measure.knee.quantity import CasePart, TracedQuantity, TracedSlice
from meniscal_measure.knee.topics import ON_RADIOGRAPHS
from meniscal_measure.report.radiograph_picture import RadiographPicture
from meniscal_measure.series.model import Study
from meniscal_measure.series.radiographs import Radiograph, radiographs_of
from meniscal_measure.slice_name import SliceName

OPPOSITE = str.maketrans("LRAPHF", "RLPAFH")
"""Letters of opposite directions."""


@dataclass(frozen=True, eq=False)
class CaseRadiograph:
    """A radiograph with its name in the case."""

    radiograph: Radiograph
    where: TracedSlice

    @property
    def grid(self) -> PixelGrid:
        """Its pixels, counted, not measured."""
        return self.radiograph.frame.grid

    @property
    def borders(self) -> dict[str, str]:
        """Letters of the directions of the patient at each border; empty where they are not known.

        After Patient Orientation (0020,0020), DICOM PS3.3 C.7.6.1.1.1.
        """
        right, bottom = self.radiograph.directions or ("", "")
        return {
            "left": right.translate(OPPOSITE), "right": right,
            "top": bottom.translate(OPPOSITE), "bottom": bottom,
        }  # fmt: skip

    def is_called(self, words: str) -> bool:
        """Whether a landmark that names this image means this radiograph."""
        number = self.where.name.instance_number
        return words in (self.where.sop_instance_uid, f"instance:{number}")


@dataclass(frozen=True, eq=False)
class CaseRadiographs:
    """The radiographs of this leg, and why others are left out."""

    images: tuple[CaseRadiograph, ...] = ()
    gaps: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class CaseLimb:
    """The alignment: a part for each radiograph with landmarks on it, and those radiographs."""

    parts: tuple[CasePart, ...] = ()
    pictures: tuple[RadiographPicture, ...] = ()

    @property
    def varus(self) -> TracedQuantity | None:
        """The varus that was measured; None where none was."""
        found = (q for part in self.parts for q in part.quantities if q.name == LimbMeasure.VARUS)
        return next(found, None)


def measured_limb(images: Sequence[CaseRadiograph], answers: Answers, side: Side) -> CaseLimb:
    """Measure the alignment of a leg on its radiographs, from the landmarks of the answers.

    Raises
    ------
    LandmarkError
        If a landmark names no radiograph, lies off its image, or is placed twice on one.
    """
    placed = [answer for answer in answers.landmark if answer.name in ON_RADIOGRAPHS]
    if placed and not images:
        raise LandmarkError(
            "{name} is placed, but there is no radiograph of this leg. Give one with --radiographs,"
            " or take the landmark out of the answers.",
            name=placed[0].name,
        )
    marks: dict[str, dict[str, Pixel]] = {}
    for answer in placed:
        image = image_of(answer, images)
        on_image = marks.setdefault(image.where.sop_instance_uid, {})
        if answer.name in on_image:
            raise LandmarkError(
                "The landmark {name} is placed twice on the {image}. Keep one of the two.",
                name=answer.name,
                image=str(image.where),
            )
        on_image[answer.name] = answer.pixel
    parts, pictures = [], []
    for image in images:
        if (placed_on := marks.get(image.where.sop_instance_uid)) is None:
            continue
        try:
            picture = _measured(image, placed_on, answers, side)
        except InputError as error:
            parts.append(CasePart(TITLE, gaps=(error.words(identifiers=False),)))
        else:
            parts.append(picture.part)
            pictures.append(picture)
    return CaseLimb(tuple(parts), tuple(pictures))


def case_radiographs(studies: Sequence[Study], knee: KneeIdentity) -> CaseRadiographs:
    """Find the radiographs of this leg among studies; those of others are left out, with a gap."""
    found = radiographs_of(studies)
    gaps = [refusal.words(identifiers=False) for refusal in found.refusals]
    images = []
    for number, radiograph in enumerate(found.radiographs, start=1):
        name = SliceName(number, len(found.radiographs), radiograph.frame.instance_number)
        where = TracedSlice(None, name, radiograph.frame.sop_instance_uid)
        if reason := _left_out(radiograph, knee):
            gaps.append(f"The {where} is left out: {reason}.")
            continue
        images.append(CaseRadiograph(radiograph, where))
        gaps += [
            f"The {where}: {hint.attribute} names the {hint.side.word} side, and the case is of the"
            " other one. Check that it shows this leg."
            for hint in radiograph.laterality.hints
            if hint.side is not knee.side
        ]
    return CaseRadiographs(tuple(images), tuple(gaps))


def _left_out(radiograph: Radiograph, knee: KneeIdentity) -> str:
    whose = KneeIdentity(
        None, radiograph.patient_id, "", radiograph.study_date,
        radiograph.patient_name, radiograph.patient_birth_date,
    )  # fmt: skip
    if patients_differ(whose, knee):
        return "it is of another patient"
    if radiograph.laterality.conflict:
        return radiograph.laterality.conflict
    shown = radiograph.laterality.side
    if shown is not None and knee.side is not None and shown is not knee.side:
        return f"it shows the {shown.word} leg and the case is of the {knee.side.word} one"
    return ""


def image_of(answer: LandmarkAnswer, images: Sequence[CaseRadiograph]) -> CaseRadiograph:
    """Find the radiograph a landmark was placed on.

    Raises
    ------
    LandmarkError
        If it names none or several, lies off the image, or states millimetres.
    """
    meant = [image for image in images if image.is_called(answer.slice)]
    if not answer.slice and len(images) == 1:
        meant = list(images)
    if len(meant) != 1:
        raise LandmarkError(
            "The landmark {name} names radiograph {image:private}, which is {count} of the"
            " radiographs of this leg. Give the SOP Instance UID of one of them as its slice.",
            name=answer.name, image=answer.slice or "none", count=len(meant) or "none",
        )  # fmt: skip
    grid = meant[0].grid
    if not grid.contains(answer.pixel):
        raise LandmarkError(
            "The landmark {name} at column {column}, row {row} lies off its radiograph of {columns}"
            " x {rows} pixels. Give [column, row].",
            name=answer.name, column=answer.pixel[0], row=answer.pixel[1],
            columns=grid.columns, rows=grid.rows,
        )  # fmt: skip
    if answer.sd_mm is not None:
        raise LandmarkError(
            "The landmark {name} states sd_mm, but lies on a radiograph, where millimetres need a"
            " calibration. Give sd_px under [radiograph].",
            name=answer.name,
        )
    return meant[0]


def _measured(
    image: CaseRadiograph, marks: dict[str, Pixel], answers: Answers, side: Side
) -> RadiographPicture:
    scale = _scale(image.radiograph, marks, answers)
    on_leg = {LimbLandmark(name): pixel for name, pixel in marks.items() if name not in BALL_EDGES}
    _check_medial(image.radiograph, on_leg, side)
    _check_downward(on_leg, answers.radiograph.sd_px)
    part = limb_part(on_leg, scale, (image.where,), sd_px=answers.radiograph.sd_px)
    pixels = image.radiograph.pixels()
    return RadiographPicture(image.where, pixels, scale, marks, part, image.borders)


def _scale(radiograph: Radiograph, marks: dict[str, Pixel], answers: Answers) -> ProjectionScale:
    scale = projection_scale(radiograph.spacing)
    edges = [marks[name] for name in BALL_EDGES if name in marks]
    diameter_mm = answers.radiograph.ball_diameter_mm
    if not edges:
        return scale
    if len(edges) < len(BALL_EDGES) or diameter_mm is None:
        raise LandmarkError(
            "A calibration ball is placed in part. Place ball_edge_a and ball_edge_b and give"
            " ball_diameter_mm under [radiograph]."
        )
    return scale.with_ball((edges[0], edges[1]), diameter_mm)


def _check_medial(radiograph: Radiograph, marks: dict[LimbLandmark, Pixel], side: Side) -> None:
    """Refuse a joint line that runs against the side of the leg, where the image says left."""
    if radiograph.columns_run_left is None:
        return
    for lateral, medial in (TIBIAL_LINE, FEMORAL_LINE):
        if lateral not in marks or medial not in marks:
            continue
        runs_left = (marks[medial][0] > marks[lateral][0]) == radiograph.columns_run_left
        if runs_left != (side is Side.RIGHT):
            raise LandmarkError(
                f"{lateral} and {medial} lie as on a leg of the other side. Exchange them, or place"
                f" the landmarks on the {side.word} leg."
            )


def _check_downward(marks: dict[LimbLandmark, Pixel], sd_px: float) -> None:
    """Refuse a femoral joint line below the tibial one, seen from the hip to the ankle."""
    ends = (LimbLandmark.HIP_CENTRE, LimbLandmark.ANKLE_CENTRE)
    if not {*ends, *TIBIAL_LINE, *FEMORAL_LINE} <= marks.keys():
        return
    hip, ankle = (np.array(marks[end]) for end in ends)
    femoral, tibial = (
        np.mean([marks[name] for name in line], axis=0) for line in (FEMORAL_LINE, TIBIAL_LINE)
    )
    down = unit_vector(ankle - hip) if np.any(ankle != hip) else np.zeros(2)
    if float((tibial - femoral) @ down) < -3.0 * sd_px:
        raise LandmarkError(
            "Seen from the hip, the femoral joint line lies below the tibial one: hip and ankle, or"
            " the two lines, are exchanged. Check them."
        )
