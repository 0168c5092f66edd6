"""The vocabulary of the knee: sides, compartments, landmarks, imaging planes.

Terms follow anatomical usage; `Side` values are those of DICOM Laterality (0020,0060).
Patient axes are LPS: +x to the patient's left, +y posterior, +z towards the head.
"""

from __future__ import annotations

from enum import StrEnum


class Side(StrEnum):
    """Body side of the knee, with the codes of DICOM PS3.3 C.7.3.1 Laterality."""

    LEFT = "L"
    RIGHT = "R"

    @property
    def word(self) -> str:
        """The side in plain words, as reports and the command line write it.

        Examples
        --------
        >>> Side.RIGHT.word
        'right'
        """
        return "left" if self is Side.LEFT else "right"

    @classmethod
    def from_word(cls, word: str) -> Side:
        """Take the side from its plain word, "left" or "right".

        Raises
        ------
        ValueError
            If it is neither.

        Examples
        --------
        >>> Side.from_word("left")
        <Side.LEFT: 'L'>
        """
        for side in cls:
            if side.word == word:
                return side
        raise ValueError(f'The side is {word!r}; it must be "left" or "right".')

    @property
    def medial_x(self) -> int:
        """Sign of the patient x axis that points medially.

        Medial is towards the body's midline: for a right knee that is the patient's
        left (+x in LPS), for a left knee it is -x.

        Examples
        --------
        >>> Side.RIGHT.medial_x, Side.LEFT.medial_x
        (1, -1)
        """
        return 1 if self is Side.RIGHT else -1


SIDE_SPELLINGS = {"": None, "l": Side.LEFT, "r": Side.RIGHT} | {side.word: side for side in Side}
"""How tables may write a side, in small letters; empty where it is not known."""


class Compartment(StrEnum):
    """The tibiofemoral compartment, or its place in the image while the side is unknown."""

    MEDIAL = "medial"
    LATERAL = "lateral"
    IMAGE_LEFT = "image_left"
    IMAGE_RIGHT = "image_right"

    @property
    def opposite(self) -> Compartment:
        """The other compartment of the same knee.

        Examples
        --------
        >>> Compartment.MEDIAL.opposite
        <Compartment.LATERAL: 'lateral'>
        """
        pairs = {
            Compartment.MEDIAL: Compartment.LATERAL,
            Compartment.LATERAL: Compartment.MEDIAL,
            Compartment.IMAGE_LEFT: Compartment.IMAGE_RIGHT,
            Compartment.IMAGE_RIGHT: Compartment.IMAGE_LEFT,
        }
        return pairs[self]

    @property
    def words(self) -> str:
        """The compartment in plain words.

        Examples
        --------
        >>> Compartment.IMAGE_LEFT.words
        'image left'
        """
        return self.value.replace("_", " ")


class Landmark(StrEnum):
    """A point placed in each compartment on a coronal slice."""

    RIM = "rim"
    """Where the tibial plateau turns from horizontal to vertical cortex, osteophytes left out."""
    OUTER_EDGE = "outer_edge"
    """Outermost point of the meniscal body."""
    FREE_EDGE = "free_edge"
    """Free inner edge of the meniscal body."""
    SPINE_BASE = "spine_base"
    """Where the articular plateau turns up into the tibial spine (optional)."""

    @classmethod
    def _missing_(cls, value: object) -> Landmark | None:
        # The name of the free edge in records of schema version 1.
        return cls.FREE_EDGE if value == "inner_tip" else None


class Plane(StrEnum):
    """Anatomical imaging plane of a stack."""

    CORONAL = "coronal"
    SAGITTAL = "sagittal"
    AXIAL = "axial"
    OBLIQUE = "oblique"
