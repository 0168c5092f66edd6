"""The text of a landmark file, JSON or CSV, parsed into slices and named landmarks."""

from __future__ import annotations

import csv
import io
import json
import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NoReturn

from meniscal_measure.anatomy import Landmark
from meniscal_measure.caliper.landmarks import HAND_PLACEMENT_SD_MM, SliceConvention
from meniscal_measure.caliper.reading import AxisConvention, Signature
from meniscal_measure.errors import LandmarkError
from meniscal_measure.records.landmark_document import (
    DEFAULT_REASON,
    LANDMARK_NAMES,
    MAX_SD_MM,
    MIN_SD_MM,
    SIGNATURE_KEYS,
    LandmarkDocument,
    SliceEntry,
    SliceRef,
)

_EARLIER_NAMES = {
    name.replace(Landmark.FREE_EDGE, "inner_tip"): name
    for name, (_, landmark) in LANDMARK_NAMES.items()
    if landmark is Landmark.FREE_EDGE
}
"""Names that landmark files of version 0.1 used, some of them signed under these."""


SLICE_KEYS = ("slice", "slice_index", "sop_instance_uid")
SET_KEYS = ("slice_convention", "slice_reason", "sd_mm", "signed")
KNOWN_KEYS = frozenset({*SLICE_KEYS, *SET_KEYS, *LANDMARK_NAMES, "slices"})
MAX_REASON = 2000
"""Most characters of the reason of a slice: it stands in the report."""
PIXEL_COLUMNS = ("column", "row")
PATIENT_COLUMNS = ("x_mm", "y_mm", "z_mm")


def parse_landmark_text(text: str) -> LandmarkDocument:
    """Parse the text of a landmark file; JSON begins with a bracket, anything else is CSV.

    Raises
    ------
    LandmarkError
        If a key is unknown, repeated or has a value that is not allowed. The message names the
        key and the remedy.

    Examples
    --------
    >>> document = parse_landmark_text('{"slice": 7, "medial_rim": [175.1, 124.1]}')
    >>> document.entries[0].points
    {'medial_rim': ((175.1, 124.1), 0.2)}
    """
    if not text.strip():
        raise LandmarkError("the file is empty. Place landmarks and save them there.")
    return _from_json(text) if text.lstrip().startswith(("{", "[")) else _from_csv(text)


def _from_json(text: str) -> LandmarkDocument:
    try:
        content = json.loads(text, object_pairs_hook=_without_duplicates)
    except (ValueError, RecursionError) as error:  # ValueError: also numbers with too many digits
        raise LandmarkError(
            "not valid JSON ({reason:private}). Correct it there.", reason=str(error)
        ) from error
    if not isinstance(content, dict):
        raise LandmarkError(
            'the file must be one JSON object: several slices go into its "slices" list.'
        )
    sd_mm = _sd_mm(content.get("sd_mm", HAND_PLACEMENT_SD_MM))
    if "slices" in content:
        _refuse_unknown(content, ("slices", *SET_KEYS))
        slices = content["slices"]
    else:
        slices = [{key: value for key, value in content.items() if key not in SET_KEYS}]
    if not isinstance(slices, list) or not slices:
        _refuse("slices", "must be a list of at least one slice")
    return LandmarkDocument(
        tuple(_json_slice(item, sd_mm) for item in slices),
        _convention(content.get("slice_convention", SliceConvention.CHOSEN_BY_READER)),
        _reason(content.get("slice_reason", DEFAULT_REASON)),
        _signature(content["signed"]) if "signed" in content else None,
    )


def _without_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    pairs = [(_EARLIER_NAMES.get(name, name), value) for name, value in pairs]
    content = dict(pairs)
    if len(content) != len(pairs):
        names = [name for name, _ in pairs]
        _refuse(next(n for n in names if names.count(n) > 1), "is given twice; keep one")
    return content


