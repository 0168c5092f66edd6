"""Train networks: `python -m meniscal_measure.workshop.training FOLDER`.

Every graphics card trains one network at a time, each in a process of its own; on one card they
follow one another, about eight minutes each with sixteen processor cores. Started again it goes
on where it was. It leaves ONNX files in FOLDER, which `training.release` puts into the package.
`--stages` names those to train; without it all are trained.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

import torch

from meniscal_measure.workshop.training import earlier
from meniscal_measure.workshop.training.stages import STAGES

SPARE_CORES = 1
"""Processor cores left to each training process beside its workers."""


@dataclass(frozen=True)
class Plan:
    """How the stages are run."""

    folder: Path
    """Of checkpoints and networks."""
    workers: int
    """Processes that make volumes, for each network."""
    seconds: float | None = None
    """Of each stage, where not as it says itself."""
    sitting: float | None = None
    """Seconds after which a stage pauses; earlier code does not pause."""

    def train(self, name: str, device: str) -> None:
        """Train and export one network on one device; an error stops everything."""
        stage, checkpoint = STAGES[name], self.folder / f"{name}.pt"
        options: dict[str, object] = {"workers": self.workers, "device": device}
        if stage.code is None:
            asked = {"seconds": self.seconds, "sitting": self.sitting}
            options |= {key: value for key, value in asked.items() if value is not None}
            _module(
                "train",
                name,
                str(self.folder),
                *(f"--{key}={value}" for key, value in options.items()),
            )
        elif stage.code.resumes or not checkpoint.exists():
            length_s = stage.seconds if self.seconds is None else self.seconds
            earlier.trained(
                stage, name, self.folder, options | {"seed": stage.seed, "seconds": length_s}
            )
        _module("export", stage.task, str(checkpoint), str(self.folder / f"{name}.onnx"))


def _module(name: str, *arguments: str) -> None:
    module = f"meniscal_measure.workshop.training.{name}"
    subprocess.run([sys.executable, "-m", module, *arguments], check=True)


def train_all(plan: Plan, names: list[str], places: list[str]) -> None:
    """Train networks, each on the first device that is free, after that which it starts from."""
    free, done = SimpleQueue[str](), dict[str, Future[None]]()
    for place in places:
        free.put(place)

    def on_a_free_device(name: str) -> None:
        if STAGES[name].after in done:
            done[STAGES[name].after].result()
        place = free.get()
        try:
            plan.train(name, place)
        finally:
            free.put(place)

    with ThreadPoolExecutor(len(places)) as pool:
        for name in sorted(names, key=list(STAGES).index):
            done[name] = pool.submit(on_a_free_device, name)
    for future in done.values():
        future.result()


def main() -> None:
    """Read the command line, train and export."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--stages", nargs="+", choices=list(STAGES), default=list(STAGES))
    parser.add_argument("--seconds", type=float, help="of each stage, instead of its own")
    parser.add_argument("--sitting", type=float, help="pause after so long")
    parser.add_argument("--workers", type=int, help="that make volumes, for each network")
    given = parser.parse_args()
    cards = [f"cuda:{i}" for i in range(torch.cuda.device_count())] or ["cpu"]
    at_once = min(len(cards), len(given.stages))
    workers = given.workers or max(1, (os.cpu_count() or 1) // at_once - SPARE_CORES)
    given.folder.mkdir(parents=True, exist_ok=True)
    train_all(Plan(given.folder, workers, given.seconds, given.sitting), given.stages, cards)


if __name__ == "__main__":
    main()
