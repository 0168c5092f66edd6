"""Images without their patient, attribute by attribute and as a whole."""

from __future__ import annotations

import datetime
import io
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pydicom
import pytest
from pydicom import datadict
from pydicom._dicom_dict import DicomDictionary
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset
from pydicom.tag import Tag
from pydicom.uid import UID

import meniscal_measure
from meniscal_measure.errors import InputError, UsageError
from meniscal_measure.exchange.deidentify import burned_in_text, deidentified
from meniscal_measure.exchange.profile_table import Action, _table, action_on
from meniscal_measure.exchange.pseudonyms import Pseudonyms
from meniscal_measure.exchange.study_without_patient import deidentify_study
from tests.command_line import run
from tests.exchange.conftest import SAMPLE, errors_of, saved

KEY = Pseudonyms(b"a secret of the test, not of anybody")
CANARY = "Q7ZCANARY"

PROFILE = {
    "PatientName": Action.EMPTY,
    "PatientID": Action.DUMMY,
    "PatientBirthDate": Action.EMPTY,
    "PatientSex": Action.EMPTY,
    "PatientAge": Action.REMOVE,
    "PatientSize": Action.REMOVE,
    "PatientWeight": Action.REMOVE,
    "AccessionNumber": Action.EMPTY,
    "StudyDate": Action.EMPTY,
    "StudyTime": Action.EMPTY,
    "SeriesDate": Action.DUMMY,
    "AcquisitionDate": Action.EMPTY,
    "ContentDate": Action.DUMMY,
    "InstanceCreationDate": Action.DUMMY,
    "InstitutionName": Action.DUMMY,
    "ReferringPhysicianName": Action.EMPTY,
    "StationName": Action.DUMMY,
    "DeviceSerialNumber": Action.DUMMY,
    "StudyDescription": Action.REMOVE,
    "SeriesDescription": Action.REMOVE,
    "ProtocolName": Action.DUMMY,
    "SOPInstanceUID": Action.REPLACE_UID,
    "StudyInstanceUID": Action.REPLACE_UID,
    "SeriesInstanceUID": Action.REPLACE_UID,
    "FrameOfReferenceUID": Action.REPLACE_UID,
    "DeviceUID": Action.REPLACE_UID,
    "ContentSequence": Action.DUMMY,
    "GraphicAnnotationSequence": Action.DUMMY,
    "VerifyingObserverName": Action.DUMMY,
    "PersonName": Action.DUMMY,
    "Laterality": None,
    "ImageLaterality": None,
    "PixelSpacing": None,
    "ImagePositionPatient": None,
    "ImageOrientationPatient": None,
    "SliceThickness": None,
    "RepetitionTime": None,
    "EchoTime": None,
}
"""Rows of DICOM PS3.15 Table E.1-1, read in another machine copy of the standard than the one the
program uses (a JSON of the 2025 edition); X/Z read as Z, the others with D as D."""

NEEDED = (
    "PixelSpacing",
    "ImagePositionPatient",
    "ImageOrientationPatient",
    "Laterality",
    "Rows",
    "Columns",
    "SliceThickness",
    "RepetitionTime",
    "EchoTime",
    "InstanceNumber",
    "PixelData",
)


def image(index: int = 0) -> Dataset:
    return pydicom.dcmread(sorted((SAMPLE / "series-1").iterdir())[index])


@pytest.mark.parametrize("keyword", PROFILE)
def test_the_table_is_that_of_the_standard(keyword: str) -> None:
    assert action_on(Tag(keyword)) is PROFILE[keyword]


def test_repeating_groups_and_private_attributes_are_removed() -> None:
    for tag in ((0x6002, 0x3000), (0x5010, 0x0005), (0x0019, 0x1001)):
        assert action_on(Tag(tag)) is Action.REMOVE


def planted() -> Dataset:
    """An image with a text that must go in every attribute of the table that can hold it."""
    dataset = image()
    for tag, action in _table()[0].items():
        in_dictionary = datadict.dictionary_has_tag(tag)
        if tag >> 16 == 0x0002 or action is Action.REPLACE_UID or not in_dictionary:
            continue
        representation = datadict.dictionary_VR(tag)
        if representation in ("LO", "SH", "PN", "LT", "ST", "UT", "UC", "AE", "CS"):
            dataset.add_new(tag, representation, CANARY)
    nested = Dataset()
    nested.PatientName = nested.OperatorsName = nested.InstitutionName = CANARY
    dataset.ReferencedImageSequence = [nested]
    dataset.add_new((0x0019, 0x0010), "LO", CANARY)
    dataset.add_new((0x0019, 0x1001), "LO", CANARY)
    dataset.SeriesDescription = f"COR PD FS {CANARY}"
    dataset.PatientID = CANARY
    dataset.file_meta.SourceApplicationEntityTitle = CANARY
    dataset.preamble = CANARY.encode().ljust(128, b"\0")
    return dataset


