"""In which order a reader reads, and where knees come a second time without notice."""

from __future__ import annotations

import random
from collections.abc import Iterable
from typing import TypeVar

from meniscal_measure.errors import UsageError

HIDDEN_PART = 3
"""A repeated knee is first read in the first of so many parts of the list and again in the last,
so that a whole part lies between and the reader has forgotten it (judgement, no source)."""

Item = TypeVar("Item")


def drawn_order(count: int, repeats: int, *, seed: int, reader: str) -> list[tuple[int, int]]:
    """Draw the order in which a reader reads, with some knees read again.

    Only `random.Random.random` is drawn from, which Python keeps the same in every version
    (documentation of `random`, "Notes on Reproducibility"): a study can go on after an upgrade.

    Parameters
    ----------
    count
        Number of knees.
    repeats
        Number of knees that are read a second time.
    seed
        Gives the same order again.
    reader
        Each reader has an order of their own.

    Returns
    -------
    list of (int, int)
        Index of the knee, and 1 where it is read first or 2 where again.

    Raises
    ------
    UsageError
        If there are too few knees for so many repeats.

    Examples
    --------
    >>> order = drawn_order(6, 1, seed=11, reader="A")
    >>> len(order), sorted({knee for knee, _ in order})
    (7, [0, 1, 2, 3, 4, 5])
    >>> order == drawn_order(6, 1, seed=11, reader="A")
    True
    """
    part = count // HIDDEN_PART
    if not 0 <= repeats <= part:
        raise UsageError(
            f"{repeats} of {count} knees cannot be repeated without notice; ask for at most {part}."
        )
    draw = random.Random(f"{seed}|{reader}")
    order = [(knee, 1) for knee in shuffled(range(count), draw)]
    again = [(knee, 2) for knee, _ in shuffled(order[:part], draw)[:repeats]]
    return order[: count - part] + shuffled(order[count - part :] + again, draw)


def shuffled(items: Iterable[Item], draw: random.Random) -> list[Item]:
    """Put items into a random order.

    Examples
    --------
    >>> sorted(shuffled("abc", random.Random(1)))
    ['a', 'b', 'c']
    """
    return sorted(items, key=lambda _: draw.random())
