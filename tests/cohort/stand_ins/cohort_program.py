"""A run of a cohort as a program of its own, to be interrupted, killed or starved by the tests.

Arguments: store, manifest, number of workers, and with "limit=N" the largest file it may write.
"""

from __future__ import annotations

import resource
import signal
import sys
from pathlib import Path

import knee_stand_in  # type: ignore[import-not-found]  # lies beside this program

from meniscal_measure.cohort.manifest import Manifest
from meniscal_measure.cohort.run import Job, Progress, on_this_machine, run_cohort
from meniscal_measure.errors import MeniscalMeasureError


def main() -> None:
    """Run the cohort and say how it ended."""
    store, manifest, workers, *rest = sys.argv[1:]
    for argument in rest:
        limit = int(argument.removeprefix("limit="))
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    try:
        progress = run_cohort(
            Manifest(Path(manifest)),
            Job(Path(store)),
            carry_out=on_this_machine(workers=int(workers), measure=knee_stand_in.measure),
            watch=tell,
        )
    except MeniscalMeasureError as error:
        sys.exit(f"{type(error).__name__}: {error}")
    print("stopped" if progress.stopped else "finished", flush=True)


def tell(progress: Progress) -> None:
    """Print how many are done."""
    print(progress.done, flush=True)


if __name__ == "__main__":
    main()