def test_nothing_planted_in_any_attribute_is_left() -> None:
    stream = io.BytesIO()
    deidentified(planted(), KEY).save_as(stream, enforce_file_format=True)
    assert CANARY.encode() not in stream.getvalue()


def as_term(text: str) -> str:
    """Write a text as a Code String may hold it (DICOM PS3.5 6.2)."""
    return re.sub("[^A-Z0-9_ ]", " ", text.replace("Dr", "").upper())


def test_a_name_is_removed_wherever_the_site_has_written_it() -> None:
    """Also where the table expects none: no attribute of short text may repeat a known person."""
    persons = ("Quimbyová^Ráchel", "Zoltanowski^Xi")
    spellings = ("QUIMBYOVA", "rachel knee", "DrZOLTANOWSKI", "XI", "ID 47-11-08", "03.02.1961")
    kinds = ("LO", "SH", "CS", "AE")
    for spelling in spellings:
        dataset = image()
        dataset.PatientName, dataset.ReferringPhysicianName = persons
        dataset.PatientID, dataset.PatientBirthDate = "471108", "19610203"
        nested = Dataset()
        for tag, (vr, multiplicity, _, retired, _) in DicomDictionary.items():
            if vr in kinds and multiplicity == "1" and not retired and tag >> 16 in (8, 24, 32, 40):
                nested.add_new(tag, vr, spelling if vr in ("LO", "SH") else as_term(spelling))
        dataset.ReferencedImageSequence = [nested]
        cleaned = deidentified(dataset, KEY)
        left = {str(one.value) for one in cleaned.iterall() if one.VR in kinds}
        assert left.isdisjoint({spelling, as_term(spelling)})


def test_a_uid_coded_as_text_is_removed_or_refused() -> None:
    coded = image()
    coded[0x00200052] = DataElement(0x00200052, "LO", "1.2.3.4711")
    assert "FrameOfReferenceUID" not in deidentified(coded, KEY)
    coded[0x00080018] = DataElement(0x00080018, "LO", "1.2.3.4711")
    with pytest.raises(InputError, match="missing or damaged"):
        deidentified(coded, KEY)


@pytest.mark.filterwarnings("ignore:Invalid value for VR UI")
def test_text_in_the_place_of_a_number_a_uid_or_bytes_is_removed() -> None:
    dataset = image()
    dataset.PatientName = "Quimby^Jo"
    nested = Dataset()
    nested.add_new("ICCProfile", "OB", b"profile of Quimby\0")
    nested.add_new("MappingResourceUID", "UI", "1.2.QUIMBY")
    dataset.ReferencedImageSequence = [nested]
    cleaned = deidentified(dataset, KEY)
    cleaned.save_as(after := io.BytesIO(), enforce_file_format=True)
    assert b"quimby" not in after.getvalue().lower()


def test_what_measuring_needs_stays_although_a_name_is_part_of_it() -> None:
    dataset = image()
    before = {name: dataset[name].value for name in (*NEEDED, "PhotometricInterpretation")}
    del before["InstanceNumber"]
    dataset.PatientName, dataset.OperatorsName = "Mono^L", "Chrome^Ori"
    cleaned = deidentified(dataset, KEY)
    assert {name: cleaned[name].value for name in before} == before
    assert list(cleaned.ImageType[:2]) == ["ORIGINAL", "PRIMARY"]


def test_no_date_stays_that_the_table_does_not_list() -> None:
    """It would tell by how many days the others were shifted."""
    dates = {"DA": "19770707", "DT": "19770707070707", "TM": "070707.77"}
    image = pydicom.dcmread(next((SAMPLE / "series-1").iterdir()))
    for tag, (vr, _, _, _, keyword) in DicomDictionary.items():
        if vr in dates and keyword not in image:
            image.add_new(tag, vr, dates[vr])
    cleaned = deidentified(image, KEY)
    left = [str(one.value) for one in cleaned.iterall() if one.VR in dates]
    assert not [value for value in left if value in dates.values()]


def test_what_measuring_needs_is_untouched() -> None:
    before, after = image(), deidentified(image(), KEY)
    for keyword in NEEDED:
        assert after[keyword].value == before[keyword].value, keyword


