"""Runs mutants in a process of limited memory and time, and counts what escapes.

``python -m tests.campaign.run --count 200000 --start 0 --out figures.tsv`` goes through all kinds;
the mutants of a kind are numbered, so that a run can go on where another one ended.
"""

from __future__ import annotations

import argparse
import logging
import multiprocessing
import random
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Protocol

from meniscal_measure.errors import MeniscalMeasureError

CPU_SECONDS = 10
"""Longest time of the processor for one mutant; a busy machine is no hang."""

SILENT_SECONDS = 120
"""After so long without an answer the process hangs where no signal reaches it."""

MEMORY_BYTES = 2 * 2**30
"""Most memory beyond what the process starts with."""

WEIGHTS = {
    "classic": 30,
    "enhanced": 25,
    "legacy": 10,
    "jpeg_2000": 3,
    "jpeg_ls": 3,
    "archive": 5,
    "recipe": 6,
    "cohort_recipe": 3,
    "manifest": 4,
    "landmark_json": 4,
    "landmark_csv": 2,
    "placed_landmarks": 3,
    "reading": 6,
    "dicomdir": 6,
    "without_patient": 4,
    "reopened": 5,
    "set_of_files": 2,
    "signed_readings": 3,
    "cohort_store": 3,
    "work_list": 2,
    "reference": 2,
    "named_slice": 1,
}
"""Kinds of mutants, each with its share of a campaign."""


READY = -1
"""Answer of a process that can begin."""


class Target(Protocol):
    """What is mutated."""

    def run(self, dice: random.Random) -> None:
        """Make one mutant and use it."""
        ...


def target_of(kind: str, folder: Path) -> Target:
    """Build the target of a kind; its imports stay in the process it runs in."""
    from tests.campaign import images, kept, texts

    makers: dict[str, Callable[[Path], Target]] = {
        "classic": images.ClassicSeries,
        "enhanced": images.enhanced,
        "legacy": images.legacy,
        "jpeg_2000": images.jpeg_2000,
        "jpeg_ls": images.jpeg_ls,
        "archive": texts.Archive,
        "recipe": texts.recipe,
        "cohort_recipe": texts.cohort_recipe,
        "manifest": texts.manifest,
        "landmark_json": texts.landmark_json_file,
        "landmark_csv": texts.landmark_csv_file,
        "placed_landmarks": texts.PlacedLandmarks,
        "reading": texts.reading_file,
        "dicomdir": kept.Directory,
        "without_patient": kept.WithoutPatient,
        "reopened": kept.ReopenedReading,
        "set_of_files": kept.SetOfFiles,
        "signed_readings": kept.SignedReadings,
        "cohort_store": kept.CohortStore,
        "work_list": kept.work_list,
        "reference": kept.reference,
        "named_slice": kept.NamedSlice,
    }
    return makers[kind](folder)


class _HangError(BaseException):
    pass


@dataclass
class Tally:
    """What came of the mutants of a kind."""

    count: int = 0
    refused: int = 0
    escapes: list[str] = field(default_factory=list)
    hangs: list[str] = field(default_factory=list)
    peak_mb: float = 0.0


def campaign(kind: str, numbers: range) -> Tally:
    """Run the mutants of a kind with these numbers."""
    tally = Tally()
    todo = iter(numbers)
    following = next(todo, None)
    while following is not None:
        rest = range(following, numbers.stop)
        done = following - 1
        for number, said, peak_mb in _answers(kind, rest):
            done, tally.count = number, tally.count + 1
            tally.peak_mb = max(tally.peak_mb, peak_mb)
            _count(tally, f"{kind} {number}: {said}", said)
        following = done + 1 if done + 1 < numbers.stop else None
        if following is not None:  # the process ended in the middle of a mutant
            tally.count += 1
            tally.escapes.append(f"{kind} {following}: the process ended or hung")
            following = following + 1 if following + 1 < numbers.stop else None
    return tally


def _count(tally: Tally, line: str, said: str) -> None:
    if said == "refused":
        tally.refused += 1
    elif said.startswith("hang"):
        tally.hangs.append(line)
    elif said != "used":
        tally.escapes.append(line)


def _answers(kind: str, numbers: range) -> Iterator[tuple[int, str, float]]:
    """Answers of a process of its own, until it is through or breaks down."""
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(
        target=_work, args=(theirs, kind, numbers), daemon=True
    )
    process.start()
    theirs.close()
    try:
        _wait_until_ready(ours, kind)
        while ours.poll(SILENT_SECONDS):
            yield ours.recv()
    except EOFError:  # the process ended
        return
    finally:
        process.kill()
        process.join()


def _wait_until_ready(answers: Connection, kind: str) -> None:
    try:
        is_ready = answers.poll(SILENT_SECONDS) and answers.recv()[0] == READY
    except EOFError:
        is_ready = False
    if not is_ready:
        raise RuntimeError(f"the mutants of {kind} cannot be made")


def _work(answers: Connection, kind: str, numbers: range) -> None:
    logging.disable()
    warnings.simplefilter("ignore")
    signal.signal(signal.SIGPROF, _raise_hang)
    with tempfile.TemporaryDirectory(dir=_fast_folder()) as folder:
        target = target_of(kind, Path(folder))
        _outcome(target, random.Random(f"{kind} start"))  # imports and caches of the first
        _limit_memory()
        answers.send((READY, "", 0.0))
        for number in numbers:
            answers.send((number, _outcome(target, random.Random(f"{kind} {number}")), _peak_mb()))
        answers.close()


def _outcome(target: Target, dice: random.Random) -> str:
    signal.setitimer(signal.ITIMER_PROF, CPU_SECONDS)
    try:
        target.run(dice)
    except MeniscalMeasureError as error:
        str(error), error.words(identifiers=False)
        return "refused"
    except _HangError:
        return f"hang of more than {CPU_SECONDS} s"
    except BaseException:
        return traceback.format_exc().replace("\n", " | ")[-900:]
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
    return "used"


def _raise_hang(*_: object) -> None:
    raise _HangError


def _fast_folder() -> str | None:
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _limit_memory() -> None:
    held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (held + MEMORY_BYTES,) * 2)


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> int:
    """Run a campaign and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=10_000, help="mutants of all kinds together")
    parser.add_argument("--start", type=int, default=0, help="number of the first of each kind")
    parser.add_argument("--kind", choices=WEIGHTS, action="append", help="only this kind")
    parser.add_argument("--out", type=Path, help="file to which the figures are added")
    asked = parser.parse_args()
    kinds = asked.kind or list(WEIGHTS)
    total = sum(WEIGHTS[kind] for kind in kinds)
    bad = 0
    for kind in kinds:
        share = max(1, asked.count * WEIGHTS[kind] // total)
        began = time.monotonic()
        tally = campaign(kind, range(asked.start, asked.start + share))
        bad += len(tally.escapes) + len(tally.hangs)
        line = (
            f"{kind}\t{asked.start}\t{tally.count}\t{tally.refused}\t{len(tally.escapes)}"
            f"\t{len(tally.hangs)}\t{tally.peak_mb:.0f}\t{time.monotonic() - began:.0f}"
        )
        print(line, *tally.escapes[:20], *tally.hangs[:20], sep="\n", flush=True)
        if asked.out is not None:
            with asked.out.open("a", encoding="utf-8") as stream:
                stream.write(line + "\n")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
