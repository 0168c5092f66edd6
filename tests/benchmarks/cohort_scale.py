"""How a cohort run scales, run by hand: `python tests/benchmarks/cohort_scale.py SERIES`.

Writes one synthetic series of 30 slices (with `--small` of 7 small ones), links it SERIES times so
that the disk suffices, and prints

- the rate of a bare loop that reads the same pixels, and the attributes that place a slice and name
  its series, with pydicom in as many processes; and of one that reads the pixels alone,
- the rate of the run and its share of the bare loop's,
- the largest memory of the main process and of a worker,
- the time of a resume with everything done,
- the rate on a Dask cluster of this machine, with `--dask`.

Every part runs in a process of its own, so that none inherits the memory of another.

What a million knees would cost, reckoned from a run of 10,000 series and tables of 20,000 readings
on two cores (30 slices of 320 x 320, 6 MB a series, in the page cache; landmarks given):

- measuring, 21 ms of a processor each, all processes counted: 6 hours of one core. A core asks for
  0.3 GB/s, so that storage that gives 5 GB/s keeps 16 of them busy, and 6 TB are read in all;
- the one process that hands out tasks and stores outcomes, 0.4 ms each: 7 minutes at least, so that
  more than some 50 cores do not make it faster;
- memory: of that process 74 MiB, of a worker 153, for ten thousand as for two thousand.

What it costs once it is measured is the matter of `cohort_large`.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import resource
import shutil
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pydicom

from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.manifest import Manifest, manifest_csv
from meniscal_measure.cohort.run import CarryOut, Job, on_this_machine, run_cohort

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

SMALL = {
    "slices": 7,
    "rows": 128,
    "columns": 128,
    "row_spacing_mm": 1.25,
    "column_spacing_mm": 1.25,
}
"""What differs in a series so small that the work around its pixels shows most."""

ATTRIBUTES = (
    *("PatientID", "StudyInstanceUID", "SeriesInstanceUID", "SeriesDescription", "Laterality"),
    *("SOPInstanceUID", "InstanceNumber", "Rows", "Columns", "PixelSpacing", "SliceThickness"),
    *("ImagePositionPatient", "ImageOrientationPatient", "RepetitionTime", "EchoTime"),
)
"""What anybody reads who sorts slices into series; a run reads some 35."""

SLICES_MARKED = 3
"""A reader's landmarks are on the measured slice and its two neighbours."""

RUN_S = "dask-seconds"
"""File in which the run on the cluster notes how long it took, the cluster being there already."""


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("series", type=int)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--rounds", type=int, default=1, help="how often, in turn")
    parser.add_argument("--small", action="store_true", help="7 slices of 128 x 128")
    parser.add_argument("--dask", action="store_true", help="compare with a Dask local cluster")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="cohort-scale-") as name:
        folder = Path(name)
        alone(write_series, folder, SMALL if asked.small else {})
        (folder / "manifest.csv").write_text(manifest_csv(linked(folder, asked.series)), "utf-8")
        for number in range(asked.rounds):
            compare(folder, f"round-{number}", asked.workers, dask=asked.dask)


def compare(folder: Path, stores: str, workers: int, *, dask: bool) -> None:
    """Run every part once, with fresh stores."""
    here_store, there_store = folder / f"{stores}.sqlite", folder / f"{stores}-dask.sqlite"
    pixels = alone(read_bare, folder, workers, read_pixels)
    say("bare loop, pixels alone", folder, pixels)
    bare = alone(read_bare, folder, workers, read_slices)
    say("bare loop, pixels and attributes", folder, bare)
    here = alone(run_here, folder, here_store, workers)
    say("cohort run", folder, here)
    say_share(here, bare, "the bare loop's")
    say_share(here, pixels, "the loop of pixels alone's")
    print(f"  memory: main {here.peak_mib:.0f} MiB, worker {here.worker_mib:.0f} MiB")
    print(f"  store: {here_store.stat().st_size / series_in(folder) / 1024:.1f} KiB a reading")
    say("resume with all done", folder, alone(run_here, folder, here_store, workers))
    if dask:
        there = alone(run_on_dask, folder, there_store, workers)
        say("Dask local cluster, its start included", folder, there)
        run_s = float((folder / RUN_S).read_text("utf-8"))
        print(f"  without its start {run_s:.1f} s, {here.wall_s / run_s:.1%} of the pool's rate")
        print(f"  memory: client and scheduler {there.peak_mib:.0f} MiB")


@dataclass(frozen=True)
class Cost:
    """What some work took: by the clock, of all processors, and at most of memory."""

    wall_s: float
    cpu_s: float
    peak_mib: float
    worker_mib: float
    """Of the largest process it started."""


