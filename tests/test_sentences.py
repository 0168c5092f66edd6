"""What is printed steers no terminal, and says no more than it may."""

from __future__ import annotations

import sys
import unicodedata

from meniscal_measure.sentences import LEFT_OUT, Sentence, printable

STEERING = ("Cc", "Cf", "Zl", "Zp")
"""Categories of Unicode of what is not drawn: controls, directions of writing, line ends."""


def test_nothing_that_steers_a_terminal_is_printable() -> None:
    """Among them U+009B, which many terminals take for the start of a command."""
    letters = (chr(number) for number in range(sys.maxunicode + 1))
    steering = [letter for letter in letters if unicodedata.category(letter) in STEERING]
    assert "\x1b" in steering
    assert "\x9b" in steering
    assert {printable(f"a{letter}b") for letter in steering} == {"a b"}
    assert printable("a\nb\rc", keep="\n") == "a\nb c"


def test_a_private_value_is_left_out_whatever_is_in_it() -> None:
    for value in ('the "Doe" knee', "Doe: {file}", "Doe. Doe", "", 7):
        said = Sentence("{file:private} is empty.", {"file": value})
        assert said.words(identifiers=False) == f"{LEFT_OUT} is empty."