def _json_slice(item: Any, sd_mm: float) -> SliceEntry:
    if not isinstance(item, dict):
        _refuse("slices", "must hold one object for each slice")
    _refuse_unknown(item, (*SLICE_KEYS, "sd_mm", *LANDMARK_NAMES))
    placed = {name: value for name, value in item.items() if name in LANDMARK_NAMES}
    sds_mm = _sds_mm(item.get("sd_mm", sd_mm), tuple(placed), sd_mm)
    points = {name: (_coordinates(name, value), sds_mm[name]) for name, value in placed.items()}
    return SliceEntry(_entry_name(item), points)


def _sds_mm(value: Any, names: Sequence[str], default_mm: float) -> dict[str, float]:
    """One standard deviation for all landmarks of a slice, or one each by their names."""
    if not isinstance(value, dict):
        return dict.fromkeys(names, _sd_mm(value))
    _refuse_unknown(value, names)
    return {name: _sd_mm(value.get(name, default_mm)) for name in names}


def _entry_name(item: Mapping[str, Any]) -> SliceRef:
    if "slice" not in item:
        return _slice_name(item.get("slice_index"), item.get("sop_instance_uid"))
    value = item["slice"]
    if isinstance(value, dict):
        _refuse_unknown(value, ("index", "sop_instance_uid"))
        return _slice_name(value.get("index"), value.get("sop_instance_uid"))
    if isinstance(value, str) and not _is_index(value):
        return _slice_name(None, value.strip())
    return _slice_name(value, None)


def _is_index(text: str) -> bool:
    return re.fullmatch(r"-?\d{1,6}", text.strip(), re.ASCII) is not None


def _slice_name(index: Any, uid: Any) -> SliceRef:
    if isinstance(index, str) and _is_index(index):
        index = int(index)
    index_is_good = index is None or (isinstance(index, int) and not isinstance(index, bool))
    if not index_is_good or not isinstance(uid, str | None) or (index is None and not uid):
        _refuse(
            "slice",
            "must be the index of the slice in geometric order, a whole number from 0, or its SOP"
            " Instance UID",
        )
    return SliceRef(index, uid)


def _from_csv(text: str) -> LandmarkDocument:
    header, *rows = _csv_rows(text) or [[]]
    coordinates = PATIENT_COLUMNS if "x_mm" in header else PIXEL_COLUMNS
    needed = {"slice", "landmark", *coordinates}
    if len(set(header)) != len(header) or set(header) - {"sd_mm"} != needed:
        raise LandmarkError(
            "the first line must name the columns slice,landmark,column,row or"
            " slice,landmark,x_mm,y_mm,z_mm, with sd_mm if wanted. A JSON file must begin with {."
        )
    slices: dict[SliceRef, dict[str, tuple[tuple[float, ...], float]]] = {}
    for row in (dict(zip(header, values, strict=True)) for values in rows):
        name = _EARLIER_NAMES.get(row["landmark"], row["landmark"])
        points = slices.setdefault(_entry_name(row), {})
        if name not in LANDMARK_NAMES:
            _refuse_unknown([name], tuple(LANDMARK_NAMES))
        if name in points:
            _refuse(name, "is given twice on slice {slice:private}; keep one", slice=row["slice"])
        numbers = [_number(name, row[column]) for column in coordinates]
        sd_mm = _sd_mm(_number("sd_mm", row["sd_mm"])) if row.get("sd_mm") else HAND_PLACEMENT_SD_MM
        points[name] = (_coordinates(name, numbers), sd_mm)
    if not slices:
        raise LandmarkError("holds no landmark. Add one line for each.")
    return LandmarkDocument(tuple(SliceEntry(name, points) for name, points in slices.items()))


