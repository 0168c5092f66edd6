"""How a slice is named to a person: by its Instance Number, and counted from the front.

Files and programs count slices from 0 in the order of the stack. People look for an image in an
archive, which shows its Instance Number, or page through the series, where the first one is 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:  # asking for help on the command line is not to wait for numpy
    from meniscal_measure.geometry import PixelGrid

ENDS = ("the right", "the front", "the feet")
"""Where counting starts, by the axis of the patient (LPS) that the slices follow."""


class NumberedPlane(Protocol):
    """What is needed of a slice to name it."""

    @property
    def grid(self) -> PixelGrid:
        """Its plane in patient space."""

    @property
    def instance_number(self) -> int | None:
        """Instance Number of its image, DICOM PS3.3 C.7.6.1."""

    @property
    def frame_index(self) -> int | None:
        """Its place from 0 in a multi-frame image; None where it is an image of its own."""


@dataclass(frozen=True)
class SliceName:
    """The name of a slice.

    Examples
    --------
    >>> str(SliceName(17, 24, 7))
    'image 7 (Instance Number), slice 17 of 24 from the front'
    >>> str(SliceName(17, 24, 3, frame_number=8))
    'frame 8 of image 3 (Instance Number), slice 17 of 24 from the front'
    >>> SliceName(17, 24, 7).short, SliceName(17, 24).short
    ('slice 17, image 7', 'slice 17')
    """

    number: int
    """From 1, counted from `counted_from`."""
    count: int
    """Slices of the stack."""
    instance_number: int | None = None
    """Instance Number of the image; None where the file has none."""
    frame_number: int | None = None
    """From 1, in a multi-frame image; None where the slice is an image of its own."""
    counted_from: str = "the front"
    """The end of the stack at which counting starts."""

    def __str__(self) -> str:
        place = f"slice {self.number} of {self.count} from {self.counted_from}"
        image = self._image("image {} (Instance Number)")
        return f"{image}, {place}" if image else place

    @property
    def short(self) -> str:
        """The name where there is little room, without what is the same on every slice.

        Examples
        --------
        >>> SliceName(17, 24, 7).short
        'slice 17, image 7'
        """
        image = self._image("image {}")
        return f"slice {self.number}, {image}" if image else f"slice {self.number}"

    def _image(self, words: str) -> str:
        image = "" if self.instance_number is None else words.format(self.instance_number)
        if self.frame_number is None:
            return image
        return f"frame {self.frame_number} of {image}" if image else f"frame {self.frame_number}"


def slice_name(frames: Sequence[NumberedPlane], index: int) -> SliceName:
    """Name the slice of this index, from 0, in a stack whose slices are in geometric order.

    Examples
    --------
    >>> slice_name(study.stacks[0].frames, 0).number
    1
    """
    axis = _axis(frames)
    frame = frames[index]
    return SliceName(
        number=index + 1 if runs_from_front(frames) else len(frames) - index,
        count=len(frames),
        instance_number=frame.instance_number,
        frame_number=None if frame.frame_index is None else frame.frame_index + 1,
        counted_from=ENDS[axis],
    )


def runs_from_front(frames: Sequence[NumberedPlane]) -> bool:
    """Whether the order of a stack is that in which its slices are counted.

    Examples
    --------
    >>> runs_from_front(study.stacks[0].frames)
    True
    """
    return bool(frames[0].grid.normal[_axis(frames)] > 0)


def _axis(frames: Sequence[NumberedPlane]) -> int:
    """Axis of the patient that the slices follow."""
    along = [abs(float(part)) for part in frames[0].grid.normal]
    return along.index(max(along))
