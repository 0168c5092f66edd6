"""Train one network on synthetic knees: `python -m meniscal_measure.locate.training.train`.

Half of what is learnt from are knees made in batches on the graphics card (`samples`), half the
three-dimensional knee of `phantom` under a simulated scanner, made by worker processes (`volumes`).
Both fill stores from which batches are drawn. Seeded, stopped by the clock, and resumable: a
checkpoint holds the weights, their running average, the optimiser and the step.
"""

from __future__ import annotations

import argparse
import copy
import queue
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from torch import Tensor
from torch.utils.data import DataLoader

from meniscal_measure.locate.frames import MARGIN_SIZE, SURVEY_SIZE
from meniscal_measure.locate.training import losses, networks, samples, volumes
from meniscal_measure.locate.training.pool import Pool, Variation, joined, varied
from meniscal_measure.locate.training.strange import with_strange

AVERAGE_DECAY = 0.999
"""Per step decay of the running average of the weights, which is what is used afterwards."""
WARM_UP_STEPS = 200
REPORT_EVERY = 500
CAPACITY = 30_000
"""Pictures of each kind that are kept."""
ENOUGH = 3_000
"""Pictures of the three-dimensional knee from which on half of every batch is drawn from them."""
KNEES = 24
"""Knees made at once on the graphics card."""


@dataclass(frozen=True)
class Task:
    """What is trained: how examples are made, varied and judged."""

    network: Callable[[], networks.PointNetwork]
    batch: Callable[[int, torch.device], Any]
    slab: Callable[[Any], Any]
    shown: Callable[[Any], Any]
    loss: Callable[[networks.Output, Any], tuple[Tensor, dict[str, Tensor]]]


def _survey_shown(example: samples.SurveyExample) -> samples.SurveyExample:
    return with_strange(varied(example, SURVEY_SIZE, Variation(5, 0.05, 5)))


def _margin_shown(example: samples.MarginExample) -> samples.MarginExample:
    varied_example: samples.MarginExample = varied(example, MARGIN_SIZE, Variation(6, 0.08, 5))
    return varied_example


TASKS = {
    "survey": Task(
        networks.survey_network,
        samples.survey_batch,
        volumes.survey_slab,
        _survey_shown,
        losses.survey_loss,
    ),
    "margin": Task(
        networks.margin_network,
        samples.margin_batch,
        volumes.margin_slab,
        _margin_shown,
        losses.margin_loss,
    ),
}


class Arrivals:
    """Examples that worker processes have made since they were last asked for."""

    def __init__(self, loader: DataLoader[Any]) -> None:
        self.waiting: queue.Queue[Any] = queue.Queue(maxsize=64)
        self.closing = threading.Event()
        self.thread = threading.Thread(target=self._fetch, args=(loader,))
        self.thread.start()

    def _fetch(self, loader: DataLoader[Any]) -> None:
        for example in loader:
            self.waiting.put(example)
            if self.closing.is_set():
                return

    def __iter__(self) -> Iterator[Any]:
        """Give what is there, without waiting."""
        while not self.waiting.empty():
            yield self.waiting.get()

    def close(self) -> None:
        """Let the worker processes end."""
        self.closing.set()
        while self.thread.is_alive():
            for _ in self:
                pass
            self.thread.join(timeout=1)