def alone(work: Callable[..., Any], *arguments: Any) -> Cost:
    """Do some work in a process of its own, and give what it cost."""
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=spawn) as executor:
        return executor.submit(weighed, work, arguments).result()


def weighed(work: Callable[..., Any], arguments: tuple[Any, ...]) -> Cost:
    """Weigh some work in this process and those it starts."""
    started = time.perf_counter()
    work(*arguments)
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    cpu_s = sum(one.ru_utime + one.ru_stime for one in used)
    here_mib, worker_mib = (one.ru_maxrss / 1024 for one in used)  # Linux: kilobytes
    return Cost(time.perf_counter() - started, cpu_s, here_mib, worker_mib)


def write_series(folder: Path, otherwise: dict[str, Any]) -> None:
    """Write one series, and landmarks as a reader places them."""
    from meniscal_measure.workshop.knees.recipe import parse_recipe
    from meniscal_measure.workshop.knees.study import write_study

    recipe = tomllib.loads(RECIPE)
    recipe["series"][0] |= otherwise
    write_study(parse_recipe(recipe), folder / "base")
    landmarks = json.loads((folder / "base" / "landmarks.json").read_text("utf-8"))
    landmarks["slices"] = landmarks["slices"][:SLICES_MARKED]
    (folder / "landmarks.json").write_text(json.dumps(landmarks), "utf-8")


def linked(folder: Path, count: int) -> Iterator[Entry]:
    """Link the files of the series into `count` folders."""
    images = sorted((folder / "base").glob("*/*.dcm"))
    for number in range(count):
        place = folder / "knees" / f"{number:06d}"
        place.mkdir(parents=True)
        for image in images:
            os.link(image, place / image.name)
        yield Entry(
            subject=f"S{number:06d}", path=str(place), landmarks=str(folder / "landmarks.json")
        )


def read_bare(folder: Path, workers: int, read: Callable[[str], int]) -> None:
    """Read every series with pydicom and nothing else."""
    paths = [entry.path for entry in os.scandir(folder / "knees")]
    with ProcessPoolExecutor(workers) as executor:
        for _ in executor.map(read, paths, chunksize=8):
            pass


def read_pixels(path: str) -> int:
    """Decode all slices of one folder."""
    return sum(pydicom.dcmread(item).pixel_array.size for item in os.scandir(path))


def read_slices(path: str) -> int:
    """Decode all slices of one folder, and read what places each and names its series."""
    total = 0
    for item in os.scandir(path):
        dataset = pydicom.dcmread(item)
        total += dataset.pixel_array.size + len([dataset.get(name) for name in ATTRIBUTES])
    return total


def run_here(folder: Path, store: Path, workers: int) -> None:
    """Run the cohort in processes of this machine."""
    run(folder, store, on_this_machine(workers=workers))


def run(folder: Path, store: Path, carry_out: CarryOut) -> None:
    """Run the cohort and see that every knee was done."""
    progress = run_cohort(Manifest(folder / "manifest.csv"), Job(store), carry_out=carry_out)
    if progress.done != progress.total or progress.failures:
        sys.exit(f"{progress.done} of {progress.total} done, {progress.failures} failures")


def run_on_dask(folder: Path, store: Path, workers: int) -> None:
    """Run the cohort on a Dask cluster of this machine."""
    from distributed import LocalCluster

    from meniscal_measure.cohort.cluster import on_cluster

    cluster: Any = LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=workers, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0"
    )
    with cluster:
        started = time.perf_counter()
        run(folder, store, on_cluster(cluster.scheduler_address))
        (folder / RUN_S).write_text(str(time.perf_counter() - started), "utf-8")


def series_in(folder: Path) -> int:
    """Number of series linked."""
    return sum(1 for _ in (folder / "knees").iterdir())


def say(what: str, folder: Path, cost: Cost) -> None:
    """Print a rate."""
    rate = series_in(folder) / cost.wall_s
    print(f"{what}: {rate:.1f} series/s ({cost.wall_s:.1f} s, {cost.cpu_s:.1f} CPU s)", flush=True)


def say_share(cost: Cost, other: Cost, whose: str) -> None:
    """Print how one rate compares with another."""
    by_clock, by_cpu = other.wall_s / cost.wall_s, other.cpu_s / cost.cpu_s
    print(f"  {by_clock:.1%} of {whose} rate, {by_cpu:.1%} by processor time", flush=True)


if __name__ == "__main__":
    if shutil.disk_usage(tempfile.gettempdir()).free < 2**30:
        sys.exit("Less than 1 GiB is free for the links and the store.")
    main()