def _csv_rows(text: str) -> list[list[str]]:
    """Split the lines that are not empty, all with as many values as the first.

    Spreadsheets separate by semicolons where the comma is the decimal sign, and pad with empty
    cells.
    """
    rows: list[list[str]] = []
    separator = next((sign for sign in ";\t" if sign in text.partition("\n")[0]), ",")
    reader = csv.reader(io.StringIO(text), delimiter=separator, skipinitialspace=True, strict=True)
    try:
        for row in (cells for cells in reader if any(cell.strip() for cell in cells)):
            if rows and len(row) != len(rows[0]):
                raise LandmarkError(
                    f"line {reader.line_num} does not have as many values as there are columns."
                    " Correct it there."
                )
            rows.append([value.strip() for value in row])
    except csv.Error as error:
        raise LandmarkError(
            "line {line} is not valid CSV ({reason:private}). Correct it there.",
            line=reader.line_num,
            reason=str(error),
        ) from error
    return rows


def _number(key: str, text: str) -> float:
    try:
        if "_" in text:  # which Python allows in a number
            raise ValueError
        return float(text)
    except ValueError:
        rule = "is {value:private}; it must be a number with a decimal point"
        _refuse(key, rule, value=repr(text))


def _coordinates(name: str, value: Any) -> tuple[float, ...]:
    numbers = value if isinstance(value, list) else []
    if len(numbers) not in (2, 3) or not all(_is_finite(number) for number in numbers):
        _refuse(
            name,
            "is {value:private}; it must be [column, row] in pixels or [x, y, z] in patient mm,"
            " finite numbers",
            value=json.dumps(value),
        )
    return tuple(float(number) for number in numbers)


def _sd_mm(value: Any) -> float:
    if not (_is_finite(value) and MIN_SD_MM <= value <= MAX_SD_MM):
        _refuse(
            "sd_mm",
            "is {value:private}; it must be a number of mm, {least:g} to {most:g}: the pixels allow"
            " no better placement",
            value=json.dumps(value),
            least=MIN_SD_MM,
            most=MAX_SD_MM,
        )
    return float(value)


def _is_finite(value: Any) -> bool:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return False
    return abs(value) <= sys.float_info.max  # also false for NaN and for whole numbers beyond float


def _convention(value: Any) -> SliceConvention:
    try:
        return SliceConvention(value)
    except ValueError:
        _refuse(
            "slice_convention",
            "is {value:private}; it must be one of {known}",
            value=json.dumps(value),
            known=", ".join(SliceConvention),
        )


def _reason(value: Any) -> str:
    if not isinstance(value, str):
        rule = "is {value:private}; it must be a sentence in quotes"
        _refuse("slice_reason", rule, value=json.dumps(value))
    if len(value) > MAX_REASON or any("\ud800" <= letter <= "\udfff" for letter in value):
        _refuse("slice_reason", f"must be at most {MAX_REASON} characters, none of them damaged")
    return value


def _signature(value: Any) -> Signature:
    if not isinstance(value, dict) or set(value) != set(SIGNATURE_KEYS):
        _refuse(
            "signed",
            f"must be an object of {', '.join(SIGNATURE_KEYS)}; collect it again, or take it out",
        )
    reader, at, axis, quality, remark, seal = (value[key] for key in SIGNATURE_KEYS)
    texts = (reader, at, remark, seal, *(quality if isinstance(quality, list) else [None]))
    if not all(isinstance(text, str) for text in texts):
        _refuse("signed", "must hold texts, quality a list of them")
    if not (reader and at):
        _refuse("signed", "must say who signed and when")
    if axis not in tuple(AxisConvention):
        _refuse("signed", f"must name the axis: one of {', '.join(AxisConvention)}")
    return Signature(reader, at, AxisConvention(axis), tuple(quality), remark, seal)


def _refuse_unknown(keys: Iterable[str], known: Sequence[str]) -> None:
    for key in keys:
        if key not in known:
            _refuse(key, "is not known here; known are {known}", known=", ".join(known))


def _refuse(key: str, rule: str, **values: str | float) -> NoReturn:
    """Say which key breaks which rule; an unknown key may be anything, even a name."""
    name = "{key}" if key in KNOWN_KEYS else "{key:private}"
    raise LandmarkError(f"{name} {rule}.", key=key, **values)
