"""What is found noteworthy in images, landmarks and readings, as data.

Every finding has a code, which no output changes, and values; its English sentence is written here
and nowhere else. Outputs put it into words with `Finding.words`. A text of the header, a name or a
date is a `private` field of its sentence, so that leaving identifiers out needs no search.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum, StrEnum
from typing import Any, Self

from meniscal_measure.sentences import LEFT_OUT, PRIVATE, Sentence, SliceName, fields_of


class Severity(StrEnum):
    """How much a finding matters."""

    NOTE = "note"
    """Worth knowing; no number depends on it."""
    WARNING = "warning"
    """A number may be wrong or incomplete until somebody has looked."""


class Code(Enum):
    """Everything that can be found, with its severity and its sentence."""

    # Images
    SEVERAL_STACKS = Severity.NOTE, "The stack is one of {count} in its series."
    MIXED_SIZES = Severity.NOTE, "Mixed image sizes in the series (columns x rows): {sizes}."
    MIXED_SPACINGS = (
        Severity.WARNING,
        "Mixed pixel spacings in the series (row x column, mm): {spacings}. Make sure that they are"
        " right: lengths scale with them.",
    )
    DUPLICATES = Severity.WARNING, "Duplicates: {count} of the positions hold more than one frame."
    MISSING_SLICES = (
        Severity.WARNING,
        "Missing slices: {gap_mm:.2f} mm between slices {before:slice} and {after:slice}, usually"
        " {usual_mm:.2f} mm.",
    )
    UNEVEN_GAPS = (
        Severity.WARNING,
        "Uneven gaps: {least_mm:.2f} to {most_mm:.2f} mm between slices.",
    )
    UNUSUAL_SLICE_SPACING = (
        Severity.WARNING,
        "Slices {spacing_mm:g} mm apart are unusual for a knee ({least_mm:g} to {most_mm:g} mm):"
        " check their positions, on which the choice of the slice rests.",
    )
    SHIFTED_SLICES = (
        Severity.WARNING,
        "Shifted slices: they start up to {drift_mm:.2f} mm off one line along the normal.",
    )
    NO_PLAIN_SLICES = (
        Severity.WARNING,
        'Image Type says "{kind}": a localizer, a projection or a computed map does not show rim'
        " and meniscus as acquired slices do. Measure another series, if there is one.",
    )
    OTHER_FIELD_OF_VIEW = (
        Severity.WARNING,
        "Pixel spacing times matrix gives a field of view of {width_mm:.0f} x {height_mm:.0f} mm,"
        " but Reconstruction Diameter says {diameter_mm:.0f} mm. Check the pixel spacing:"
        " lengths scale with it.",
    )
    OTHER_PHASE_FIELD = (
        Severity.WARNING,
        "Pixel spacing times matrix gives a field of view of {width_mm:.0f} x {height_mm:.0f} mm,"
        " but Percent Phase Field of View says {percent:.0f} %. Check row and column"
        " spacing: lengths scale with them.",
    )
    FILES_REFUSED = (
        Severity.WARNING,
        "Files of the study that could not be used: {count}. The series may lack slices;"
        " `contents` lists them with the reason.",
    )
    SEVERAL_EXAMINATIONS = (
        Severity.WARNING,
        "The images are those of {count} examinations; the one of {date:private} was measured. Give"
        " the folder of one, or choose the series (--series).",
    )
    SLICE_NOT_SHOWN = Severity.WARNING, "The slice is not shown: {reason}"

    # Cohorts
    OTHER_PATIENT = (
        Severity.WARNING,
        "The series of subject {subject} differ in {attributes}: they may be of several patients."
        " Check the manifest and the images.",
    )
    IMAGES_OF_ANOTHER = (
        Severity.WARNING,
        "The images of {owner} were also measured for {others}. Check the manifest, and look for"
        " copies and links among the folders.",
    )

    # Side
    SIDE_UNKNOWN = (
        Severity.WARNING,
        "The side of the knee is not known: the names of the compartments are those of the"
        " landmarks and could not be checked. Give the side.",
    )
    SIDE_HINTED = (
        Severity.WARNING,
        '{attribute} "{text:private}" hints at a {side} knee; confirm it by giving the side'
        " (--side {side}).",
    )
    SIDE_AGAINST_TEXT = (
        Severity.WARNING,
        'The side is {side} ({source}), against {attribute} "{text:private}". Check the'
        " side: a wrong one exchanges medial and lateral.",
    )
    SIDE_CORRECTED = (
        Severity.WARNING,
        "The reader corrected the side to {side}, against {source}: {reason:private}",
    )
    SIDE_CODE_OF_NO_KNEE = (
        Severity.WARNING,
        '{attribute} says "{code:private}", neither left nor right; make sure that the images show'
        " one knee only.",
    )

    # Proposals
    TRAINED_ON_DRAWN_KNEES = (
        Severity.NOTE,
        "The landmarks were proposed by networks that were trained on drawn knees only: on real"
        " images the intervals may be wider still than stated.",
    )
    SINGLE_EXPORTED_IMAGE = (
        Severity.WARNING,
        "The series is a single image: its slice was chosen by whoever exported it, and whether it"
        " is the mid-coronal one cannot be checked.",
    )
    MIDDLE_UNSURE = (
        Severity.WARNING,
        "The tibial spines and the notch put the middle of the joint {apart_mm:.1f} mm from where"
        " the network puts it; check that the measured slice is the mid-coronal one.",
    )
    NETWORKS_DISAGREE = (
        Severity.WARNING,
        "The networks, or variations of the image, disagree about where the rims and outer edges"
        " are; check each of them.",
    )
    RIMS_UNEVEN = (
        Severity.WARNING,
        "The proposed rims do not follow a smooth course over the slices; check the rims.",
    )
    BONE_UNCLEAR = (
        Severity.WARNING,
        "It is not clear that a proposed rim is the corner of the tibia; check the rims.",
    )
    MENISCUS_UNCLEAR = (
        Severity.WARNING,
        "It is not clear that a proposed outer edge is that of the meniscus; check the outer"
        " edges.",
    )
    UNLIKE_A_KNEE = (
        Severity.WARNING,
        "Something about the slice is unusual for a knee seen from the front; check that it can be"
        " measured.",
    )
    GREY_VALUES_UNUSUAL = (
        Severity.WARNING,
        "The grey values are unlike those the networks were trained on ({what}); check every"
        " landmark.",
    )
    RESOLUTION_UNUSUAL = (
        Severity.WARNING,
        "{what} is coarser than any the networks were trained on; check every landmark.",
    )

    # Landmarks and values
    NO_NEIGHBOUR = (
        Severity.WARNING,
        "No neighbouring slice was measured: what the choice of the slice adds is not in the"
        " uncertainty. Place landmarks on the slices beside it too.",
    )
    NO_NEIGHBOUR_OF_COMPARTMENT = (
        Severity.WARNING,
        "The {compartment} compartment was measured on no neighbouring slice: what the choice of"
        " the slice adds is not in its uncertainty. Place its landmarks on the slices beside it"
        " too.",
    )
    UNUSUAL_PLATEAU_WIDTH = (
        Severity.WARNING,
        "The plateau is {width_mm:.1f} mm wide, outside {least_mm:.0f} to {most_mm:.0f} mm. Check"
        " both rims and the pixel spacing.",
    )
    UNEQUAL_SPACINGS = (
        Severity.NOTE,
        "Row and column spacing differ ({row_mm:.4g} and {column_mm:.4g} mm): the field of view is"
        " {width_mm:.0f} x {height_mm:.0f} mm and the plateau {plateau_mm:.1f} mm wide; with"
        " columns spaced like rows it would be {square_mm:.1f} mm. Check both.",
    )
    UNUSUALLY_INWARD = (
        Severity.WARNING,
        "The {compartment} outer edge lies {inward_mm:.1f} mm inward of its rim, which is unusual."
        " Check that the two are not exchanged.",
    )
    UNUSUALLY_FAR_OUT = (
        Severity.WARNING,
        "The {compartment} outer edge lies {outward_mm:.1f} mm outward of its rim, more than the"
        " {most_mm:.1f} mm seen in knees with a root tear. Check that both landmarks are on the"
        " meniscus and the plateau.",
    )
    UNUSUAL_HEIGHT = (
        Severity.WARNING,
        "The {compartment} outer edge lies {height_mm:.1f} mm above or below its rim, more than"
        " {most_mm:.0f} mm. Check that both landmarks are on the meniscus and the plateau.",
    )
    ASSUMED_PLACEMENT_SD = (
        Severity.NOTE,
        "Landmarks placed by hand are taken to vary by {sd_mm:.1f} mm (standard deviation), the"
        " value assumed where none is stated: it follows from the spread of medial extrusion"
        " (0.92 mm, Bruns 2014) and a reader agreement of ICC 0.90. The interval, the probability"
        " and the decision rest on it; state your own as sd_mm in a landmark file.",
    )
    EDGE_NOT_FOUND = Severity.WARNING, "{landmark}: {reason}"
    SIGNED_ALONG_ANOTHER_AXIS = (
        Severity.WARNING,
        "What was signed is the extrusion along {signed}; along {measured} it does not count as"
        " verified. Measure along {signed} (--axis {signed}).",
    )
    SLICE_NOT_ACCEPTED = (
        Severity.NOTE,
        "The slice is left out: accept or move the landmarks that were carried there.",
    )
    SLICE_ONLY_PROPOSED = (
        Severity.NOTE,
        "The slice is left out: its landmarks are only proposed, those of the measured slice are"
        " the reader's.",
    )
    SLICE_LEFT_OUT = Severity.NOTE, "The slice is left out: {reason}"

    AS_WRITTEN = Severity.WARNING, "Written by another version: {text:private}"
    """A warning that was stored as text, or under a code that this version does not know."""

    def __init__(self, severity: Severity, sentence: str) -> None:
        self.severity = severity
        self.sentence = sentence

    @property
    def word(self) -> str:
        """The code as files write it."""
        return self.name.lower()


@dataclass(frozen=True)
class Finding:
    """One noteworthy thing.

    Examples
    --------
    >>> found = Finding(Code.UNEVEN_GAPS, {"least_mm": 3.0, "most_mm": 3.5})
    >>> found.words()
    'Uneven gaps: 3.00 to 3.50 mm between slices.'
    >>> found.severity
    <Severity.WARNING: 'warning'>
    """

    code: Code
    """What was found."""
    values: Mapping[str, str | int | float] = field(default_factory=dict, hash=False)
    """The value of each field of its sentence."""
    where: int | None = None
    """Index of the slice it was found on, counted from 0; None if it concerns no single slice."""

    def __post_init__(self) -> None:
        wanted = {name for name, _ in fields_of(self.code.sentence)}
        if wanted != set(self.values):
            raise ValueError(f"{self.code.word} needs the values {sorted(wanted)}")

    @property
    def severity(self) -> Severity:
        """How much it matters."""
        return self.code.severity

    def words(self, *, identifiers: bool = True, slice_name: SliceName = str) -> str:
        """Put the finding into words, the slice in front."""
        said = Sentence(self.code.sentence, self.values).words(
            identifiers=identifiers, slice_name=slice_name
        )
        return said if self.where is None else f"Slice {slice_name(self.where)}: {said}"

    def __str__(self) -> str:
        return self.words()

    def without_identifiers(self) -> Finding:
        """Return the finding with every value left out that may identify the patient.

        Examples
        --------
        >>> found = Finding(Code.SEVERAL_EXAMINATIONS, {"count": 2, "date": "20010101"})
        >>> found.without_identifiers().values["date"]
        '[left out]'
        """
        private = {name for name, spec in fields_of(self.code.sentence) if spec == PRIVATE}
        kept = {name: LEFT_OUT if name in private else v for name, v in self.values.items()}
        return replace(self, values=kept)

    def to_json(self, slice_name: SliceName = str) -> dict[str, Any]:
        """Lay the finding out for JSON, with its slices named for people in the text.

        Examples
        --------
        >>> Finding(Code.SEVERAL_STACKS, {"count": 2}).to_json()["text"]
        'The stack is one of 2 in its series.'
        """
        return {
            "code": self.code.word,
            "severity": self.severity.value,
            "slice": self.where,
            "text": self.words(slice_name=slice_name),
            "values": dict(self.values),
        }

    @classmethod
    def from_json(cls, found: Mapping[str, Any] | str) -> Self:
        """Take a finding back; a text, as readings of schema version 1 hold it, becomes a value.

        Raises
        ------
        KeyError, TypeError, ValueError
            If it is laid out otherwise.

        Examples
        --------
        >>> Finding.from_json(Finding(Code.SEVERAL_STACKS, {"count": 2}).to_json()).words()
        'The stack is one of 2 in its series.'
        """
        if isinstance(found, str):
            return cls(Code.AS_WRITTEN, {"text": found})
        known = {code.word: code for code in Code}
        if found["code"] not in known:
            return cls(Code.AS_WRITTEN, {"text": found["text"]})
        return cls(known[found["code"]], dict(found["values"]), found["slice"])