def test_millimetres_are_the_same_afterwards(tmp_path: Path) -> None:
    for index, file in enumerate(sorted((SAMPLE / "series-1").iterdir())):
        out = deidentified(pydicom.dcmread(file), KEY)
        out.save_as(tmp_path / f"{index}.dcm", enforce_file_format=True)
    before = meniscal_measure.measure(SAMPLE, landmarks=SAMPLE / "landmarks.json")
    by_millimetres = tmp_path / "landmarks.json"
    text = (SAMPLE / "landmarks.json").read_text()
    for frame in before.stack.frames:
        text = text.replace(frame.sop_instance_uid, KEY.uid(frame.sop_instance_uid))
    by_millimetres.write_text(text)
    after = meniscal_measure.measure(tmp_path, landmarks=by_millimetres)
    assert before.medial is not None
    assert after.medial is not None
    assert after.medial.extrusion.extrusion_mm == before.medial.extrusion.extrusion_mm


def test_a_validator_finds_no_error(tmp_path: Path) -> None:
    """Source: dciodvfy of dicom3tools."""
    assert errors_of(saved(deidentified(image(), KEY), tmp_path)) == []


def test_nothing_of_an_overlay_stays(tmp_path: Path) -> None:
    """Source: dciodvfy of dicom3tools, which asks for the data of an overlay that is described."""
    drawn = image()
    for keyword, vr, value in ((0x10, "US", 8), (0x11, "US", 8), (0x40, "CS", "G")):
        drawn.add_new(0x60000000 + keyword, vr, value)
    drawn.add_new(0x60003000, "OW", bytes(8))
    after = deidentified(drawn, KEY)
    assert not [element for element in after if element.tag.group == 0x6000]
    assert errors_of(saved(after, tmp_path)) == []


def test_the_object_says_what_was_done() -> None:
    """Source: DICOM PS3.16 CID 7050 for the codes, PS3.3 C.12.1.1.7 for the attributes."""
    after = deidentified(image(), KEY, keep_characteristics=True)
    assert after.PatientIdentityRemoved == "YES"
    assert after.LongitudinalTemporalInformationModified == "MODIFIED"
    done = [item.CodeValue for item in after.DeidentificationMethodCodeSequence]
    assert done == ["113100", "113105", "113107", "113108"]


def test_one_patient_gets_one_pseudonym_and_one_shift_of_dates() -> None:
    first, second = image(0), image(1)
    first.StudyDate, second.StudyDate = "20260110", "20260712"
    one, two = deidentified(first, KEY), deidentified(second, KEY)
    assert one.PatientID == two.PatientID
    assert one.SeriesInstanceUID == two.SeriesInstanceUID
    assert one.SOPInstanceUID != two.SOPInstanceUID
    days = [datetime.datetime.strptime(x.StudyDate, "%Y%m%d") for x in (one, two)]
    assert (days[1] - days[0]).days == 183
    assert one.StudyDate < "20260110"


def test_another_key_gives_other_pseudonyms() -> None:
    other = Pseudonyms(b"another secret of sixteen bytes")
    uid = UID("1.2.3.4")
    assert KEY.uid(uid) != other.uid(uid)
    assert KEY.patient("1") != other.patient("1")
    assert KEY.uid(uid).is_valid


def test_references_between_images_still_meet() -> None:
    first, second = image(0), image(1)
    reference = Dataset()
    reference.ReferencedSOPClassUID = second.SOPClassUID
    reference.ReferencedSOPInstanceUID = second.SOPInstanceUID
    first.ReferencedImageSequence = [reference]
    one, two = deidentified(first, KEY), deidentified(second, KEY)
    assert one.ReferencedImageSequence[0].ReferencedSOPInstanceUID == two.SOPInstanceUID
    assert one.ReferencedImageSequence[0].ReferencedSOPClassUID == two.SOPClassUID


def test_characteristics_stay_only_when_asked_for() -> None:
    def told() -> Dataset:
        dataset = image()
        dataset.PatientSex, dataset.PatientAge, dataset.PatientWeight = "F", "054Y", "71"
        return dataset

    assert deidentified(told(), KEY).PatientSex in (None, "")
    assert "PatientAge" not in deidentified(told(), KEY)
    kept = deidentified(told(), KEY, keep_characteristics=True)
    assert (kept.PatientSex, kept.PatientAge, str(kept.PatientWeight)) == ("F", "054Y", "71")


