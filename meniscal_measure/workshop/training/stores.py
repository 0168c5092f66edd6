"""The examples that a run learns from: both generators fill stores, batches are drawn from both."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator
from typing import Any

import torch
from torch.utils.data import DataLoader

from meniscal_measure.workshop.training.replay import Pool, joined
from meniscal_measure.workshop.training.volumes import Volumes

CAPACITY = 30_000
"""Images of each generator that are kept."""
ENOUGH = 3_000
"""Images of the three-dimensional knee from which on half of every batch is drawn from them."""
KNEES = 48
"""Knees made at once on the graphics card."""
WAITING = 64
"""Examples that may wait to be taken in before the worker processes pause."""


class Arrivals:
    """Examples that worker processes have made since they were last asked for."""

    def __init__(self, loader: DataLoader[Any]) -> None:
        self.waiting: queue.Queue[Any] = queue.Queue(maxsize=WAITING)
        self.closing = threading.Event()
        self.thread = threading.Thread(target=self._fetch, args=(loader,))
        self.thread.start()

    def _fetch(self, loader: DataLoader[Any]) -> None:
        for example in loader:
            self.waiting.put(example)
            if self.closing.is_set():
                return

    def __iter__(self) -> Iterator[Any]:
        """Give what is there, without waiting."""
        while not self.waiting.empty():
            yield self.waiting.get()

    def close(self) -> None:
        """Stop the worker processes."""
        self.closing.set()
        while self.thread.is_alive():
            for _ in self:
                pass
            self.thread.join(timeout=1)


class Stores:
    """The examples of both generators, and how often they are made and drawn.

    Parameters
    ----------
    batch
        Makes examples of so many knees on the graphics card.
    volumes
        Makes examples of the three-dimensional knee, in worker processes.
    every
        Steps between batches of new knees on the graphics card.
    """

    def __init__(
        self,
        batch: Callable[[int, torch.device], Any],
        volumes: Volumes,
        *,
        device: torch.device,
        workers: int,
        every: int,
    ) -> None:
        self.batch, self.device, self.every = batch, device, every
        self.flat, self.solid = Pool(CAPACITY, device), Pool(CAPACITY, device)
        self.arrivals = Arrivals(
            DataLoader(volumes, batch_size=None, num_workers=workers, prefetch_factor=4)
        )

    def refill(self, step: int) -> None:
        """Take in what has been made, and make more where it is due."""
        for example in self.arrivals:
            self.solid.put(example)
        if step % self.every == 0 or not self.flat.count:
            self.flat.put(self.batch(KNEES, self.device))

    def draw(self, number: int) -> Any:
        """Draw examples, half from each store as soon as there are enough."""
        solid = int(number * 0.5 * min(1.0, self.solid.count / ENOUGH))
        drawn = [self.flat.draw(number - solid)]
        return joined([*drawn, self.solid.draw(solid)] if solid else drawn)

    def close(self) -> None:
        """Stop the worker processes."""
        self.arrivals.close()
