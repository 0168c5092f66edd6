"""MR images de-identified by the Basic Application Level Confidentiality Profile.

DICOM PS3.15 Annex E, with the options that keep what measuring needs: Retain Longitudinal Temporal
Information with Modified Dates (E.3.6), Clean Descriptors (E.3.5) and, when asked for, Retain
Patient Characteristics (E.3.7). Geometry, sequence parameters and laterality are not in the
profile's table and stay, unless they repeat a name or number of a person whom the file names
elsewhere. Pixels are not examined: a warning points to text burned into them.
"""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass

from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code
from pydicom.tag import Tag
from pydicom.uid import UID

from meniscal_measure.errors import InputError
from meniscal_measure.exchange.known_names import KnownNames
from meniscal_measure.exchange.profile_table import Action, action_on
from meniscal_measure.exchange.pseudonyms import Pseudonyms
from meniscal_measure.series.headers import MR_STORAGE

SHIFTED = frozenset(
    map(Tag, ("StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate", "AcquisitionDateTime",
              "InstanceCreationDate", "FrameAcquisitionDateTime", "FrameReferenceDateTime"))
)  # fmt: skip
"""Dates of the images that the option of modified dates keeps; any other date, the date of birth
among them, goes as the basic profile has it."""
CHARACTERISTICS = frozenset(map(Tag, ("PatientSex", "PatientAge", "PatientSize", "PatientWeight")))
"""What Retain Patient Characteristics keeps of an MR image (PS3.15 Table E.1-1)."""
DESCRIPTORS = frozenset(map(Tag, ("SeriesDescription", "StudyDescription", "ProtocolName")))
"""What is cleaned to the words of `IMAGING_WORD`, where the series is chosen by them."""
IMAGING_WORD = re.compile(
    r"ax|axial|cor|coronal|sag|sagittal|tra|obl|mr|mri|knee|left|right|lt|rt|l|r"
    r"|pdw?|t1w?|t2w?|iw|fs|fatsat|fat|sat|spair|spir|stir|tirm|tse|fse|se|gre|dess|flash|space|vibe"
    r"|mpr|[23]d|dixon|water|in|opp|w|wo|with|without|contrast|pre|post|hr|iso|tr|te|low|high|res",
    re.IGNORECASE,
)
"""Words of a description that name a sequence, a plane or a side, and never a person."""
REMOVED_UNLISTED = frozenset({"PN", "LT", "ST", "UT", "UC", "UR", "UN", "DA", "DT", "TM"})
"""Value representations that may hold anything, and dates and times, which would tell by how much
the others were shifted: removed where the table does not list them."""
SHORT_TEXT = frozenset({"LO", "SH"})
NAMING = SHORT_TEXT | {"AE", "AS", "CS", "OB"}
"""Value representations that stay where the table does not list them, unless they name a person."""
WELL_FORMED = {"DS": r"[-+.\dEe \0]*", "IS": r"[-+\d \0]*", "UI": r"[\d. \0]*"}
"""Characters of numbers and UIDs (PS3.5 6.2); a value with others is text, and is removed."""
IMAGE_GROUPS = frozenset({0x0008, 0x0018, 0x0020, 0x0028})
"""Groups of the attributes that describe codes, acquisition and image. Elsewhere `SHORT_TEXT` that
the table does not list is removed too: an MR image needs none of it (DICOM PS3.3 A.4.3, A.36.2)."""
OVERLAY_GROUPS = (0x50, 0x60)
"""First bytes of the groups of curves and overlays. The table removes their data and comments; the
rest would describe a drawing that is gone (DICOM PS3.3 C.9.2)."""
DUMMY_TEXT = {
    "AS": "000Y",
    "DA": "19000101",
    "DT": "19000101",
    "TM": "000000",
    "DS": "0",
    "IS": "0",
    "UR": "http://removed.invalid",
}
"""Dummies by value representation; texts get `REMOVED`, numbers 0."""
REMOVED = "REMOVED"
NUMBERS = frozenset({"FL", "FD", "SL", "SS", "SV", "UL", "US", "UV"})


def deidentified(
    image: Dataset, pseudonyms: Pseudonyms, *, keep_characteristics: bool = False
) -> Dataset:
    """Remove the patient from a whole MR image; the given dataset is changed and returned.

    `keep_characteristics` keeps sex, age, size and weight.

    Raises
    ------
    InputError
        If it is not an MR image, or has no Patient ID, SOP or Series Instance UID to replace.

    Examples
    --------
    >>> import pydicom
    >>> image = pydicom.dcmread(next((sample / "series-1").glob("*.dcm")))
    >>> str(deidentified(image, Pseudonyms(bytes(16))).PatientIdentityRemoved)
    'YES'
    """
    _refuse_unfit(image)
    patient_id, issuer = str(image.PatientID), str(image.get("IssuerOfPatientID", ""))
    kept: frozenset[int] = CHARACTERISTICS if keep_characteristics else frozenset()
    shift_days = pseudonyms.shift_days(patient_id, issuer)
    _Cleaner(pseudonyms, shift_days, kept, KnownNames.of(image)).clean(image)
    image.PatientID = image.PatientName = pseudonyms.patient(patient_id, issuer)
    _state_method(image, keep_characteristics)
    image.preamble = b"\0" * 128
    meta = image.file_meta
    for element in [one for one in meta if one.keyword not in META_KEPT]:
        del meta[element.tag]
    meta.MediaStorageSOPInstanceUID = image.SOPInstanceUID
    return image


META_KEPT = (
    "FileMetaInformationGroupLength",
    "FileMetaInformationVersion",
    "MediaStorageSOPClassUID",
    "TransferSyntaxUID",
)
"""Kept of the file meta information; the rest says who wrote, sent or received it (PS3.10 7.1)."""


