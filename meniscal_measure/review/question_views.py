"""The images on which the questions of a case are answered: stacks of both visits, radiographs."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.errors import UsageError
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.knee.projection import projection_scale
from meniscal_measure.knee.quantity import TracedSlice, Visit
from meniscal_measure.report.window import display_window
from meniscal_measure.review.grey_windows import GreyWindow
from meniscal_measure.review.knee import middle_pixels
from meniscal_measure.review.present import Json, stack_on_page
from meniscal_measure.series.model import Stack
from meniscal_measure.series.pixels import read_pixels
from meniscal_measure.workflow.case_questions import CaseQuestions, slice_words
from meniscal_measure.workflow.case_radiographs import CaseRadiograph

NO_SLICE = "There is no such slice."

WHOLE_IMAGE = GreyWindow("overview", "Whole image", (0.0, 1.0))


@dataclass(frozen=True, eq=False)
class StackView:
    """A stack of one visit."""

    stack: Stack
    visit: Visit

    @property
    def words(self) -> str:
        """What it is called on the page."""
        later = "" if self.visit is Visit.BASELINE else f", {self.visit.words}"
        return f"{self.stack.plane}{later}"

    def on_page(self) -> Json:
        """Describe it to the page."""
        return {**stack_on_page(self.stack), "window": display_window(middle_pixels(self.stack))}

    def shows(self, where: TracedSlice) -> bool:
        """Whether a slice is one of these."""
        return (self.stack.plane, self.visit) == (where.plane, where.visit)

    def grid(self, index: int) -> PixelGrid:
        """Plane of a slice."""
        return self.stack.frames[index].grid

    def count(self) -> int:
        """How many slices there are."""
        return len(self.stack.frames)

    def pixels(self, index: int) -> NDArray[np.float32]:
        """Read a slice."""
        image: NDArray[np.float32] = read_pixels(self.stack, [index])[0]
        return image

    def place(self, index: int) -> dict[str, Any]:
        """Name a slice as the answers do."""
        return {"plane": str(self.stack.plane), "slice": slice_words(self.stack, index)}


@dataclass(frozen=True, eq=False)
class RadiographView:
    """A radiograph."""

    image: CaseRadiograph

    @property
    def words(self) -> str:
        """What it is called on the page."""
        return str(self.image.where)

    def on_page(self) -> Json:
        """Describe it to the page as a single slice; its pixels have a shape, but no size."""
        radiograph, grid = self.image.radiograph, self.image.grid
        scale = projection_scale(radiograph.spacing)
        return {
            "rows": grid.rows,
            "columns": grid.columns,
            "row_spacing_mm": scale.row_mm / scale.column_mm,
            "column_spacing_mm": 1.0,
            "borders": self.image.borders,
            "slices": [{"number": 1, "short": self.words}],
            "windows": [asdict(WHOLE_IMAGE)],
            "window": display_window(self.pixels(0)),
        }

    def shows(self, where: TracedSlice) -> bool:
        """Whether it is this one."""
        return self.image.where == where

    def grid(self, index: int) -> PixelGrid:
        """Its pixels."""
        return self.image.grid

    def count(self) -> int:
        """There is one image."""
        return 1

    def pixels(self, index: int) -> NDArray[np.float32]:
        """Read it."""
        return self.image.radiograph.pixels()

    def place(self, index: int) -> dict[str, Any]:
        """Name it as the answers do."""
        return {"slice": self.image.where.sop_instance_uid}


View = StackView | RadiographView


class QuestionViews:
    """The images of a case, each under a name that stands in addresses."""

    def __init__(self, questions: CaseQuestions) -> None:
        self.named: dict[str, View] = {}
        for visit in filter(None, (questions.images, questions.follow_up)):
            start = "" if visit.visit is Visit.BASELINE else f"{visit.visit.words}-"
            for plane, stack in visit.stacks.items():
                self.named[f"{start}{plane.value}"] = StackView(stack, visit.visit)
        for number, image in enumerate(questions.radiographs, start=1):
            self.named[f"radiograph-{number}"] = RadiographView(image)

    def name_of(self, where: TracedSlice) -> str:
        """Name the view in which an image is shown."""
        for name, view in self.named.items():
            if view.shows(where):
                return name
        raise UsageError(NO_SLICE)

    def find(self, name: str, index: int) -> View:
        """Find the view of a slice.

        Raises
        ------
        UsageError
            If there is no such slice.
        """
        view = self.named.get(name)
        if view is None or not 0 <= index < view.count():
            raise UsageError(NO_SLICE)
        return view