def test_descriptions_keep_only_words_of_imaging() -> None:
    dataset = image()
    dataset.SeriesDescription = "COR PD FS left Dr. Miller 12.3."
    assert deidentified(dataset, KEY).SeriesDescription == "COR PD FS left"


def test_burned_in_text_is_warned_about() -> None:
    dataset = image()
    dataset.BurnedInAnnotation = "YES"
    assert "hold text" in burned_in_text(dataset)
    dataset.BurnedInAnnotation = "NO"
    assert burned_in_text(dataset) == ""
    del dataset.BurnedInAnnotation
    assert "not stated" in burned_in_text(dataset)


def test_what_cannot_be_done_safely_is_refused() -> None:
    report = image()
    report.SOPClassUID = UID("1.2.840.10008.5.1.4.1.1.88.34")
    with pytest.raises(InputError, match="not an MR image"):
        deidentified(report, KEY)
    nobody = image()
    nobody.PatientID = ""
    with pytest.raises(InputError, match="Patient ID is missing"):
        deidentified(nobody, KEY)
    with pytest.raises(UsageError, match="The key has 5 bytes"):
        Pseudonyms(b"short")


def test_the_command_writes_a_folder_for_each_patient_and_says_what_to_check(
    tmp_path: Path,
) -> None:
    key = tmp_path / "key"
    key.write_text("a secret of the test, not of anybody")
    out = tmp_path / "out"
    command = ["archive", "deidentify", str(SAMPLE / "series-1"), "--key-file", str(key)]
    done = run(*command, "--out", out)
    assert done.exit_code == 0, done.output
    written = [*out.rglob("*.dcm")]
    assert len(written) == len([*(SAMPLE / "series-1").iterdir()])
    (patient,) = out.iterdir()
    first = pydicom.dcmread(written[0])
    assert patient.name == first.PatientID == KEY.patient(image().PatientID)
    assert str(image().PatientID) not in str(patient)


def _without(keyword: str) -> bytes:
    plain = image()
    delattr(plain, keyword)
    return _bytes(plain)


def _bytes(dataset: Dataset) -> bytes:
    stream = io.BytesIO()
    dataset.save_as(stream)
    return stream.getvalue()


def _with_length(content: bytes, claimed: int) -> bytes:
    """Let the value of Patient Comments claim a length; a file holds far less."""
    at = content.index(b"\x10\x00\x00\x40") + 4  # PS3.5 7.1.2: tag, VR, length
    return content[:at] + b"UN\0\0" + claimed.to_bytes(4, "little") + content[at + 8 :]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda: _without("SOPInstanceUID"),
        lambda: _without("SeriesInstanceUID"),
        lambda: _with_length(_bytes(_commented()), 0xF0000000),
        lambda: _bytes(_commented())[:400],
    ],
    ids=["no SOP Instance UID", "no Series Instance UID", "claimed length", "cut off"],
)
def test_one_damaged_image_does_not_keep_the_others(
    tmp_path: Path, spoil: Callable[[], bytes]
) -> None:
    (tmp_path / "study").mkdir()
    (tmp_path / "study" / "1.dcm").write_bytes(spoil())
    (tmp_path / "study" / "2.dcm").write_bytes(_bytes(image(1)))

    done = deidentify_study(tmp_path / "study", tmp_path / "out", KEY)

    assert done.written == 1
    (refusal,) = done.refusals
    assert refusal.file.path.name == "1.dcm"


def _commented() -> Dataset:
    plain = image()
    plain.PatientComments = "speaks softly"
    return plain


@pytest.mark.parametrize("out", ["study", "study/inside", "."])
def test_images_with_and_without_their_patient_are_never_mixed(tmp_path: Path, out: str) -> None:
    study = Path(shutil.copytree(SAMPLE / "series-1", tmp_path / "study"))
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(UsageError, match="overlap, so that images"):
        deidentify_study(study, tmp_path / out, KEY)
    assert sorted(tmp_path.rglob("*")) == before


def test_no_text_stays_that_is_neither_listed_nor_of_the_image() -> None:
    image = pydicom.dcmread(next((SAMPLE / "series-1").iterdir()))
    for tag, (vr, _, _, _, keyword) in DicomDictionary.items():
        if vr in ("LO", "SH") and keyword not in image:
            image.add_new(tag, vr, CANARY)
    left = [one for one in deidentified(image, KEY).iterall() if str(one.value) == CANARY]
    assert {one.tag.group for one in left} <= {0x0008, 0x0018, 0x0020, 0x0028}
