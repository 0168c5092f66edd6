"""Semi-quantitative grade of an extrusion, on the unrounded value."""

from __future__ import annotations

from meniscal_measure.caliper.decision import is_at_or_above

GRADE_CUTS_MM = (2.0, 3.0, 5.0)
"""Lower limits of grades 1, 2 and 3: the cut points of MOAKS (Hunter 2011)."""

GRADE_RULE = (
    "Grade 0: below 2 mm; 1: from 2 to below 3 mm; 2: from 3 to below 5 mm; 3: 5 mm and more, on"
    " the unrounded value. Cut points of MOAKS (Hunter 2011); the gaps between its printed bins"
    " (2.9 to 3, 4.9 to 5, and 5 itself) are closed."
)
"""The rule in words, for reports."""


def grade(extrusion_mm: float) -> int:
    """Grade an extrusion from 0 to 3; a negative one is grade 0.

    MOAKS prints its bins as < 2, 2-2.9, 3-4.9 and > 5 mm, which leaves values such as 2.95 and
    exactly 5 without a grade. Here they are closed to [0, 2), [2, 3), [3, 5) and [5, inf).

    Source: Hunter DJ et al., Osteoarthritis Cartilage 2011;19:990-1002 (cut points quoted from
    memory).

    Examples
    --------
    >>> [grade(value) for value in (-0.5, 1.99, 2.95, 3.0, 5.0)]
    [0, 0, 1, 2, 3]
    """
    return sum(is_at_or_above(extrusion_mm, cut_mm) for cut_mm in GRADE_CUTS_MM)
