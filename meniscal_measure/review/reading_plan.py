"""In which order a reader reads, and which knees are read again without saying so."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Sequence
from dataclasses import dataclass

from meniscal_measure.errors import UsageError
from meniscal_measure.reading_order import drawn_order

ID_LENGTH = 16


@dataclass(frozen=True)
class Blinding:
    """How a study is blinded."""

    seed: int | None
    """Seed of the order and of the choice of repeats; with it the plan can be made again. None
    keeps the order of the work list, where that was drawn already."""
    repeats: int = 0
    """Number of knees that every reader reads a second time."""


@dataclass(frozen=True)
class Task:
    """One reading that a reader is asked for.

    `task_id` names it on the page and says nothing about the knee.
    """

    task_id: str
    knee: int
    """Index in the work list."""
    round: int


def plan(knees: Sequence[str], reader: str, blinding: Blinding | None, secret: str) -> list[Task]:
    """List the readings of one reader in the order they are shown.

    That of the work list, each knee once, without blinding or without a seed; else each reader has
    an order of their own. The secret of the store makes the identifiers of tasks unguessable.

    Raises
    ------
    UsageError
        If there are too few knees for so many repeats, or the order is to be kept.

    Examples
    --------
    >>> [task.knee for task in plan(["K-1", "K-2"], "Reader A", None, secret="")]
    [0, 1]
    """
    if blinding is None or (blinding.seed is None and blinding.repeats == 0):
        places = [(index, 1) for index in range(len(knees))]
    else:
        if blinding.seed is None:
            raise UsageError("Repeats cannot be hidden while the order of the work list is kept.")
        places = drawn_order(len(knees), blinding.repeats, seed=blinding.seed, reader=reader)
    return [
        Task(_task_id(secret, reader, knees[index], round_), index, round_)
        for index, round_ in places
    ]


def _task_id(secret: str, reader: str, knee: str, round_: int) -> str:
    message = f"{reader}\0{knee}\0{round_}".encode()
    return hmac.new(secret.encode(), message, hashlib.sha256).hexdigest()[:ID_LENGTH]
