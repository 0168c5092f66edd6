"""The stages of training: what each network starts from, what it is taught, and for how long."""

from __future__ import annotations

from dataclasses import dataclass

from meniscal_measure.workshop.training.random_scans import MILD, USUAL, Severity

TODAY, EARLIER = "today", "earlier"
"""Batched generators of joint margins: of this code, and of the code that trained the
first margin networks."""


@dataclass(frozen=True)
class Code:
    """An earlier state of this project, whose own code trains a network."""

    commit: str
    """In the history of the project."""
    command: str
    """Module and arguments, with the names of a stage in braces."""
    resumes: bool
    """Whether, started again, it goes on from its checkpoint; else it leaves one at the end."""


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
    """How one network is trained."""

    task: str
    """`survey` or `margin`."""
    seed: int
    seconds: float = 480
    after: str = ""
    """Network whose weights it starts from; from random ones where there is none."""
    code: Code | None = None
    """Earlier code that trains it; this code where there is none. With it, the rest is its own."""
    batched: tuple[str, ...] = (TODAY,)
    """Generators that the batched half of the margins is drawn from, evenly."""
    severity: Severity = USUAL
    """How poor the images of the three-dimensional knee are."""
    singles: float = 0.2
    """Share of images shown without their neighbours."""
    weighed: bool = False
    """Whether an error counts the more, the surer the network says it is."""
    learning_rate: float = 2e-3
    every: int = 10
    """Steps between batches of new knees on the graphics card."""


STAGES = {
    "survey": Stage("survey", 1, code=FIRST_SURVEYS),
    "survey_b": Stage("survey", 4, code=FIRST_SURVEYS),
    "apex_a": Stage("survey", 51, 500, "survey", learning_rate=7e-4),
    "apex_b": Stage("survey", 52, 500, "survey_b", learning_rate=7e-4),
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
