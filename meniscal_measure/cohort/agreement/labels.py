"""A column of texts, such as the subject of every reading, with each different text held once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Texts = NDArray[np.str_]
Codes = NDArray[np.integer[Any]]

CODE = np.int32
"""Type of the codes of a column: half the size of numpy's default, as columns are long."""

BETWEEN = " / "
"""Stands between the parts of a joined label."""


def named(text: str) -> str:
    """Name of a group, visit or reader; the manifest may have left it empty.

    Examples
    --------
    >>> named("A"), named("")
    ('A', 'not named')
    """
    return text or "not named"


@dataclass(frozen=True, eq=False)
class Labels:
    """Texts of n rows.

    Parameters
    ----------
    codes
        Place of each row's text in `names`, shape (n,).
    names
        The different texts; every one of them occurs.

    Examples
    --------
    >>> readers = Labels.of(["B", "A", "B"])
    >>> readers.names.tolist(), readers.codes.tolist(), readers.where(readers.is_("B")).count
    (['A', 'B'], [1, 0, 1], 1)
    """

    codes: Codes
    names: Texts

    @classmethod
    def of(cls, texts: ArrayLike | Labels) -> Labels:
        """Take the texts of an array; labels stay as they are.

        Examples
        --------
        >>> Labels.of(["b", "a", "b"]).texts.tolist()
        ['b', 'a', 'b']
        """
        if isinstance(texts, Labels):
            return texts
        names, codes = np.unique(np.asarray(texts, dtype=str), return_inverse=True)
        return cls(codes.reshape(-1).astype(CODE), names)

    @property
    def count(self) -> int:
        """Number of different texts.

        Examples
        --------
        >>> Labels.of(["b", "a", "b"]).count
        2
        """
        return self.names.size

    @property
    def size(self) -> int:
        """Number of rows."""
        return self.codes.size

    @property
    def texts(self) -> Texts:
        """Text of each row, shape (n,)."""
        return self.names[self.codes]

    @cached_property
    def first(self) -> Codes:
        """First row of each different text, shape (count,)."""
        rows = np.empty(self.count, dtype=CODE)
        rows[self.codes[::-1]] = np.arange(self.size, dtype=CODE)[::-1]
        return rows

    def is_(self, name: str) -> NDArray[np.bool_]:
        """Whether each row has this text.

        Examples
        --------
        >>> Labels.of(["b", "a", "b"]).is_("b").tolist()
        [True, False, True]
        """
        return np.isin(self.codes, np.flatnonzero(self.names == name))

    def where(self, rows: NDArray[np.bool_] | Codes) -> Labels:
        """Keep some rows, and the names that still occur.

        Examples
        --------
        >>> Labels.of(["b", "a", "b"]).where(np.array([True, False, True])).texts.tolist()
        ['b', 'b']
        """
        codes = self.codes[rows]
        present = np.bincount(codes, minlength=self.count) > 0
        if present.all():
            return Labels(codes, self.names)
        numbers = np.cumsum(present, dtype=CODE) - CODE(1)
        return Labels(numbers[codes], self.names[present])

    def paired(self, other: Labels) -> Labels:
        """Distinguish rows by both texts, without names, which cost more than the rest.

        Examples
        --------
        >>> Labels.of(["b", "a", "b"]).paired(Labels.of(["1", "1", "2"])).count
        3
        """
        pairs, codes = self._pairs(other)
        return Labels(codes, np.zeros(pairs.size, dtype="U1"))

    def _pairs(self, other: Labels) -> tuple[Codes, Codes]:
        both = self.codes.astype(np.int64) * other.count + other.codes
        pairs, codes = np.unique(both, return_inverse=True)
        return pairs, codes.astype(CODE)

    def joined(self, other: Labels) -> Labels:
        """Label each row by both texts; an empty one adds nothing to the name.

        Examples
        --------
        >>> knees = Labels.of(["S1", "S1"]).joined(Labels.of(["left", "right"]))
        >>> knees.joined(Labels.of(["2", ""])).texts.tolist()
        ['S1 / left / 2', 'S1 / right']
        """
        pairs, codes = self._pairs(other)
        here, there = self.names[pairs // other.count], other.names[pairs % other.count]
        both = np.strings.add(np.strings.add(here, BETWEEN), there)
        return Labels(codes, np.where(there == "", here, both))


class Coder:
    """Numbers different values as they come, so that no text is held twice.

    Examples
    --------
    >>> coder = Coder()
    >>> coder.add(["b", "a", "b"])
    >>> coder.values()[0], coder.labels().texts.tolist()
    (['b', 'a'], ['b', 'a', 'b'])
    """

    def __init__(self) -> None:
        self._numbers: dict[Any, int] = {}
        self._parts: list[Codes] = []

    def add(self, values: Iterable[Any]) -> None:
        """Give numbers to some more rows."""
        numbers = self._numbers
        codes = [numbers.setdefault(value, len(numbers)) for value in values]
        self._parts.append(np.array(codes, dtype=CODE))

    def values(self) -> tuple[list[Any], Codes]:
        """Give the different values in the order in which they came, and the number of each row."""
        return list(self._numbers), np.concatenate(self._parts)

    def labels(self) -> Labels:
        """Give the rows as labels, if the values are texts."""
        values, codes = self.values()
        names, order = np.unique(np.array(values, dtype=str), return_inverse=True)
        return Labels(order.astype(CODE)[codes], names)
