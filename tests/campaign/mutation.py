"""Mutations that know the structure of what they change."""

from __future__ import annotations

import copy
import io
import random
from collections.abc import Callable
from typing import Any

import pydicom
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset, FileDataset
from pydicom.multival import MultiValue
from pydicom.sequence import Sequence as DicomSequence
from pydicom.tag import Tag
from pydicom.uid import UID

NUMBERS = (
    *("0", "-0", "1", "-1", "1e308", "-1e308", "1e-308", "inf", "-inf", "nan", "1e15", "5000"),
    *("0,5", "0_5", "0x10", "9" * 400, "1.00000049", "0.5000001", "2147483648", "65536", "\u0664"),
)
TEXTS = (
    *("", " ", "\0", "\x1b[2J", "=1+1", "../..", "a\\b", "\ud7ff", "Left", "R", "B", "{0}", "{x}"),
    *("x" * 5000, "1.2.840.10008.1.2.1.99", "1.2.840.10008.1.2.4.80", "\u202e", "[left out]"),
)
JSON_VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 1e308, -1e308, float("nan"), float("inf"), 10**30, 1e-320),
    *([], {}, [[]], [None], {"a": 1}, "1", "medial", [1, 2], [1, 2, 3], [1e308, 1e308]),
    *TEXTS,
)


def mutated_bytes(content: bytes, dice: random.Random, *, within: int | None = None) -> bytes:
    """Flip, cut, insert, repeat or exchange bytes."""
    data = bytearray(content)
    for _ in range(dice.choice((1, 1, 1, 2, 4, 16))):
        end = min(len(data), within or len(data))
        if end >= 2:
            dice.choice(BYTE_MUTATIONS)(data, dice.randrange(end), dice)
    return bytes(data)


def _exchange(data: bytearray, at: int, dice: random.Random) -> None:
    data[at] = dice.randrange(256)


def _flip(data: bytearray, at: int, dice: random.Random) -> None:
    data[at] ^= 1 << dice.randrange(8)


def _cut_out(data: bytearray, at: int, dice: random.Random) -> None:
    del data[at : at + _length(dice)]


def _insert(data: bytearray, at: int, dice: random.Random) -> None:
    length = _length(dice)
    data[at:at] = dice.choice((bytes(length), b"\xff" * length, dice.randbytes(length)))


def _repeat(data: bytearray, at: int, dice: random.Random) -> None:
    data[at:at] = data[at : at + _length(dice)]


def _cut_off(data: bytearray, at: int, dice: random.Random) -> None:
    if dice.random() < 0.3:
        del data[at:]


def _length(dice: random.Random) -> int:
    return dice.choice((1, 1, 2, 4, 8, 64))


BYTE_MUTATIONS = (_exchange, _flip, _cut_out, _insert, _repeat, _cut_off)


def mutated_text(text: str, dice: random.Random) -> str:
    """Change letters, or put a hostile word in the place of a word."""
    if dice.random() < 0.5:
        return mutated_bytes(text.encode(), dice).decode("utf-8", "replace")
    at, end = sorted((dice.randrange(len(text) + 1), dice.randrange(len(text) + 1)))
    return text[:at] + dice.choice((*TEXTS, *NUMBERS)) + text[min(end, at + 12) :]


def mutated_tree(tree: Any, dice: random.Random) -> Any:
    """Change, drop, add, repeat or exchange nodes of lists and dictionaries."""
    tree = copy.deepcopy(tree)
    for _ in range(dice.choice((1, 1, 1, 2, 3))):
        holders = [node for node in _nodes(tree) if node]
        if not holders:
            return tree
        holder = dice.choice(holders)
        key = dice.choice(list(holder) if isinstance(holder, dict) else range(len(holder)))
        kind = dice.randrange(6)
        if kind == 0:
            del holder[key]
        elif kind == 1:
            holder[key] = copy.deepcopy(dice.choice(holders))
        elif kind == 2 and isinstance(holder, dict):
            holder[dice.choice(TEXTS)] = holder[key]
        elif kind == 2:
            holder.insert(key, copy.deepcopy(holder[key]))
        elif kind == 3 and isinstance(holder[key], int | float):
            holder[key] = holder[key] * dice.choice((-1, 0, 1.5, 1e6, 1e-6)) + dice.choice((0, 1))
        else:
            holder[key] = copy.deepcopy(dice.choice(JSON_VALUES))
    return tree


def _nodes(tree: Any) -> list[Any]:
    found = []
    if isinstance(tree, dict | list):
        found.append(tree)
        for child in tree.values() if isinstance(tree, dict) else tree:
            found += _nodes(child)
    return found


# --- DICOM -----------------------------------------------------------------------------------

SYNTAXES = (
    *("1.2.840.10008.1.2", "1.2.840.10008.1.2.1.99", "1.2.840.10008.1.2.2", "1.2.3"),
    *("1.2.840.10008.1.2.4.80", "1.2.840.10008.1.2.4.90", "1.2.840.10008.1.2.5"),
)
CLASSES = ("1.2.840.10008.5.1.4.1.1.4", "1.2.840.10008.5.1.4.1.1.4.1", "1.2.840.10008.5.1.4.1.1.2")
PLACES_OF_LIES = (
    *("ReferencedImageSequence", "DerivationImageSequence", "SourceImageSequence"),
    *("UnassignedPerFrameConvertedAttributesSequence", "PixelMeasuresSequence"),
    *(
        "FrameContentSequence",
        "MREchoSequence",
        "PlanePositionSequence",
        "RequestAttributesSequence",
    ),
)


