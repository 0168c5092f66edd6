"""Sentences as data: an English template and its values, put into words where they are shown.

A field of the template says what its value is: `{name:private}` may identify the patient and can be
left out, `{index:slice}` is the index of a slice and can be named as a person counts. Any
other format is Python's own. No finished text has to be searched for either.
"""

from __future__ import annotations

import string
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

LEFT_OUT = "[left out]"
"""Stands where an identifying value stood."""

PRIVATE = "private"
"""Format of a field whose value may identify the patient: names, paths, header text, UIDs."""

SLICE = "slice"
"""Format of a field that holds the index of a slice, counted from 0."""


SliceName = Callable[[int], str]


class Worded(Protocol):
    """What can be put into words, and can stand as a value in a sentence."""

    def words(self, *, identifiers: bool = True, slice_name: SliceName = str) -> str:
        """Put it into words.

        Parameters
        ----------
        identifiers
            False leaves out what may identify the patient.
        slice_name
            Names a slice by its index from 0: by the index in files, elsewhere as a person counts.
        """
        ...


Value = str | int | float | Worded


@dataclass(frozen=True)
class Sentence:
    """A template of `str.format` and the value of each of its fields.

    Examples
    --------
    >>> said = Sentence("{file:private} misses slice {index:slice}.", {"file": "doe", "index": 3})
    >>> said.words()
    'doe misses slice 3.'
    >>> said.words(identifiers=False, slice_name=lambda index: f"{index + 1}")
    '[left out] misses slice 4.'
    """

    template: str
    values: Mapping[str, Value] = field(default_factory=dict, hash=False)

    def words(self, *, identifiers: bool = True, slice_name: SliceName = str) -> str:
        """Put the sentence into words."""
        return _Formatter(identifiers, slice_name).vformat(self.template, (), self.values)

    def __str__(self) -> str:
        return self.words()


@dataclass(frozen=True)
class Joined:
    """Several parts in a row, without their full stops.

    Examples
    --------
    >>> print(Joined((plain("One."), plain("Two."))))
    One; Two
    """

    parts: tuple[Worded, ...]
    separator: str = "; "

    def words(self, *, identifiers: bool = True, slice_name: SliceName = str) -> str:
        """Put the parts into words.

        Examples
        --------
        >>> Joined((plain("One."), plain("Two.")), ", ").words()
        'One, Two'
        """
        return self.separator.join(
            part.words(identifiers=identifiers, slice_name=slice_name).rstrip(".")
            for part in self.parts
        )

    def __str__(self) -> str:
        return self.words()


def printable(text: str, *, keep: str = "") -> str:
    r"""Text with a blank for every control character, which could steer a terminal, but `keep`.

    Examples
    --------
    >>> printable("COR\x1b[2J PD")
    'COR [2J PD'
    """
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() or letter in keep else " " for letter in text)


def plain(text: str) -> Sentence:
    """Take a text as a sentence without values that could be left out.

    Examples
    --------
    >>> plain("A text with {braces}.").words()
    'A text with {braces}.'
    """
    return Sentence("{text}", {"text": text})


def fields_of(template: str) -> Iterator[tuple[str, str]]:
    """List the fields of a template, each with its format.

    Examples
    --------
    >>> list(fields_of("{file:private} misses slice {index:slice}"))
    [('file', 'private'), ('index', 'slice')]
    """
    for _, name, spec, _ in string.Formatter().parse(template):
        if name is not None:
            yield name, spec or ""


class _Formatter(string.Formatter):
    def __init__(self, identifiers: bool, slice_name: SliceName) -> None:
        self.identifiers, self.slice_name = identifiers, slice_name

    def format_field(self, value: Any, format_spec: str) -> str:
        if format_spec == PRIVATE and not self.identifiers:
            return LEFT_OUT
        if hasattr(value, "words"):
            worded: Worded = value
            return worded.words(identifiers=self.identifiers, slice_name=self.slice_name)
        if format_spec == SLICE:
            return self.slice_name(value)
        return str(value) if format_spec == PRIVATE else format(value, format_spec)
