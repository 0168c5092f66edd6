"""What a stage teaches: how its examples are made, varied and judged."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from meniscal_measure.locate.frames import MARGIN_SIZE, SURVEY_SIZE
from meniscal_measure.workshop.training import (
    earlier,
    losses,
    margin_samples,
    survey_samples,
    volumes,
)
from meniscal_measure.workshop.training.architecture import Output
from meniscal_measure.workshop.training.distractors import with_strange
from meniscal_measure.workshop.training.periphery import with_other_periphery
from meniscal_measure.workshop.training.replay import Variation, joined, varied, with_singles
from meniscal_measure.workshop.training.stages import EARLIER, TODAY, Stage

Maker = Callable[[int, torch.device], Any]
"""Makes examples of so many knees."""


@dataclass(frozen=True)
class Task:
    """What is trained: how examples are made, varied and judged."""

    batch: Maker
    slab: Callable[[Any], Any]
    shown: Callable[[Any], Any]
    loss: Callable[[Output, Any], tuple[Tensor, dict[str, Tensor]]]


def task_of(stage: Stage, folder: Path) -> Task:
    """Give what a stage teaches; earlier generators are unpacked in the folder."""
    if stage.task == "survey":
        return Task(
            survey_samples.survey_batch,
            volumes.survey_slab,
            partial(_survey_shown, singles=stage.singles),
            losses.survey_loss,
        )
    makers: dict[str, Maker] = {TODAY: margin_samples.margin_batch}
    if EARLIER in stage.batched:
        makers[EARLIER] = earlier.margin_batch(folder)
    return Task(
        partial(_mixed, [makers[name] for name in stage.batched]),
        partial(volumes.margin_slab, severity=stage.severity),
        partial(_margin_shown, singles=stage.singles),
        partial(losses.margin_loss, weighed=stage.weighed),
    )


def _mixed(makers: list[Maker], knees: int, device: Any) -> Any:
    """Make knees, as many by each maker."""
    return joined([make(math.ceil(knees / len(makers)), device) for make in makers])


def _survey_shown(example: survey_samples.SurveyExample, singles: float) -> Any:
    single = with_singles(example, singles)
    shown = varied(single, SURVEY_SIZE, Variation(5, 0.05, 5))
    return with_strange(with_other_periphery(shown))


def _margin_shown(example: margin_samples.MarginExample, singles: float) -> Any:
    return varied(with_singles(example, singles), MARGIN_SIZE, Variation(6, 0.08, 5))