class Trainer:
    """One training run."""

    def __init__(self, task: Task, device: torch.device, learning_rate: float) -> None:
        self.task, self.device, self.step = task, device, 0
        self.network = task.network().to(device, memory_format=torch.channels_last)
        self.average = copy.deepcopy(self.network).eval()
        self.optimiser = torch.optim.AdamW(
            self.network.parameters(), lr=learning_rate, weight_decay=1e-4
        )
        self.learning_rate = learning_rate

    def resume(self, path: Path) -> None:
        """Go on from a checkpoint; one without optimiser state only lends its weights."""
        state = torch.load(path, map_location=self.device, weights_only=True)
        self.network.load_state_dict(state.get("network", state["average"]))
        self.average.load_state_dict(state["average"])
        if "optimiser" in state:
            self.optimiser.load_state_dict(state["optimiser"])
            self.step = state["step"]

    def save(self, folder: Path, name: str) -> None:
        """Write the averaged weights and, beside them, all that a resumed run needs."""
        folder.mkdir(parents=True, exist_ok=True)
        average = {k: v.cpu() for k, v in self.average.state_dict().items()}
        torch.save({"average": average}, folder / f"{name}.weights.pt")
        full = {"average": average, "network": self.network.state_dict(), "step": self.step}
        torch.save({**full, "optimiser": self.optimiser.state_dict()}, folder / f"{name}.pt")

    def learn(self, example: Any, progress: float) -> dict[str, Tensor]:
        """Take one step and return the parts of the loss."""
        rate = self.learning_rate * min(1.0, (self.step + 1) / WARM_UP_STEPS)
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


class Stores:
    """The examples of both generators, and how often they are made and drawn."""

    def __init__(self, task: Task, device: torch.device, options: argparse.Namespace) -> None:
        self.task, self.device, self.options = task, device, options
        self.flat, self.volumes = Pool(CAPACITY, device), Pool(CAPACITY, device)
        source = volumes.Volumes(task.slab, options.seed)
        self.arrivals = Arrivals(
            DataLoader(source, batch_size=None, num_workers=options.workers, prefetch_factor=4)
        )

    def refill(self, step: int) -> None:
        """Take in what has been made, and make more where it is due."""
        for example in self.arrivals:
            self.volumes.put(example)
        if step % self.options.every == 0:
            self.flat.put(self.task.batch(KNEES, self.device))

    def draw(self) -> Any:
        """Draw a batch, from both stores."""
        number = self.options.batch
        solid = int(number * 0.5 * min(1.0, self.volumes.count / ENOUGH))
        drawn = [self.flat.draw(number - solid)]
        if solid:
            drawn.append(self.volumes.draw(solid))
        return self.task.shown(joined(drawn))


def train(options: argparse.Namespace) -> None:
    """Train until the time is up, printing progress and leaving checkpoints."""
    torch.manual_seed(options.seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    device, task = torch.device(options.device), TASKS[options.task]
    trainer, stores = Trainer(task, device, options.learning_rate), Stores(task, device, options)
    if options.resume:
        trainer.resume(options.resume)
    start, total = time.monotonic(), dict[str, Tensor]()
    while (elapsed := time.monotonic() - start) < options.seconds:
        with torch.no_grad():
            stores.refill(trainer.step)
            example = stores.draw()
        parts = trainer.learn(example, elapsed / options.seconds)
        total = {k: total.get(k, 0.0) + v.detach() for k, v in parts.items()}
        if trainer.step % options.report == 0:
            words = " ".join(f"{k} {float(v) / options.report:.3f}" for k, v in total.items())
            made = f"{stores.flat.count} + {stores.volumes.count} pictures"
            print(f"{options.task} {elapsed:5.0f} s step {trainer.step} {made} {words}", flush=True)
            total = {}
    stores.arrivals.close()
    trainer.save(options.out, options.name or options.task)


def main() -> None:
    """Read the command line and train."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("task", choices=sorted(TASKS))
    parser.add_argument("--out", type=Path, required=True, help="folder for the checkpoints")
    parser.add_argument("--name", help="name of the checkpoint, by default the task")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=480)
    parser.add_argument("--batch", type=int, default=64, help="pictures in a batch")
    parser.add_argument("--every", type=int, default=8, help="steps between batches of new knees")
    parser.add_argument("--workers", type=int, default=14, help="processes that make volumes")
    parser.add_argument("--learning-rate", type=float, default=2e-3)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--resume", type=Path)
    parser.add_argument("--report", type=int, default=REPORT_EVERY, help="steps between reports")
    train(parser.parse_args())


if __name__ == "__main__":
    main()
