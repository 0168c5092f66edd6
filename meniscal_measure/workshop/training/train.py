"""Train one network on synthetic knees: `python -m meniscal_measure.workshop.training.train`.

Half of what is learnt from are knees made in batches on the graphics card (`samples`), half the
three-dimensional knee of `workshop.knees` under a simulated scanner, which worker processes draw
(`volumes`).
Seeded, stopped by the clock, and resumable: started again with the same checkpoint it goes on.
"""

from __future__ import annotations

import argparse
import copy
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from meniscal_measure.locate.frames import MARGIN_SIZE, SURVEY_SIZE
from meniscal_measure.workshop.training import architecture, losses, samples, volumes
from meniscal_measure.workshop.training.distractors import with_strange
from meniscal_measure.workshop.training.replay import Variation, varied, with_singles
from meniscal_measure.workshop.training.stores import Stores

AVERAGE_DECAY = 0.999
"""Per step decay of the running average of the weights, which is what is used afterwards."""
WARM_UP_STEPS = 200
BATCH = 128
"""Pictures in a batch."""
SAVE_EVERY_S = 60.0
PARTS = ("network", "average", "optimiser")
"""What of a run has weights of its own."""


@dataclass(frozen=True)
class Task:
    """What is trained: how examples are made, varied and judged."""

    network: Callable[[], architecture.PointNetwork]
    batch: Callable[[int, torch.device], Any]
    slab: Callable[[Any], Any]
    shown: Callable[[Any], Any]
    loss: Callable[[architecture.Output, Any], tuple[Tensor, dict[str, Tensor]]]


def _survey_shown(example: samples.SurveyExample) -> samples.SurveyExample:
    return with_strange(varied(with_singles(example), SURVEY_SIZE, Variation(5, 0.05, 5)))


def _margin_shown(example: samples.MarginExample) -> samples.MarginExample:
    shown: samples.MarginExample = varied(with_singles(example), MARGIN_SIZE, Variation(6, 0.08, 5))
    return shown


TASKS = {
    "survey": Task(
        architecture.survey_network,
        samples.survey_batch,
        volumes.survey_slab,
        _survey_shown,
        losses.survey_loss,
    ),
    "margin": Task(
        architecture.margin_network,
        samples.margin_batch,
        volumes.margin_slab,
        _margin_shown,
        losses.margin_loss,
    ),
}


@dataclass(frozen=True)
class Run:
    """How a network is trained.

    Parameters
    ----------
    task
        A name among `TASKS`.
    checkpoint
        File that it leaves, and goes on from where it is there.
    seed, seconds, learning_rate
        Of the whole run.
    sitting
        Seconds after which it pauses, to be started again.
    workers
        Processes that make volumes.
    every
        Steps between batches of new knees on the graphics card.
    report
        Steps between reports.
    """

    task: str
    checkpoint: Path
    seed: int = 1
    seconds: float = 440
    sitting: float = math.inf
    workers: int = 14
    every: int = 10
    learning_rate: float = 2e-3
    device: str = "cuda"
    report: int = 500


class Trainer:
    """One training run."""

    def __init__(self, task: Task, device: torch.device, learning_rate: float) -> None:
        self.task, self.device = task, device
        self.step, self.seconds, self.warm_from = 0, 0.0, 0
        self.network = task.network().to(device, memory_format=torch.channels_last)
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
    torch.manual_seed(run.seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    device, task = torch.device(run.device), TASKS[run.task]
    trainer = Trainer(task, device, run.learning_rate)
    if run.checkpoint.exists():
        trainer.resume(run.checkpoint)
    source = volumes.Volumes(task.slab, run.seed + trainer.step)
    stores = Stores(task.batch, source, device=device, workers=run.workers, every=run.every)
    try:
        _learn(run, trainer, stores)
    finally:
        stores.close()
    trainer.save(run.checkpoint)


def _learn(run: Run, trainer: Trainer, stores: Stores) -> None:
    start = saved = time.monotonic()
    before = start - trainer.seconds
    total = dict[str, Tensor]()
    while trainer.seconds < run.seconds and time.monotonic() < start + run.sitting:
        with torch.no_grad():
            stores.refill(trainer.step)
            example = trainer.task.shown(stores.draw(BATCH))
        parts = trainer.learn(example, trainer.seconds / run.seconds)
        trainer.seconds = time.monotonic() - before
        total = {k: total.get(k, 0.0) + v.detach() for k, v in parts.items()}
        if trainer.step % run.report == 0:
            words = " ".join(f"{k} {float(v) / run.report:.3f}" for k, v in total.items())
            made = f"{stores.flat.count} + {stores.solid.count} pictures"
            print(
                f"{run.task} {trainer.seconds:.0f} s step {trainer.step} {made} {words}", flush=True
            )
            total = {}
        if time.monotonic() - saved > SAVE_EVERY_S:
            trainer.save(run.checkpoint)
            saved = time.monotonic()


def main() -> None:
    """Read the command line and train."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("task", choices=sorted(TASKS))
    parser.add_argument("checkpoint", type=Path)
    parser.add_argument("--seed", type=int, default=Run.seed)
    parser.add_argument("--seconds", type=float, default=Run.seconds)
    parser.add_argument("--sitting", type=float, default=Run.sitting)
    parser.add_argument("--workers", type=int, default=Run.workers)
    parser.add_argument("--every", type=int, default=Run.every)
    parser.add_argument("--learning-rate", type=float, default=Run.learning_rate)
    parser.add_argument("--device", default=Run.device)
    parser.add_argument("--report", type=int, default=Run.report)
    train(Run(**vars(parser.parse_args())))


if __name__ == "__main__":
    main()
