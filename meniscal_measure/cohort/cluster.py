"""Carrying out tasks on a Dask cluster, named by the address of its scheduler.

Workers need this package and the paths of the manifest: shared storage, or fsspec URLs. Client and
scheduler hold only the running tasks, however many knees there are. Each thread of the cluster
measures in a process of its own, see `pool`, so that a knee that kills or hangs its process costs
neither the cluster a worker nor another knee its reading.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from queue import Empty, SimpleQueue
from typing import Any

from meniscal_measure.cohort.optional_packages import optional
from meniscal_measure.cohort.pool import TIME_LIMIT_S, Pool
from meniscal_measure.cohort.task import Measure, Outcome, Status, Task, measure_knee
from meniscal_measure.errors import UsageError

Batch = tuple[Task, ...]

BATCH_S = 1.0
"""Tasks are sent and brought back together, as many as take about this long, so that the scheduler
is not a bottleneck and a lost worker costs little."""

LARGEST_BATCH = 64

BATCHES_PER_THREAD = 2
"""Batches given out for each thread of the cluster: enough that none waits for the client."""

CONNECT_S = 10.0
"""How long to look for the scheduler."""

WORKERLESS_S = 120.0
"""How long to wait for workers while the cluster has none."""


def on_cluster(
    scheduler: str, *, measure: Measure = measure_knee, time_limit_s: float = TIME_LIMIT_S
) -> Callable[[Iterator[Task]], Iterator[Outcome]]:
    """Carry out tasks on a Dask cluster.

    Parameters
    ----------
    scheduler
        Address of the scheduler, such as ``tcp://host:8786``, or path of its JSON file.
    measure
        Measures one entry; a function that the workers can import.
    time_limit_s
        A knee that takes longer is given up.

    Returns
    -------
    callable
        For `run.run_cohort`. Raises `UsageError` if the scheduler does not answer or is lost, or
        if the cluster has no workers for `WORKERLESS_S`; the same run goes on from there.
    """

    def carry_out(tasks: Iterator[Task]) -> Iterator[Outcome]:
        with _connected(scheduler) as client:
            room = BATCHES_PER_THREAD * _threads(client)
            work = _Work(tasks, client, partial(_carry_out_batch, measure, time_limit_s))
            work.give(room)
            while work.given:
                yield from work.next_outcomes()
                work.give(room)

    return carry_out


@dataclass
class _Work:
    """Batches on their way."""

    tasks: Iterator[Task]
    client: Any
    carry_out: Callable[[Batch], list[Outcome]]
    given: dict[Any, Batch] = field(default_factory=dict)
    """Futures with what they are to do."""
    suspects: deque[Task] = field(default_factory=deque)
    """Tasks that have cost several workers, or were only near one that did."""
    alone: bool = False
    """Whether all is done but the suspects, of which one is given out at a time to be sure."""
    size: int = 1
    """Of the next batch."""
    _done: SimpleQueue[Any] = field(default_factory=SimpleQueue)

    def give(self, room: int) -> None:
        """Give out batches until there are as many as there is room for."""
        while len(self.given) < room and (batch := tuple(islice(self.tasks, self.size))):
            self._submit(batch)
        if self.suspects and not self.given:
            self.alone = True
            self._submit((self.suspects.popleft(),))

    def _submit(self, batch: Batch) -> None:
        future = self.client.submit(self.carry_out, batch, pure=False)
        self.given[future] = batch
        future.add_done_callback(self._done.put)

    def next_outcomes(self) -> list[Outcome]:
        """Wait for a batch and take its outcomes."""
        future = self._next_done()
        batch = self.given.pop(future)
        if future.status == "finished":
            outcomes: list[Outcome] = future.result()
            seconds = max(sum(outcome.seconds for outcome in outcomes), 1e-3)
            self.size = max(1, min(LARGEST_BATCH, int(BATCH_S * len(outcomes) / seconds)))
            return outcomes
        if future.cancelled():
            raise UsageError("The Dask scheduler was lost. Start it, then run again to go on.")
        if not self.alone:
            self.suspects.extend(batch)
            return []
        error = future.exception()
        reason = f"{type(error).__name__}: {error}. Run again to try once more."
        return [Outcome(batch[0], Status.CRASHED, reason=reason)]

    def _next_done(self) -> Any:
        last_seen = time.monotonic()
        while time.monotonic() - last_seen < WORKERLESS_S:
            try:
                return self._done.get(timeout=WORKERLESS_S / 4)
            except Empty:
                if self.client.nthreads():
                    last_seen = time.monotonic()
        raise UsageError(_no_workers())


class _Kept(threading.local):
    """The process that belongs to a thread of the cluster, kept from one batch to the next."""

    pool: Pool | None = None
    made_for: tuple[Measure, float] | None = None


_kept = _Kept()


def _carry_out_batch(measure: Measure, time_limit_s: float, batch: Batch) -> list[Outcome]:
    """Carry out a batch, on the cluster."""
    if _kept.pool is None or _kept.made_for != (measure, time_limit_s):
        if _kept.pool is not None:
            _kept.pool.close()
        _kept.pool = Pool(measure, workers=1, time_limit_s=time_limit_s)
        _kept.made_for = measure, time_limit_s
    return list(_kept.pool.carry_out(iter(batch)))


def _connected(scheduler: str) -> Any:
    distributed = optional("distributed", "A run on a cluster", "cluster", name="dask.distributed")
    name = "scheduler_file" if scheduler.endswith(".json") else "address"
    try:
        return distributed.Client(**{name: scheduler}, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            "No Dask scheduler answers at {scheduler:private}: {reason:private}. Start it, or"
            " correct its address.",
            scheduler=str(scheduler),
            reason=str(error),
        ) from error


def _threads(client: Any) -> int:
    """Count the threads of the cluster, once there are any."""
    try:
        client.wait_for_workers(1, timeout=WORKERLESS_S)
    except TimeoutError as error:
        raise UsageError(_no_workers()) from error
    return sum(client.nthreads().values())


def _no_workers() -> str:
    return (
        f"The Dask cluster has had no workers for {WORKERLESS_S:g} s. Start some, then run again to"
        " go on."
    )
