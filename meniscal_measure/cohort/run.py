"""Measuring a cohort: what is due, who carries it out, and what is stored."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import takewhile
from pathlib import Path
from typing import Any

from meniscal_measure.cohort.claim import claimed
from meniscal_measure.cohort.enrolment import Enrolment
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.pool import TIME_LIMIT_S, Pool
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import Measure, Outcome, Settings, Status, Task, measure_knee

CarryOut = Callable[[Iterator[Task]], Iterator[Outcome]]
"""Carries out tasks: on this machine or on a cluster."""


@dataclass
class Progress:
    """How far a run has come."""

    enrolled: Enrolment
    """What the manifest brought."""
    already_done: int = 0
    counts: Counter[Status] = field(default_factory=Counter)
    started: float = field(default_factory=time.monotonic)
    stopped: bool = False
    last: Outcome | None = None
    """What came last."""

    @property
    def total(self) -> int:
        """Entries to be measured, done ones included."""
        return self.enrolled.total

    @property
    def done(self) -> int:
        """Entries done, in this run or before."""
        return self.already_done + self.counts.total()

    @property
    def failures(self) -> int:
        """Entries of this run that were refused or crashed."""
        return self.counts[Status.REFUSED] + self.counts[Status.CRASHED]

    @property
    def seconds_left(self) -> float | None:
        """Estimated time to the end, s; None until something was done in this run."""
        here = self.counts.total()
        if not here:
            return None
        return (time.monotonic() - self.started) / here * (self.total - self.done)


@dataclass(frozen=True)
class Job:
    """What a run is to do."""

    store: Path
    settings: Settings = field(default_factory=Settings)
    retry_refused: bool = False
    """Measure again what was refused, its files being the same."""
    replace: bool = False
    """Take the entries of earlier manifests out of the store instead of adding to them."""


def run_cohort(
    entries: Iterable[Entry],
    job: Job,
    *,
    carry_out: CarryOut | None = None,
    watch: Callable[[Progress], None] = lambda _: None,
) -> Progress:
    """Measure what is due of a cohort, and store every outcome as it comes.

    At Ctrl-C it finishes and stores what is running, then stops; a second Ctrl-C ends it at once.
    However it ended, the same call resumes it.

    Parameters
    ----------
    entries
        The manifest, taken whole before anything is measured.
    job
        Store and settings.
    carry_out
        How tasks are carried out; by default `on_this_machine()`.
    watch
        Called with the progress after the start and each outcome.

    Returns
    -------
    Progress
        Its final state; `stopped` if it was interrupted.

    Raises
    ------
    UsageError
        If another run holds the store, or the file is something else.
    OutputError
        If the store cannot be written; what was stored is kept.
    ManifestError
        If `entries` are read from a manifest with problems.
    """
    with claimed(job.store), Store(job.store) as store:
        enrolled = store.enrol(entries, replace=job.replace)
        run = store.begin_run(job.settings)
        due_now = store.due_count(retry_refused=job.retry_refused)
        progress = Progress(enrolled, enrolled.total - due_now)
        with _stopping_at_interrupt(progress):
            watch(progress)

            def take(outcome: Outcome) -> None:
                store.append(run, outcome)
                progress.counts[outcome.status] += 1
                progress.last = outcome
                watch(progress)

            due = store.due(job.settings, retry_refused=job.retry_refused)
            due = _to_measure(takewhile(lambda _: not progress.stopped, due), store, job, take)
            for outcome in (carry_out or on_this_machine())(due):
                take(outcome)
    return progress


def on_this_machine(
    *,
    workers: int | None = None,
    measure: Measure = measure_knee,
    time_limit_s: float = TIME_LIMIT_S,
) -> CarryOut:
    """Carry out tasks in processes on this machine, by default one for each processor."""
    if workers is None:
        limited = hasattr(os, "sched_getaffinity")
        workers = len(os.sched_getaffinity(0)) if limited else os.cpu_count() or 1

    def carry_out(tasks: Iterator[Task]) -> Iterator[Outcome]:
        with Pool(measure, workers=workers, time_limit_s=time_limit_s) as pool:
            yield from pool.carry_out(tasks)

    return carry_out


def _to_measure(
    due: Iterable[Task], store: Store, job: Job, take: Callable[[Outcome], None]
) -> Iterator[Task]:
    """Skip tasks measured under equivalent settings; re-apply the threshold only."""
    alike = store.settings_that_measure_like(job.settings)
    for task in due:
        outcome = store.redecided(task, alike) if alike else None
        if outcome is None or (outcome.status is Status.REFUSED and job.retry_refused):
            yield task
        else:
            take(outcome)


@contextmanager
def _stopping_at_interrupt(progress: Progress) -> Iterator[None]:
    """At the first Ctrl-C give out no more tasks; the second acts as usual."""
    if threading.current_thread() is not threading.main_thread():
        yield  # signals reach the main thread only
        return
    usual = signal.getsignal(signal.SIGINT)

    def stop(*_: Any) -> None:
        progress.stopped = True
        signal.signal(signal.SIGINT, usual)

    signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, usual)
