"""How a cohort run scales, run by hand: `python tests/benchmarks/cohort_scale.py SERIES [--dask]`.

Writes one synthetic 30-slice series, links it SERIES times so that the disk suffices, and prints

- the rate of a bare loop that reads the same pixels with pydicom in as many processes,
- the rate of the run and its share of the bare loop's,
- the largest memory of the main process and of a worker,
- the time of a resume with everything done.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import pydicom

from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.run import Job, Progress, on_this_machine, run_cohort
from meniscal_measure.cohort.task import Record, Settings, measure_knee
from meniscal_measure.phantom.recipe import parse_recipe
from meniscal_measure.phantom.study import write_study

RECIPE = """
name = "scale"
seed = 3
[knee]
side = "right"
[scanner]
snr = 35.0
[[series]]
plane = "coronal"
protocol = "pd_tse_fs"
slices = 30
rows = 320
columns = 320
row_spacing_mm = 0.5
column_spacing_mm = 0.5
thickness_mm = 3.0
spacing_mm = 3.3
"""


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("series", type=int)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--dask", action="store_true", help="compare with a Dask local cluster")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="cohort-scale-") as name:
        folder = Path(name)
        entries = list(linked(folder, asked.series))
        bare = timed(lambda: read_bare(entries, asked.workers))
        say("bare pydicom loop", asked.series, bare)
        job = Job(folder / "pool.sqlite")
        pool = timed(lambda: run(entries, job, on_this_machine(workers=asked.workers,
                                                               measure=measure_and_weigh)))  # fmt: skip
        say("cohort run", asked.series, pool)
        print(f"  {bare / pool:.0%} of the bare loop's rate")
        print(f"  memory: main {peak_mib():.0f} MiB, worker {worker_mib(folder):.0f} MiB")
        print(f"  store: {job.store.stat().st_size / asked.series / 1024:.1f} KiB a reading")
        resume = timed(lambda: run(entries, job, on_this_machine(workers=asked.workers)))
        print(f"resume over {asked.series} done: {resume:.2f} s")
        if asked.dask:
            seconds = run_on_dask(entries, Job(folder / "dask.sqlite"), asked.workers)
            say("Dask local cluster", asked.series, seconds)
            print(f"  {pool / seconds:.0%} of the process pool's rate")


def linked(folder: Path, count: int) -> Iterator[Entry]:
    """Write one series and link its files into `count` folders."""
    base = folder / "base"
    write_study(parse_recipe(tomllib.loads(RECIPE)), base)
    images = sorted(base.glob("*/*.dcm"))
    for number in range(count):
        place = folder / "knees" / f"{number:06d}"
        place.mkdir(parents=True)
        for image in images:
            os.link(image, place / image.name)
        yield Entry(
            subject=f"S{number:06d}", path=str(place), landmarks=str(base / "landmarks.json")
        )


def read_bare(entries: list[Entry], workers: int) -> None:
    """Read every pixel with pydicom and nothing else."""
    with ProcessPoolExecutor(workers) as executor:
        paths = [entry.path for entry in entries]
        for _ in executor.map(read_folder, paths, chunksize=8):
            pass


def read_folder(path: str) -> int:
    """Decode all slices of one folder."""
    return sum(pydicom.dcmread(item).pixel_array.size for item in os.scandir(path))


def run(entries: list[Entry], job: Job, carry_out: Any) -> None:
    """Run the cohort and see that every knee was done."""
    progress: Progress = run_cohort(entries, job, carry_out=carry_out)
    if progress.done != len(entries) or progress.failures:
        sys.exit(f"{progress.done} of {len(entries)} done, {progress.failures} failures")


def run_on_dask(entries: list[Entry], job: Job, workers: int) -> float:
    """Time the same run on a Dask cluster of this machine."""
    from distributed import LocalCluster

    from meniscal_measure.cohort.cluster import on_cluster

    cluster: Any = LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=workers, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
    )
    with cluster:
        return timed(lambda: run(entries, job, on_cluster(cluster.scheduler_address)))


def measure_and_weigh(
    entry: Entry, images: Path, landmarks: Path | None, settings: Settings
) -> Record:
    """Measure a knee, and note how large this worker has grown."""
    record = measure_knee(entry, images, landmarks, settings)
    (images.parents[1] / f"worker-{os.getpid()}").write_text(str(peak_mib()))
    return record


def peak_mib() -> float:
    """Largest memory this process has had (Linux: kilobytes)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def worker_mib(folder: Path) -> float:
    """Largest memory a worker has noted."""
    return max(float(path.read_text()) for path in folder.glob("worker-*"))


def timed(work: Any) -> float:
    """Seconds some work takes."""
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def say(what: str, count: int, seconds: float) -> None:
    """Print a rate."""
    print(f"{what}: {count / seconds:.1f} series/s ({seconds:.1f} s)", flush=True)


if __name__ == "__main__":
    if shutil.disk_usage(tempfile.gettempdir()).free < 2**30:
        sys.exit("Less than 1 GiB is free for the links and the store.")
    main()
