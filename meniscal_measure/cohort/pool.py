"""Carrying out tasks on this machine, each worker a process of its own.

Each worker sits in an executor by itself, so that the loss of one is known to concern the one task
it had, and costs no other.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

from meniscal_measure.cohort.task import Measure, Outcome, Status, Task, carry_out

TRIES = 2
"""A task whose worker is lost so often is given up; the first loss may be chance."""


def carry_out_here(tasks: Iterator[Task], measure: Measure, *, workers: int) -> Iterator[Outcome]:
    """Carry out tasks in worker processes, as many at a time as there are workers.

    Parameters
    ----------
    tasks
        Taken one by one as workers fall free.
    measure
        Measures one entry; a module-level function.
    workers
        Number of processes.

    Yields
    ------
    Outcome
        In the order in which they are done.
    """
    seats = [_Seat(measure) for _ in range(workers)]
    try:
        busy = {seat.take(task): seat for seat, task in zip(seats, tasks, strict=False)}
        while busy:
            done, _ = wait(busy, return_when=FIRST_COMPLETED)
            for future in done:
                seat = busy.pop(future)
                outcome = seat.outcome(future)
                task = seat.task if outcome is None else next(tasks, None)
                if task is not None:
                    busy[seat.take(task)] = seat
                if outcome is not None:
                    yield outcome
    finally:
        for seat in seats:
            seat.leave()


class _Seat:
    """One worker process and the task it has."""

    task: Task

    def __init__(self, measure: Measure) -> None:
        self._measure = measure
        self._tries = 0
        self._executor = _new_executor()

    def take(self, task: Task) -> Future[Outcome]:
        """Give the worker a task, for the first time or again."""
        self.task = task
        self._tries += 1
        return self._executor.submit(carry_out, task, self._measure)

    def outcome(self, future: Future[Outcome]) -> Outcome | None:
        """Take what came of the task; None if the worker was lost and the task is to be redone."""
        try:
            outcome = future.result()
        except BrokenProcessPool:
            self._executor.shutdown(wait=False)
            self._executor = _new_executor()
            if self._tries < TRIES:
                return None
            outcome = Outcome(
                self.task,
                Status.CRASHED,
                reason=f"The worker process was lost {TRIES} times on this knee: killed, out of"
                " memory, or a fault in a decoder. Run again to try once more.",
            )
        self._tries = 0
        return outcome

    def leave(self) -> None:
        """Let the worker finish what it has, and go."""
        self._executor.shutdown(wait=True, cancel_futures=True)


def _new_executor() -> ProcessPoolExecutor:
    # Spawned, not forked: a fork would copy the claim on the store and the threads of the caller.
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(1, mp_context=context, initializer=_settle_in)


def _settle_in() -> None:
    """Leave Ctrl-C to the main process, and end with it, however it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_follow_parent, daemon=True).start()


def _follow_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
