"""Images under codes: the same pixels, and files that tell neither a repeat nor a visit."""

from __future__ import annotations

import hashlib
import zipfile
from pathlib import Path, PurePath

import pydicom
import pytest
import SimpleITK as sitk
from pydicom.data import get_testdata_file
from pydicom.filereader import read_file_meta_info

from meniscal_measure.cohort.assignment import blinded_place, plan_readings
from meniscal_measure.cohort.blinded_images import varied_copy, write_blinded_images
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.errors import OutputError


@pytest.fixture
def written(samples: Path, tmp_path: Path) -> dict[str, list[Path]]:
    """The files of each reading: three knees, one of them packed, and one of them read again."""
    packed = tmp_path / "packed.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for file in sorted((samples / "root-tear").rglob("*.dcm")):
            archive.write(file, f"name of a visit/{file.name}")
    places = [samples / "normal", packed, samples / "exactly-3mm"]
    knees = [Entry(subject=f"S{n}", path=str(place)) for n, place in enumerate(places)]
    plan = plan_readings(knees, ["A"], repeats=1, seed=1, landmarks=PurePath("landmarks"))
    write_blinded_images(plan, tmp_path / "coded")
    return {
        f"{one.entry.subject} {one.entry.repeat}": sorted(
            blinded_place(one, tmp_path / "coded").iterdir()
        )
        for one in plan.readings
    }


def test_neither_inode_nor_hash_nor_time_nor_size_tells_a_repeat(
    written: dict[str, list[Path]],
) -> None:
    files = [file for own in written.values() for file in own]
    assert len(written) == 4
    assert all(file.stat().st_nlink == 1 for file in files)
    hashes = {hashlib.sha256(file.read_bytes()).hexdigest() for file in files}
    assert len(hashes) == len({file.stat().st_ino for file in files}) == len(files)
    assert len({file.stat().st_mtime for file in files}) == 1
    assert len({file.parent.stat().st_mtime for file in files}) == 1
    # Sizes are drawn from four; 26 files draw the same ones by chance in 1 of 4**13 runs.
    sizes = {name: [file.stat().st_size for file in own] for name, own in written.items()}
    (again,) = [name for name in written if name.endswith(" 2")]
    assert sizes[again] != sizes[again.replace(" 2", " 1")]
    assert {size % 2**15 for own in sizes.values() for size in own} == {0}
    assert {file.name for file in files} == {
        f"{number:05d}.dcm" for number in range(1, max(map(len, written.values())) + 1)
    }


def test_the_repeat_shows_the_same_pixels(written: dict[str, list[Path]]) -> None:
    (again,) = [name for name in written if name.endswith(" 2")]
    first = written[again.replace(" 2", " 1")]
    for one, two in zip(first, written[again], strict=True):
        here, there = pydicom.dcmread(one), pydicom.dcmread(two)
        assert here == there
        assert here.file_meta.TransferSyntaxUID == there.file_meta.TransferSyntaxUID
        # Read by a library of another origin too (GDCM within ITK).
        images = [sitk.GetArrayFromImage(sitk.ReadImage(str(file))) for file in (one, two)]
        assert (images[0] == images[1]).all()
        assert (images[0].squeeze() == here.pixel_array).all()


@pytest.mark.parametrize(
    "name",
    [
        "CT_small.dcm",  # explicit little endian
        "MR_small_implicit.dcm",
        "MR_small_bigendian.dcm",
        "image_dfl.dcm",  # deflated
        "JPEG2000.dcm",
        "MR_truncated.dcm",
    ],
)
def test_the_data_set_stays_whatever_its_transfer_syntax(name: str, tmp_path: Path) -> None:
    path = get_testdata_file(name)
    content = Path(str(path)).read_bytes()
    copy = varied_copy(content)
    assert copy != varied_copy(content)
    (tmp_path / "copy.dcm").write_bytes(copy)
    before, after = (read_file_meta_info(file) for file in (str(path), tmp_path / "copy.dcm"))
    start, place = (144 + meta.FileMetaInformationGroupLength for meta in (before, after))
    assert copy[place:] == content[start:]
    assert after.TransferSyntaxUID == before.TransferSyntaxUID
    assert len(after.PrivateInformation) > 0


def test_a_file_without_the_prefix_is_left_as_it_is() -> None:
    assert varied_copy(b"no DICOM") == b"no DICOM"


def test_a_folder_that_cannot_be_written_is_said(samples: Path, tmp_path: Path) -> None:
    (tmp_path / "coded").write_text("a file")
    knees = [Entry(subject="S", path=str(samples / "normal"))]
    plan = plan_readings(knees, ["A"], repeats=0, seed=1, landmarks=PurePath("landmarks"))
    with pytest.raises(OutputError, match=r"reading \w{5} cannot be put under .*coded"):
        write_blinded_images(plan, tmp_path / "coded")
