"""Train one network on synthetic knees: `python -m meniscal_measure.locate.training.train`.

Seeded, stopped by the clock, and resumable: a checkpoint holds the weights, their running
average, the optimiser and the step, and `--resume` goes on from it.
"""

from __future__ import annotations

import argparse
import copy
import time
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from meniscal_measure.locate.training import losses, networks, samples
from meniscal_measure.locate.training.strange import with_strange

AVERAGE_DECAY = 0.998
"""Per step decay of the running average of the weights, which is what is used afterwards."""
WARM_UP_STEPS = 200
REPORT_EVERY = 100


@dataclass(frozen=True)
class Task:
    """What is trained: how examples are made, judged and looked at."""

    network: Callable[[], networks.PointNetwork]
    batch: Callable[[int, torch.device], Any]
    loss: Callable[[networks.Output, Any], tuple[Tensor, dict[str, Tensor]]]


def _survey_batch(knees: int, device: torch.device) -> samples.SurveyExample:
    return with_strange(samples.survey_batch(knees, device))


TASKS = {
    "survey": Task(networks.survey_network, _survey_batch, losses.survey_loss),
    "margin": Task(networks.margin_network, samples.margin_batch, losses.margin_loss),
}


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

    def learn(self, knees: int, portions: int, progress: float) -> dict[str, Tensor]:
        """Make a batch, learn from it portion by portion, and return the parts of the loss."""
        with torch.no_grad():
            example = self.task.batch(knees, self.device)
        order = torch.randperm(len(example.image), device=self.device)
        for chosen in order.chunk(portions):
            parts = self._step(_some(example, chosen), progress)
        return parts

    def _step(self, example: Any, progress: float) -> dict[str, Tensor]:
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


def _some(example: Any, chosen: Tensor) -> Any:
    """Pick the chosen ones of a batch of examples."""
    return type(example)(*(getattr(example, f.name)[chosen] for f in fields(example)))


def train(options: argparse.Namespace) -> None:
    """Train until the time is up, printing progress and leaving checkpoints."""
    torch.manual_seed(options.seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    trainer = Trainer(TASKS[options.task], torch.device(options.device), options.learning_rate)
    if options.resume:
        trainer.resume(options.resume)
    start, seen = time.monotonic(), 0
    total: dict[str, Tensor | float] = {}
    while (elapsed := time.monotonic() - start) < options.seconds:
        parts = trainer.learn(options.knees, options.portions, elapsed / options.seconds)
        total = {k: total.get(k, 0.0) + v.detach() for k, v in parts.items()}
        seen += 1
        if seen == 1 or seen % REPORT_EVERY == 0 or options.verbose:
            count = 1 if seen == 1 or options.verbose else REPORT_EVERY
            words = " ".join(f"{k} {float(v) / count:.3f}" for k, v in total.items())
            print(f"{options.task} {elapsed:5.0f} s step {trainer.step} {words}", flush=True)
            total = {}
    trainer.save(options.out, options.name or options.task)


def main() -> None:
    """Read the command line and train."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("task", choices=sorted(TASKS))
    parser.add_argument("--out", type=Path, required=True, help="folder for the checkpoints")
    parser.add_argument("--name", help="name of the checkpoint, by default the task")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=420)
    parser.add_argument("--knees", type=int, default=24, help="knees in a batch")
    parser.add_argument("--portions", type=int, default=3, help="steps for each batch made")
    parser.add_argument("--learning-rate", type=float, default=2e-3)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--resume", type=Path)
    parser.add_argument("--verbose", action="store_true")
    train(parser.parse_args())


if __name__ == "__main__":
    main()
