"""The stages of training: what each network starts from, what it is taught, and for how long."""

from __future__ import annotations

from dataclasses import dataclass

from meniscal_measure.workshop.training.random_scans import MILD, USUAL, Severity

TODAY, EARLIER = "today", "earlier"
"""Batched generators of joint margins: of this code, and of the code that trained the
first margin networks."""


@dataclass(frozen=True)
class Code:
    """An earlier state of this project, whose own code trains a network.

    Parameters
    ----------
    commit
        In the history of the project.
    command
        Module and arguments, with the names of a stage in braces.
    resumes
        Whether, started again, it goes on from its checkpoint; else it leaves one at the end only.
    """

    commit: str
    command: str
    resumes: bool


FIRST_MARGINS = Code(
    "39bc140",
    "meniscal_measure.locate.training.train {task} --out {folder} --name {name}",
    resumes=False,
)
FIRST_SURVEYS = Code(
    "60e0b5f",
    "meniscal_measure.workshop.training.train {task} {folder}/{name}.pt",
    resumes=True,
)
"""The surveys were trained within minutes of this commit; that nothing else was changed beside it
is not on record."""


@dataclass(frozen=True)
class Stage:
    """How one network is trained.

    Parameters
    ----------
    task
        `survey` or `margin`.
    seed, seconds, learning_rate
        Of the whole run.
    after
        Network whose weights it starts from; from random ones where there is none.
    code
        Earlier code that trains it; this code where there is none. With it, the rest is its own.
    batched
        Generators that the batched half of the margins is drawn from, evenly.
    severity
        How poor the images of the three-dimensional knee are.
    singles
        Share of images shown without their neighbours.
    weighed
        Whether an error counts the more, the surer the network says it is.
    every
        Steps between batches of new knees on the graphics card.
    """

    task: str
    seed: int
    seconds: float = 480
    after: str = ""
    code: Code | None = None
    batched: tuple[str, ...] = (TODAY,)
    severity: Severity = USUAL
    singles: float = 0.2
    weighed: bool = False
    learning_rate: float = 2e-3
    every: int = 10


STAGES = {
    "survey": Stage("survey", 1, code=FIRST_SURVEYS),
    "survey_b": Stage("survey", 4, code=FIRST_SURVEYS),
    "margin_a": Stage("margin", 2, code=FIRST_MARGINS),
    "margin_b": Stage("margin", 3, code=FIRST_MARGINS),
    "margin_c": Stage(
        *("margin", 31, 480, "margin_a"),
        batched=(EARLIER,),
        severity=MILD,
        singles=0.1,
        weighed=True,
        learning_rate=7e-4,
        every=14,
    ),
    "margin_d": Stage(
        *("margin", 34, 480, "margin_b"),
        batched=(EARLIER,),
        severity=MILD,
        singles=0.1,
        learning_rate=7e-4,
        every=14,
    ),
}
"""The released networks. The seeds of `margin_a` and `margin_b` are not on record."""
