"""Carrying out tasks on a Dask cluster, named by the address of its scheduler.

Workers need this package and the paths of the manifest: shared storage, or fsspec URLs. Client and
scheduler hold only the tasks in work, however many knees there are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from itertools import islice
from typing import Any, cast

from meniscal_measure.cohort.task import Measure, Outcome, Status, Task, carry_out, measure_knee
from meniscal_measure.errors import UsageError

Batch = tuple[Task, ...]

BATCH = 8
"""Tasks sent and brought back together, so that the scheduler is no bottleneck."""

BATCHES_PER_THREAD = 2
"""Batches given out for each thread of the cluster: enough that none waits for the client."""

CONNECT_SECONDS = 10
"""How long to look for the scheduler."""


def on_cluster(
    scheduler: str, *, measure: Measure = measure_knee
) -> Callable[[Iterator[Task]], Iterator[Outcome]]:
    """Carry out tasks on a Dask cluster.

    Parameters
    ----------
    scheduler
        Address of the scheduler, such as ``tcp://host:8786``, or path of its JSON file.
    measure
        Measures one entry; a function that the workers can import.

    Returns
    -------
    callable
        For `run.run_cohort`. Tasks are tried again where a lost worker had them; one that loses
        several workers while it is the only one in work becomes a crashed outcome.
    """
    return partial(_carry_out_there, scheduler=scheduler, measure=measure)


def _carry_out_there(
    tasks: Iterator[Task], *, scheduler: str, measure: Measure
) -> Iterator[Outcome]:
    distributed = _distributed()
    waiting, suspects = _batches(tasks), list[Task]()
    with _connected(distributed, scheduler) as client:

        def give(batch: Batch) -> Any:
            return client.submit(_carry_out_batch, batch, measure, pure=False)

        given = {give(batch): batch for batch in islice(waiting, _room(client))}
        finished = distributed.as_completed(
            list(given), loop=client.loop, with_results=True, raise_errors=False
        )
        for group in finished.batches():
            for future, result in group:
                batch = given.pop(future)
                for following in islice(waiting, 1):
                    fresh = give(following)
                    given[fresh] = following
                    finished.add(fresh)
                if isinstance(result, list):
                    yield from result
                else:
                    suspects.extend(batch)
        for task in suspects:
            yield _alone(give((task,)), task)


def _batches(tasks: Iterator[Task]) -> Iterator[Batch]:
    while batch := tuple(islice(tasks, BATCH)):
        yield batch


def _carry_out_batch(batch: Batch, measure: Measure) -> list[Outcome]:
    return [carry_out(task, measure) for task in batch]


def _alone(future: Any, task: Task) -> Outcome:
    """Wait for a task that was given out by itself.

    Its batch has cost several workers, or was only near one that did. By itself, it is clear.
    """
    error = future.exception()
    if error is not None:
        return Outcome(task, Status.CRASHED, reason=f"{type(error).__name__}: {error}")
    (outcome,) = future.result()
    return cast(Outcome, outcome)


def _distributed() -> Any:
    try:
        import distributed
    except ImportError as error:
        raise UsageError(
            "A run on a cluster needs dask.distributed, which is not installed:"
            " pip install 'meniscal-measure[cluster]'."
        ) from error
    return distributed


def _connected(distributed: Any, scheduler: str) -> Any:
    name = "scheduler_file" if scheduler.endswith(".json") else "address"
    try:
        return distributed.Client(
            **{name: scheduler}, timeout=CONNECT_SECONDS, set_as_default=False
        )
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"No Dask scheduler answers at {scheduler}: {error}. Start it, or correct its address."
        ) from error


def _room(client: Any) -> int:
    threads: int = sum(client.nthreads().values())
    if not threads:
        raise UsageError("The Dask cluster has no workers. Start some, then run again.")
    return BATCHES_PER_THREAD * threads
