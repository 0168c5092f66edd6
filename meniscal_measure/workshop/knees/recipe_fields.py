"""Fields with a range, and tables of a recipe read into frozen dataclasses of such fields."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Mapping
from enum import StrEnum
from types import UnionType
from typing import Any, TypeVar, get_type_hints

from meniscal_measure.errors import RecipeError

Record = TypeVar("Record")

REQUIRED: Any = dataclasses.MISSING


def bounded(low: float, high: float, default: Any = REQUIRED) -> Any:
    """Declare a field of a recipe table with its allowed range and, if optional, its default.

    Examples
    --------
    >>> bounded(0.0, 9.0, 2.0).metadata["range"]
    (0.0, 9.0)
    """
    return dataclasses.field(default=default, metadata={"range": (low, high)})


@dataclasses.dataclass(frozen=True)
class Ranged:
    """Base of records that refuse a number outside the range of its field.

    Raises
    ------
    RecipeError
        Naming the field and the range it must lie in.
    """

    def __post_init__(self) -> None:
        for item in dataclasses.fields(self):
            value = getattr(self, item.name)
            if not _in_range(item, value):
                low, high = item.metadata["range"]
                raise RecipeError(
                    f"{type(self).__name__}.{item.name} is {value}; it must lie from {low} to"
                    f" {high}."
                )


def read_table(record: type[Record], table: Mapping[str, Any], where: str) -> Record:
    """Build a dataclass from a TOML table, which messages call by the name `where`.

    Its fields are numbers, words, enumerations, tuples of numbers, or dataclasses of the same kind;
    a number carries its range in the metadata of its field.

    Raises
    ------
    RecipeError
        Naming the field, what was found, and what is allowed.

    Examples
    --------
    >>> @dataclasses.dataclass(frozen=True)
    ... class Stack:
    ...     slices: int = bounded(1, 400)
    ...     spacing_mm: float = bounded(0.2, 20.0, 3.3)
    >>> read_table(Stack, {"slices": 15}, "stack")
    Stack(slices=15, spacing_mm=3.3)
    """
    fields = _fields(record)
    _check_table(fields, table, where)
    for name, field in fields.items():
        if name not in table and field.default is dataclasses.MISSING:
            allowed = _allowed(field, _hints(record)[name])
            raise RecipeError(f"{where} lacks {name}, which must be given: {allowed}.")
    return record(**_values(record, table, where))


def _fields(record: Any) -> dict[str, dataclasses.Field[Any]]:
    return {field.name: field for field in dataclasses.fields(record)}


def _hints(record: Any) -> dict[str, Any]:
    """Type of each field, without the None of an optional one."""
    hints = get_type_hints(record)
    return {
        name: hint.__args__[0] if isinstance(hint, UnionType) else hint
        for name, hint in hints.items()
    }


def _check_table(fields: Mapping[str, Any], table: Any, where: str) -> None:
    if not isinstance(table, Mapping):
        raise RecipeError(f"{where} is {table!r}; it must be a table of fields.")
    for name in table.keys() - fields.keys():
        allowed = ", ".join(fields)
        raise RecipeError(f"{where} has no field {name!r}. Its fields are: {allowed}.")


def _values(record: Any, table: Mapping[str, Any], where: str) -> dict[str, Any]:
    fields, hints = _fields(record), _hints(record)
    values = {}
    for name, given in table.items():
        if dataclasses.is_dataclass(hints[name]):
            default: Any = fields[name].default
            _check_table(_fields(type(default)), given, f"{where}.{name}")
            changed = _values(type(default), given, f"{where}.{name}")
            values[name] = dataclasses.replace(default, **changed)
        else:
            values[name] = _converted(hints[name], given)
            if values[name] is None or not _in_range(fields[name], values[name]):
                allowed = _allowed(fields[name], hints[name])
                raise RecipeError(f"{where}.{name} is {given!r}; allowed is {allowed}.")
    return values


def _converted(hint: Any, given: Any) -> Any:
    """Convert to the type the field asks for; None where the value is of another kind."""
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return next((member for member in hint if _word(member) == given), None)
    if hint is bool or hint is str:
        return given if isinstance(given, hint) else None
    if hint is int:
        return given if isinstance(given, int) and not isinstance(given, bool) else None
    if hint is float:
        return float(given) if _is_number(given) else None
    return _numbers(hint, given)


def _numbers(hint: Any, given: Any) -> tuple[float, ...] | None:
    if not isinstance(given, list) or not all(_is_number(number) for number in given):
        return None
    if Ellipsis not in hint.__args__ and len(given) != len(hint.__args__):
        return None
    return tuple(float(number) for number in given)


def _is_number(given: Any) -> bool:
    if not isinstance(given, int | float) or isinstance(given, bool):
        return False
    return abs(given) <= sys.float_info.max  # an integer of TOML may be larger than any float


def _in_range(field: dataclasses.Field[Any], value: Any) -> bool:
    if "range" not in field.metadata:
        return True
    low, high = field.metadata["range"]
    numbers = value if isinstance(value, tuple) else (value,)
    return all(low <= number <= high for number in numbers)


def _allowed(field: dataclasses.Field[Any], hint: Any) -> str:
    """Say in words what a field may hold."""
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return "one of " + ", ".join(_word(member) for member in hint)
    kinds = {bool: "true or false", str: "a text", int: "a whole number", float: "a number"}
    count = "" if hint in kinds or Ellipsis in hint.__args__ else f"{len(hint.__args__)} "
    kind = kinds.get(hint, f"a list of {count}numbers")
    if "range" not in field.metadata:
        return kind
    low, high = field.metadata["range"]
    return f"{kind} from {low:g} to {high:g}"


def _word(member: StrEnum) -> str:
    """Name a member as recipes do: a side by its word, not by its DICOM code."""
    return str(getattr(member, "word", member.value))
