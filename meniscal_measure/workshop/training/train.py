"""Train one network on synthetic knees: `python -m meniscal_measure.workshop.training.train`.

Half of what it learns from are knees made in batches on the graphics card (`margin_samples`,
`survey_samples`), half the three-dimensional knee of `workshop.knees` under a simulated scanner,
which worker processes draw (`volumes`). A stage (`stages`) says which, and how. Seeded, stopped by
the clock, and resumable: started again in the same folder it goes on.
"""

from __future__ import annotations

import argparse
import copy
import math
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from meniscal_measure.workshop.training import architecture, volumes
from meniscal_measure.workshop.training.release import FOLDER as RELEASED
from meniscal_measure.workshop.training.restore import restored
from meniscal_measure.workshop.training.stages import STAGES, Stage
from meniscal_measure.workshop.training.stores import Stores
from meniscal_measure.workshop.training.task import Task, task_of

AVERAGE_DECAY = 0.999
"""Per step decay of the running average of the weights, which is what is used afterwards."""
WARM_UP_STEPS = 200
BATCH = 128
"""Images in a batch."""
FITTED_TO = 12
"""Knees to whose images the normalisation of a restored network is fitted."""
SAVE_EVERY_S = 60.0
PARTS = ("network", "average", "optimiser")
"""What of a run has weights of its own."""


@dataclass(frozen=True)
class Run:
    """How a stage is run."""

    name: str
    """One of `stages.STAGES`."""
    folder: Path
    """Where it leaves its checkpoint, and goes on from where one is there."""
    seconds: float | None = None
    """Of the whole run, where not as the stage says."""
    sitting: float = math.inf
    """Seconds after which it pauses, to be started again."""
    workers: int = 14
    """Processes that make volumes."""
    device: str = "cuda"
    report: int = 500
    """Steps between reports."""

    @property
    def stage(self) -> Stage:
        """The stage that is run."""
        return STAGES[self.name]

    @property
    def checkpoint(self) -> Path:
        """Its file."""
        return self.folder / f"{self.name}.pt"

    @property
    def length_s(self) -> float:
        """Seconds of the whole run."""
        return self.stage.seconds if self.seconds is None else self.seconds


class Trainer:
    """One training run."""

    def __init__(self, task: Task, network: Any, learning_rate: float) -> None:
        self.task, self.device = task, next(network.parameters()).device
        self.step, self.seconds, self.warm_from = 0, 0.0, 0
        self.network = network
        self.average = copy.deepcopy(self.network).eval()
        self.optimiser = torch.optim.AdamW(
            self.network.parameters(), lr=learning_rate, weight_decay=1e-4
        )
        self.learning_rate = learning_rate

    def resume(self, path: Path) -> None:
        """Go on from a checkpoint; one without the optimiser's state warms up anew."""
        state = torch.load(path, map_location=self.device, weights_only=True)
        self.network.load_state_dict(state["network"])
        self.average.load_state_dict(state["average"])
        self.step, self.seconds = state["step"], state["seconds"]
        if "optimiser" in state:
            self.optimiser.load_state_dict(state["optimiser"])
        else:
            self.warm_from = self.step

    def save(self, path: Path) -> None:
        """Write all that a resumed run needs, the averaged weights among it."""
        parts = {name: getattr(self, name).state_dict() for name in PARTS}
        path.parent.mkdir(parents=True, exist_ok=True)
        partial = path.with_suffix(".partial")
        torch.save({**parts, "step": self.step, "seconds": self.seconds}, partial)
        partial.replace(path)

    def learn(self, example: Any, progress: float) -> dict[str, Tensor]:
        """Take one step and return the parts of the loss."""
        rate = self.learning_rate * min(1.0, (self.step - self.warm_from + 1) / WARM_UP_STEPS)
        for group in self.optimiser.param_groups:
            group["lr"] = rate * max(0.02, 1 - progress) ** 0.9
        image = example.image.contiguous(memory_format=torch.channels_last)
        with torch.autocast(self.device.type, torch.bfloat16, enabled=self.device.type == "cuda"):
            output = self.network(image)
        loss, parts = self.task.loss(output, example)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.network.parameters(), 5.0)
        self.optimiser.step()
        self._follow()
        self.step += 1
        return parts

    @torch.no_grad()
    def _follow(self) -> None:
        decay = min(AVERAGE_DECAY, (self.step + 1) / (self.step + 10))
        means, values = (list(n.state_dict().values()) for n in (self.average, self.network))
        floats = [i for i, mean in enumerate(means) if mean.is_floating_point()]
        torch._foreach_lerp_([means[i] for i in floats], [values[i] for i in floats], 1 - decay)


def train(run: Run) -> None:
    """Train until the time is up, printing progress and leaving a checkpoint every minute."""
    torch.manual_seed(run.stage.seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    device, task = torch.device(run.device), task_of(run.stage, run.folder)
    network = _start(run, task, device).to(device, memory_format=torch.channels_last)
    trainer = Trainer(task, network.train(), run.stage.learning_rate)
    if run.checkpoint.exists():
        trainer.resume(run.checkpoint)
    source = volumes.Volumes(task.slab, run.stage.seed + trainer.step)
    stores = Stores(task.batch, source, device=device, workers=run.workers, every=run.stage.every)
    try:
        _learn(run, trainer, stores)
    finally:
        stores.close()
    trainer.save(run.checkpoint)


def _start(run: Run, task: Task, device: torch.device) -> Any:
    """Give the network that a stage starts from.

    What it goes on from is taken from the folder if it was trained there, else from the package.
    """
    stage, there = run.stage, run.folder / f"{run.stage.after}.pt"
    if not stage.after or run.checkpoint.exists():
        return architecture.network_of(stage.task)
    if there.exists():
        state = torch.load(there, map_location="cpu", weights_only=True)
        return architecture.averaged(stage.task, state)
    with torch.no_grad():
        images = task.shown(task.batch(FITTED_TO, device)).image.cpu()
    return restored(stage.task, RELEASED / f"{stage.after}.onnx", images)


def _learn(run: Run, trainer: Trainer, stores: Stores) -> None:
    start = saved = time.monotonic()
    before = start - trainer.seconds
    total = dict[str, Tensor]()
    while trainer.seconds < run.length_s and time.monotonic() < start + run.sitting:
        with torch.no_grad():
            stores.refill(trainer.step)
            example = trainer.task.shown(stores.draw(BATCH))
        parts = trainer.learn(example, trainer.seconds / run.length_s)
        trainer.seconds = time.monotonic() - before
        total = {k: total.get(k, 0.0) + v.detach() for k, v in parts.items()}
        if trainer.step % run.report == 0:
            words = " ".join(f"{k} {float(v) / run.report:.3f}" for k, v in total.items())
            made = f"{stores.flat.count} + {stores.solid.count} pictures"
            print(
                f"{run.name} {trainer.seconds:.0f} s step {trainer.step} {made} {words}", flush=True
            )
            total = {}
        if time.monotonic() - saved > SAVE_EVERY_S:
            trainer.save(run.checkpoint)
            saved = time.monotonic()


def main() -> None:
    """Read the command line and train."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("name", choices=[name for name in STAGES if not STAGES[name].code])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seconds", type=float, help="of the whole run, instead of the stage's")
    parser.add_argument("--sitting", type=float, default=Run.sitting)
    parser.add_argument("--workers", type=int, default=Run.workers)
    parser.add_argument("--device", default=Run.device)
    parser.add_argument("--report", type=int, default=Run.report)
    train(Run(**vars(parser.parse_args())))


if __name__ == "__main__":
    main()