def burned_in_text(image: Dataset) -> str:
    """Say why text may be burned into the pixels, or nothing where the image says there is none.

    Examples
    --------
    >>> image = Dataset()
    >>> image.BurnedInAnnotation = "NO"
    >>> burned_in_text(image)
    ''
    """
    stated = str(image.get("BurnedInAnnotation", ""))
    if stated == "NO":
        return ""
    if stated == "YES":
        return "Burned In Annotation is YES: the pixels hold text that may name the patient."
    return (
        "Burned In Annotation is not stated: look at the pixels for text that may name the patient."
    )


def _refuse_unfit(image: Dataset) -> None:
    if image.get("SOPClassUID") not in MR_STORAGE:
        raise InputError(
            "The object is not an MR image; only MR images are de-identified. Leave it out, as"
            " reports and other objects may hold names in their content."
        )
    if not image.get("PatientID"):
        raise InputError(
            "Patient ID is missing, so that the images of one patient cannot share a pseudonym."
            " Correct it in the archive before export."
        )
    uids = [image.get(Tag(name)) for name in ("SOPInstanceUID", "SeriesInstanceUID")]
    if not all(_is_one_uid(uid) for uid in uids):
        raise InputError(
            "SOP Instance UID or Series Instance UID is missing or damaged, so that the image"
            " cannot be distinguished from others. Ask for the series to be exported again."
        )


def _is_one_uid(element: DataElement | None) -> bool:
    return (
        element is not None
        and element.VR == "UI"
        and isinstance(element.value, str)
        and element.value != ""
    )


@dataclass(frozen=True)
class _Cleaner:
    pseudonyms: Pseudonyms
    shift_days: int
    kept: frozenset[int]
    names: KnownNames

    def clean(self, dataset: Dataset) -> None:
        for element in [*dataset]:
            if element.tag in self.kept:
                continue
            if element.tag in DESCRIPTORS:
                words = re.split(r"[^0-9A-Za-z]+", str(element.value))
                element.value = " ".join(word for word in words if IMAGING_WORD.fullmatch(word))
            elif element.tag in SHIFTED:
                element.value = self._shifted(element)
            else:
                self._act(dataset, element, self._action(element))

    def _action(self, element: DataElement) -> Action | None:
        if element.tag.group >> 8 in OVERLAY_GROUPS:
            return Action.REMOVE
        listed = action_on(element.tag)
        foreign = element.VR in SHORT_TEXT and element.tag.group not in IMAGE_GROUPS
        if listed is None and (
            foreign
            or element.VR in REMOVED_UNLISTED
            or (element.VR in NAMING and element.tag.group != 0x7FE0 and self.names.are_in(element))
            or not _is_well_formed(element)
        ):
            return Action.REMOVE
        return listed

    def _act(self, dataset: Dataset, element: DataElement, action: Action | None) -> None:
        if action is Action.REPLACE_UID and element.VR == "UI":
            element.value = self._replaced_uids(element)
        elif action in (None, Action.REPLACE_UID) and element.VR == "SQ":
            for item in element.value:
                self.clean(item)
        elif action in (Action.REMOVE, Action.REPLACE_UID) or (action and element.VR == "SQ"):
            del dataset[element.tag]  # among them what should be a UID and is coded as text
        elif action is Action.EMPTY:
            element.value = None
        elif action is Action.DUMMY:
            element.value = _dummy(element)

    def _replaced_uids(self, element: DataElement) -> UID | list[UID]:
        values = [str(value) for value in element.value] if element.VM > 1 else [str(element.value)]
        replacements = [self.pseudonyms.uid(value) if value else UID("") for value in values]
        return replacements if element.VM > 1 else replacements[0]

    def _shifted(self, element: DataElement) -> str:
        """Shift a date; the time of day is dropped, and so is a date that cannot be read."""
        match = re.fullmatch(r"(\d{8})\d*(\.\d+)?([+-]\d{4})?", str(element.value or ""))
        if match is None:
            return ""
        try:
            day = datetime.datetime.strptime(match[1], "%Y%m%d")
            return f"{day - datetime.timedelta(days=self.shift_days):%Y%m%d}"
        except (ValueError, OverflowError):
            return ""


def _is_well_formed(element: DataElement) -> bool:
    characters = WELL_FORMED.get(element.VR)
    values = element.value if element.VM > 1 else [element.value]
    return characters is None or all(
        re.fullmatch(characters, str(value)) for value in values if value is not None
    )


def _dummy(element: DataElement) -> str | bytes | int | UID:
    if element.VR in NUMBERS:
        return 0
    if element.VR in ("OB", "OW", "OD", "OF", "OL", "UN"):
        return b"\0\0"
    return DUMMY_TEXT.get(element.VR, REMOVED)


def _state_method(image: Dataset, keep_characteristics: bool) -> None:
    """State what was done (PS3.15 E.1.1, PS3.3 C.12.1.1.7)."""
    image.PatientIdentityRemoved = "YES"
    image.LongitudinalTemporalInformationModified = "MODIFIED"
    image.DeidentificationMethod = "DICOM PS3.15 Annex E Basic Profile with options"
    done = [
        codes.DCM.BasicApplicationConfidentialityProfile,
        codes.DCM.CleanDescriptorsOption,
        codes.DCM.RetainLongitudinalTemporalInformationModifiedDatesOption,
    ]
    if keep_characteristics:
        done.append(codes.DCM.RetainPatientCharacteristicsOption)
    image.DeidentificationMethodCodeSequence = [_item(code) for code in done]


def _item(code: Code) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator = code.value, code.scheme_designator
    item.CodeMeaning = code.meaning
    return item
