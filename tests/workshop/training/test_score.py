"""How proposals are held against the truth, on numbers worked out by hand."""

from meniscal_measure.workshop.training.score import Outcome, Score, summary


def a_score(true_mm: float, found_mm: float, *, slice_error: int = 0) -> Score:
    interval = (found_mm - 0.5, found_mm + 0.5)
    return Score("pd_tse_fs", slice_error, 0.9, true_mm, found_mm, interval)


STACKS = [
    Outcome("drawn", "", 0.9, (a_score(4.0, 4.2), a_score(1.0, 0.4))),
    Outcome(
        "drawn", "", 0.9, (a_score(5.0, 2.9, slice_error=-2), a_score(3.4, 2.0, slice_error=-2))
    ),
    Outcome("drawn", "not a knee", 0.1),
]
LINES = list(summary(STACKS))


def test_declined_stacks_are_counted_and_left_out() -> None:
    assert LINES[0] == "3 stacks, 1 declined, 4 menisci"


def test_errors_are_found_minus_true() -> None:
    assert "n 4, mean absolute error 1.075, median 1.000" in LINES[1]
    assert LINES[2] == "bias -0.975 mm; largest error 2.10 mm"


def test_an_interval_counts_if_it_holds_the_truth() -> None:
    assert LINES[3].startswith("intervals hold 0.250")


def test_the_flag_is_judged_away_from_the_threshold() -> None:
    """3.4 lies within half a millimetre of 3 and is left out; of 4 and 5, 4 is flagged."""
    assert "sensitivity 0.500 of 2" in LINES
    assert "specificity 1.000 of 1" in LINES


def test_the_slice_is_counted_once_a_stack() -> None:
    assert "slice exact 0.500, within one 0.500" in LINES
