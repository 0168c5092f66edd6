"""The slices of a case as they are shown: every one that a number was read from."""

from __future__ import annotations

from collections.abc import Sequence

from meniscal_measure.knee.named_landmarks import SpatialLandmark, located, nearest_slice
from meniscal_measure.knee.quantity import CasePart, TracedSlice
from meniscal_measure.report.case_picture import CasePicture, PictureMark, PictureOutline
from meniscal_measure.workflow.case_parts import RootSpace
from meniscal_measure.workflow.case_studies import VisitImages


def case_pictures(
    visits: Sequence[VisitImages],
    placed: Sequence[SpatialLandmark],
    roots: Sequence[RootSpace],
    parts: Sequence[CasePart],
) -> tuple[CasePicture, ...]:
    """Show the slices with landmarks, those nearest to the centres, and those of the numbers."""
    marks: dict[TracedSlice, list[PictureMark]] = {}
    for landmark in placed:
        mark = PictureMark(landmark.name.replace("_", " "), landmark.pixel)
        marks.setdefault(landmark.where, []).append(mark)
    outlines = _centre_outlines(visits[0], roots)
    named = (where for part in parts for found in part.quantities for where in found.where)
    pictures = []
    for where in dict.fromkeys((*marks, *outlines, *named)):
        images = next(visit for visit in visits if visit.visit is where.visit)
        place = located(images.study.stacks, where)
        if place is not None:
            stack, index = place
            pictures.append(
                CasePicture(
                    where, images.pixels_of(stack).read([index])[0], stack.frames[index].grid,
                    tuple(marks.get(where, ())), tuple(outlines.get(where, ())),
                )
            )  # fmt: skip
    return tuple(sorted(pictures, key=lambda picture: (picture.where.visit, picture.where.plane)))


def _centre_outlines(
    images: VisitImages, roots: Sequence[RootSpace]
) -> dict[TracedSlice, list[PictureOutline]]:
    """Project the predicted centres onto the nearest slice of each stack in their frame."""
    found: dict[TracedSlice, list[PictureOutline]] = {}
    for root in roots:
        for number, centre in enumerate(root.centres):
            for stack in images.stacks.values():
                uid = stack.identity.frame_of_reference_uid
                if uid != root.landmarks.frame_of_reference_uid:
                    continue
                index, off_mm = nearest_slice(stack, centre.point_mm)
                pixel, outline = centre.on_image(stack.frames[index].grid)
                place = (float(pixel[0]), float(pixel[1]))
                if not stack.frames[index].grid.contains(place):
                    continue
                unknown = "" if centre.spread_is_known else ", spread not known"
                label = f"{centre.source.short}, {off_mm:.1f} mm off the slice{unknown}"
                drawn = outline if centre.spread_is_known else None
                found.setdefault(images.traced(stack, index), []).append(
                    PictureOutline(label, place, drawn, number)
                )
    return found
