"""A number of the case: its interval, its words, and where it was read."""

from __future__ import annotations

import math

import pytest

from meniscal_measure.anatomy import Plane
from meniscal_measure.errors import InputError
from meniscal_measure.knee.quantity import Basis, TracedQuantity, TracedSlice, Visit
from meniscal_measure.slice_name import SliceName


def test_an_uncertainty_that_was_not_evaluated_is_said() -> None:
    length = TracedQuantity("tunnel length", 41.26, "mm", None, Basis.READER)
    assert length.interval95 is None
    assert length.words == "41.3 mm (u not known)"


@pytest.mark.parametrize(
    ("value", "u"), [(math.nan, 0.1), (math.inf, None), (1.0, -0.1), (1.0, math.nan)]
)
def test_a_number_that_is_none_is_refused(value: float, u: float | None) -> None:
    with pytest.raises(InputError, match="must be finite"):
        TracedQuantity("cleft gap", value, "mm", u, Basis.PIXELS)


def test_a_slice_of_the_follow_up_is_named_as_such() -> None:
    name = SliceName(12, 24, 5)
    assert str(TracedSlice(Plane.CORONAL, name, "1.2")) == "coronal slice 12, image 5"
    follow_up = TracedSlice(Plane.CORONAL, name, "1.2", Visit.FOLLOW_UP)
    assert str(follow_up) == "follow-up coronal slice 12, image 5"


@pytest.mark.parametrize(
    ("unit", "words"),
    [("mm", "2.0 ± 0.2 mm"), ("mm2", "2.0 ± 0.2 mm²"), ("deg", "2.0 ± 0.2°"), ("1", "2.00 ± 0.20")],
)
def test_the_unit_is_written_as_people_write_it(unit: str, words: str) -> None:
    assert TracedQuantity("x", 2.0, unit, 0.1, Basis.READER).words == words


def test_a_value_that_rounds_to_zero_has_no_sign() -> None:
    found = TracedQuantity("x", -0.04, "mm", 0.5, Basis.READER)
    assert found.words.startswith("0.0 ± ")
