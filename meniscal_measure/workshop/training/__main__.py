"""Train all networks: `python -m meniscal_measure.workshop.training FOLDER`.

Every graphics card trains one network at a time, each in a process of its own; on one card they
follow one another, about eight minutes each with sixteen processor cores. Started again it goes
on where it was. It leaves ONNX files in FOLDER, which `training.release` puts into the package.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

import torch

from meniscal_measure.workshop.training.train import Run

NETWORKS = {"survey": "survey", "margin_a": "margin", "margin_b": "margin", "survey_b": "survey"}
"""Name of each network with what it is taught; those of one task differ in their seed."""
SPARE_CORES = 1
"""Processor cores left to each training process beside its workers."""


@dataclass(frozen=True)
class Plan:
    """How all networks are trained."""

    folder: Path
    seed: int
    seconds: float
    sitting: float
    workers: int
    """Processes that make volumes, for each network."""

    def train(self, name: str, device: str) -> None:
        """Train and export one network on one device; an error stops everything."""
        checkpoint = self.folder / f"{name}.pt"
        task, seed = NETWORKS[name], self.seed + list(NETWORKS).index(name)
        options = {
            "seed": seed,
            "seconds": self.seconds,
            "sitting": self.sitting,
            "workers": self.workers,
            "device": device,
        }
        given = [part for key, value in options.items() for part in (f"--{key}", str(value))]
        _module("train", task, str(checkpoint), *given)
        _module("export", task, str(checkpoint), str(self.folder / f"{name}.onnx"))


def _module(name: str, *arguments: str) -> None:
    module = f"meniscal_measure.workshop.training.{name}"
    subprocess.run([sys.executable, "-m", module, *arguments], check=True)


def devices() -> list[str]:
    """List the graphics cards, or the processor where there is none."""
    return [f"cuda:{i}" for i in range(torch.cuda.device_count())] or ["cpu"]


def train_all(plan: Plan, names: list[str], places: list[str]) -> None:
    """Train networks, each on the first device that is free."""
    free = SimpleQueue[str]()
    for place in places:
        free.put(place)

    def on_a_free_device(name: str) -> None:
        place = free.get()
        try:
            plan.train(name, place)
        finally:
            free.put(place)

    with ThreadPoolExecutor(len(places)) as pool:
        list(pool.map(on_a_free_device, names))


def main() -> None:
    """Read the command line, train and export."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--networks", nargs="+", choices=list(NETWORKS), default=list(NETWORKS)[:3])
    parser.add_argument("--seed", type=int, default=1, help="of the first network; others follow")
    parser.add_argument("--seconds", type=float, default=Run.seconds, help="for each network")
    parser.add_argument("--sitting", type=float, default=Run.sitting, help="pause after so long")
    parser.add_argument("--workers", type=int, help="that make volumes, for each network")
    given = parser.parse_args()
    places = devices()
    at_once = min(len(places), len(given.networks))
    workers = given.workers or max(1, (os.cpu_count() or 1) // at_once - SPARE_CORES)
    plan = Plan(given.folder, given.seed, given.seconds, given.sitting, workers)
    train_all(plan, given.networks, places)


if __name__ == "__main__":
    main()
