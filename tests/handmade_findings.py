"""A finding of every code, with values made up."""

from __future__ import annotations

from meniscal_measure.findings import Code, Finding
from meniscal_measure.sentences import PRIVATE, fields_of

NAME = "QUILLFEATHER^ZEBEDEE"


def example(code: Code) -> Finding:
    """A finding of a code: names where they may stand, numbers elsewhere."""
    kinds = dict(fields_of(code.sentence))
    return Finding(code, {name: NAME if kind == PRIVATE else 7 for name, kind in kinds.items()})