def false_item(dice: random.Random) -> Dataset:
    """Geometry that is not that of the frame, for where nobody is to look for it."""
    item = Dataset()
    item.PixelSpacing = [dice.choice((0.65, 0.3, 2.0))] * 2
    item.ImagePositionPatient = [7, 7, 7]
    item.ImageOrientationPatient = [0, 1, 0, 0, 0, -1]
    item.RescaleSlope = 3
    return item


def _delete(dataset: Dataset, dice: random.Random) -> None:
    del dataset[dice.choice(list(dataset.keys()))]


def _raw(dataset: Dataset, dice: random.Random) -> None:
    """Put a hostile value in the place of one, as it would stand in the file."""
    tag = dice.choice(list(dataset.keys()))
    held = dataset.get_item(tag)
    if held.VR == "SQ":
        return
    content = dice.choice((*NUMBERS, *TEXTS)).encode("utf-8", "replace")[:60000]
    if dice.random() < 0.5 and isinstance(held.value, bytes):
        content = mutated_bytes(held.value, dice)
    if dice.random() < 0.3:
        content = b"\\".join([content] * dice.randrange(1, 8))
    content += b" " * (len(content) % 2)
    vr = dice.choice((held.VR, held.VR, held.VR, "UN", "LO", "DS"))
    limit = 2**32 if vr in ("UN", "OB", "OW", "SQ", "UT") else 2**16 - 2
    content = content[: limit - limit % 2]
    dataset[tag] = RawDataElement(Tag(tag), vr, len(content), content, 0, False, True)


def _lie(dataset: Dataset, dice: random.Random) -> None:
    """Hold geometry in a sequence of another purpose, or in a private one."""
    if dice.random() < 0.3:
        block = dataset.private_block(0x0021, "VENDOR", create=True)
        block.add_new(0x10, "SQ", DicomSequence([false_item(dice)]))
        return
    keyword = dice.choice(PLACES_OF_LIES)
    if dice.random() < 0.3 and keyword in dataset:
        dataset[keyword].value.append(false_item(dice))
    elif keyword not in dataset:
        setattr(dataset, keyword, DicomSequence([false_item(dice)]))
    else:
        for item in dataset[keyword].value:
            item.ReferencedImageSequence = DicomSequence([false_item(dice)])


def _identity(dataset: Dataset, dice: random.Random) -> None:
    keyword = dice.choice(
        ("PatientID", "PatientName", "PatientBirthDate", "StudyInstanceUID", "SeriesInstanceUID")
    )
    setattr(dataset, keyword, dice.choice(("OTHER", "2.25.99", "", "19500101")))


def _number(dataset: Dataset, dice: random.Random) -> None:
    """Change a number a little, or by much, so that it is still one."""
    found = [element.tag for element in dataset if element.VR in ("DS", "IS", "US", "FD")]
    if not found:
        return
    tag = dice.choice(found)
    held = dataset[tag].value
    values = list(held) if isinstance(held, MultiValue) else [held]
    place = dice.randrange(len(values)) if values else 0
    if not values or values[place] in (None, ""):
        return
    value = float(values[place]) * dice.choice((1.000001, 1.15, -1, 0.5, 10)) + dice.choice((0, 1))
    whole = dataset[tag].VR in ("IS", "US")
    values[place] = min(abs(int(value)), 65535) if whole else round(value, 8)
    dataset[tag].value = values if len(values) > 1 else values[0]


def _syntax(dataset: Dataset, dice: random.Random) -> None:
    if isinstance(dataset, FileDataset) and dice.random() < 0.5:
        dataset.file_meta.TransferSyntaxUID = UID(dice.choice(SYNTAXES))
    elif isinstance(dataset, FileDataset):
        dataset.SOPClassUID = UID(dice.choice(CLASSES))


def _items(dataset: Dataset, dice: random.Random) -> None:
    """Drop, repeat or reorder the items of a sequence."""
    found = [element.tag for element in dataset if element.VR == "SQ" and element.value]
    if not found:
        return
    items = dataset[dice.choice(found)].value
    kind = dice.randrange(3)
    if kind == 0:
        del items[dice.randrange(len(items))]
    elif kind == 1:
        items.append(copy.deepcopy(dice.choice(items)))
    else:
        items.reverse()


DATASET_MUTATIONS: tuple[Callable[[Dataset, random.Random], None], ...] = (
    *(_delete, _raw, _raw, _raw, _lie, _lie, _identity, _number, _number, _syntax, _items),
)


def mutated_dataset(content: bytes, dice: random.Random) -> FileDataset:
    """Change a few elements of an object, given by its file, or of the items in it."""
    dataset = pydicom.dcmread(io.BytesIO(content))
    for _ in range(dice.choice((1, 1, 2, 3))):
        holders = _holders(dataset)
        dice.choice(DATASET_MUTATIONS)(
            dataset if dice.random() < 0.4 else dice.choice(holders), dice
        )
    return dataset


def _holders(dataset: Dataset) -> list[Dataset]:
    found = [dataset] if len(dataset) else []
    for tag in list(dataset.keys()):
        if dataset.get_item(tag).VR == "SQ":
            for item in dataset[tag].value or ():
                found += _holders(item)
    return found
