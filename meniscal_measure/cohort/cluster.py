"""Carrying out tasks on a Dask cluster, named by the address of its scheduler.

Workers need this package and the paths of the manifest: shared storage, or fsspec URLs. Client and
scheduler hold only the tasks in work, however many knees there are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from itertools import islice
from typing import Any

from meniscal_measure.cohort.task import Measure, Outcome, Status, Task, carry_out, measure_knee
from meniscal_measure.errors import UsageError

TASKS_PER_THREAD = 4
"""Tasks given out for each thread of the cluster: enough that none waits for the client."""

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
        For `run.run_cohort`. A task is tried again where a lost worker had it; one that loses
        several workers becomes a crashed outcome.
    """
    return partial(_carry_out_there, scheduler=scheduler, measure=measure)


def _carry_out_there(
    tasks: Iterator[Task], *, scheduler: str, measure: Measure
) -> Iterator[Outcome]:
    distributed = _distributed()
    with _connected(distributed, scheduler) as client:

        def give(task: Task) -> Any:
            return client.submit(carry_out, task, measure, pure=False)

        given = {give(task): task for task in islice(tasks, _room(client))}
        finished = distributed.as_completed(
            list(given), loop=client.loop, with_results=True, raise_errors=False
        )
        for batch in finished.batches():
            for future, result in batch:
                task = given.pop(future)
                for following in islice(tasks, 1):
                    fresh = give(following)
                    given[fresh] = following
                    finished.add(fresh)
                yield _outcome(result, task)


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
    return TASKS_PER_THREAD * threads


def _outcome(result: Any, task: Task) -> Outcome:
    if isinstance(result, Outcome):
        return result
    _, error, _ = result  # as sys.exc_info() has it
    return Outcome(task, Status.CRASHED, reason=f"{type(error).__name__}: {error}")
