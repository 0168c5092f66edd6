"""Carrying out tasks on this machine, in worker processes that may be lost.

Each worker has a pipe of its own, so that its loss concerns only the task it was running. Two
libraries were tried with the same tasks. loky 3.7 takes as much processor time, but the loss of one
worker fails every pending task (22 of 24), a task has no time limit, and workers outlive a killed
parent. pebble 5.2 isolates crashes and keeps time limits, but takes twice the processor time, its
workers outlive a killed parent too, and multiprocessing, on which it rests, runs the caller's main
module again and is closed to the workers of a Dask cluster.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import time
from collections import deque
from collections.abc import Iterator
from contextlib import suppress
from itertools import islice
from queue import Empty, SimpleQueue
from threading import Thread
from typing import Any, Self

from meniscal_measure.cohort.task import Measure, Outcome, Status, Task
from meniscal_measure.cohort.worker import READY

TRIES = 2
"""A task whose worker is lost so often is given up; the first loss may be chance."""

AHEAD = 2
"""Tasks that a worker holds, the running one included, so that it need not wait for the next."""

TIME_LIMIT_S = 900.0
"""How long a knee may take. The slowest take seconds, so that what is ended is a read or a decoder
that hangs."""

START_S = 120.0
"""How long a worker may take to be ready; the time of a knee counts from then."""

LEAVE_S = 5.0
"""How long to wait for a killed worker to be gone; one that hangs in the operating system is left
to it."""

TRIM_THRESHOLD = "MALLOC_TRIM_THRESHOLD_"
"""Dask sets it for its workers, so that freed memory goes back to the system at once. Here, where
the memory of each slice is needed again for the next, that costs a fifth of the time."""

FROM_NO_FOLDER = "-P"
"""Keeps Python from importing modules of the working folder, which may have come with images. That
of `series/guarded.py` is not taken: all that decodes would be loaded with it here."""

Process = subprocess.Popen[bytes]

Inbox = SimpleQueue[tuple[Process, Any]]
"""What workers have said, each with who said it; None once one says nothing more."""


class Pool:
    """Worker processes, each started when it first has a task.

    Parameters
    ----------
    measure
        Measures one entry; a module-level function of a module that can be imported.
    workers
        Number of processes.
    time_limit_s
        A knee that takes longer is given up, and its worker ended.
    """

    def __init__(
        self, measure: Measure, *, workers: int, time_limit_s: float = TIME_LIMIT_S
    ) -> None:
        self._inbox: Inbox = SimpleQueue()
        self._slots = [_WorkerSlot(measure, self._inbox, time_limit_s) for _ in range(workers)]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def close(self) -> None:
        """End the workers at once."""
        for slot in self._slots:
            slot.leave()

    def carry_out(self, tasks: Iterator[Task]) -> Iterator[Outcome]:
        """Carry out tasks, taken as workers become free.

        Yields
        ------
        Outcome
            In the order in which they are done.
        """
        for slot, task in zip(self._slots * AHEAD, tasks, strict=False):
            slot.take(task)
        while busy := [slot for slot in self._slots if slot.tasks]:
            slot, outcome = self._next(min(busy, key=lambda slot: slot.deadline))
            if outcome is not None:
                for task in islice(tasks, AHEAD - len(slot.tasks)):
                    slot.take(task)
                yield outcome

    def _next(self, first_due: _WorkerSlot) -> tuple[_WorkerSlot, Outcome | None]:
        """Wait for the next answer, or until the worker that is due first has taken too long."""
        patience_s = max(0.0, first_due.deadline - time.monotonic())
        try:
            process, answer = self._inbox.get(timeout=patience_s)
        except Empty:
            return first_due, first_due.overrun()
        for slot in self._slots:
            if slot.process is process:
                return slot, slot.heard(answer)
        return first_due, None  # said by a worker that was given up meanwhile


class _WorkerSlot:
    """A place for one worker process at a time, and its tasks, of which the first is running."""

    def __init__(self, measure: Measure, inbox: Inbox, time_limit_s: float) -> None:
        self.tasks: deque[Task] = deque()
        self.deadline = 0.0
        self.process: Process | None = None
        self._head = pickle.dumps(sys.path) + pickle.dumps(measure)
        self._inbox = inbox
        self._time_limit_s = time_limit_s
        self._losses = 0

    def take(self, task: Task) -> None:
        """Give the worker a task, or another one for after those it has."""
        if not self.tasks:
            self._begin()
            if self.process is not None and self.process.poll() is not None:
                self.leave()  # it was lost while it had nothing to do
        self.tasks.append(task)
        if self.process is None:
            self._start()
        else:
            self._send(pickle.dumps(task))

    def heard(self, answer: Any) -> Outcome | None:
        """Take what came from the worker: an outcome, or None where it is lost or merely ready."""
        if answer is None:
            return self._lost()
        self._begin()
        if answer == READY:
            return None
        self.tasks.popleft()
        self._losses = 0
        outcome: Outcome = answer
        return outcome

    def overrun(self) -> Outcome:
        """Give up the running task, which has taken too long."""
        return self._give_up(
            f"This knee took longer than {self._time_limit_s:g} s: a file that cannot be read to"
            " its end, or a decoder that hangs. Run again to try once more."
        )

    def leave(self) -> None:
        """End the worker."""
        if self.process is not None:
            self.process.kill()
            with suppress(subprocess.TimeoutExpired):  # it hangs in the operating system
                self.process.wait(timeout=LEAVE_S)
            assert self.process.stdin is not None
            with suppress(BrokenPipeError):
                self.process.stdin.close()
            self.process = None

    def _lost(self) -> Outcome | None:
        self._losses += bool(self.tasks)  # one that was idle takes nothing with it
        if self._losses >= TRIES:
            return self._give_up(
                f"The worker process was lost {TRIES} times on this knee: killed, out of memory,"
                " or a fault in a decoder. Run again to try once more."
            )
        self._replace()
        return None

    def _give_up(self, reason: str) -> Outcome:
        self._losses = 0
        task = self.tasks.popleft()
        self._replace()
        return Outcome(task, Status.CRASHED, reason=reason)

    def _replace(self) -> None:
        """Put a new worker in the place of this one, with the tasks left."""
        self.leave()
        if self.tasks:
            self._begin()
            self._start()

    def _begin(self) -> None:
        self.deadline = time.monotonic() + self._time_limit_s

    def _start(self) -> None:
        # A fresh program, not a fork: a fork would copy the claim on the store and the threads of
        # the caller. Nor one of multiprocessing, which a worker of a cluster may not start.
        self.process = subprocess.Popen(
            [sys.executable, FROM_NO_FOLDER, "-m", "meniscal_measure.cohort.worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={name: value for name, value in os.environ.items() if name != TRIM_THRESHOLD},
        )
        self.deadline = time.monotonic() + max(START_S, self._time_limit_s)
        Thread(target=_listen, args=(self.process, self._inbox), daemon=True).start()
        self._send(self._head + b"".join(map(pickle.dumps, self.tasks)))

    def _send(self, message: bytes) -> None:
        assert self.process is not None
        assert self.process.stdin is not None
        with suppress(BrokenPipeError):  # its other pipe will report the loss of the worker
            self.process.stdin.write(message)
            self.process.stdin.flush()


def _listen(process: Process, inbox: Inbox) -> None:
    """Pass on what a worker says, until it says nothing more."""
    assert process.stdout is not None
    with process.stdout as answers, suppress(EOFError, pickle.UnpicklingError):
        while True:
            inbox.put((process, pickle.load(answers)))
    inbox.put((process, None))
