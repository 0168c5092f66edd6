"""The order in which a reader sees the knees, and where knees are repeated without notice."""

from __future__ import annotations

import random
from collections.abc import Iterable
from typing import TypeVar

from meniscal_measure.errors import UsageError

HIDDEN_PART = 3
"""The list is divided into this many parts: a repeated knee is read in the first part and again in
the last, so that the reader has forgotten it (judgement, no source)."""

Item = TypeVar("Item")


def drawn_order(count: int, repeats: int, *, seed: int, reader: str) -> list[tuple[int, int]]:
    """Draw the order in which a reader sees the knees, some of them twice.

    Only `random.Random.random` is drawn from, which Python keeps the same in every version
    (documentation of `random`, "Notes on Reproducibility"): a study can go on after an upgrade.

    Each reader has an order of their own, the same for the same seed. It gives the index of each
    knee, and 1 for its first reading or 2 for its second.

    Raises
    ------
    UsageError
        If there are too few knees for that many repeats.

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
