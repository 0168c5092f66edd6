from __future__ import annotations

from collections.abc import Iterator

import pytest
from matplotlib.figure import Figure

from meniscal_measure.report import fonts
from meniscal_measure.report.canvas import blank
from meniscal_measure.report.fonts import FONT, drawable, families, is_simple, outlines


def need_font_for(text: str) -> None:
    letters = {ord(letter) for letter in text if not letter.isspace()}
    if not any(letters <= drawn for drawn in fonts._coverage().values()):
        pytest.skip(f"no font of this machine draws {text!r}")


@pytest.fixture
def no_other_fonts(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A machine that has the fonts of matplotlib only."""
    monkeypatch.setattr(fonts, "_coverage", dict)
    for cached in (fonts.drawable, fonts.families):
        cached.cache_clear()
    yield
    for cached in (fonts.drawable, fonts.families):
        cached.cache_clear()


@pytest.mark.parametrize("text", ["Ångström", "Σωκράτης", "Достоевский", "Nguyễn", "Łukasz"])
def test_dejavu_draws_latin_greek_and_cyrillic_alone(text: str) -> None:
    assert families(text) == (FONT,)
    assert drawable(text) == text
    assert is_simple(text)


@pytest.mark.parametrize("text", ["سارة", "שרה"])
def test_text_from_right_to_left_is_drawn_everywhere_and_shaped(text: str) -> None:
    assert drawable(text) == text
    assert not is_simple(text)


@pytest.mark.parametrize("text", ["ᶁ", "山田 花子", "김민수", "राम कुमार"])
def test_a_font_of_the_machine_draws_other_scripts(text: str) -> None:
    """The first is drawn by a font that matplotlib brings, STIX, and not by DejaVu Sans."""
    need_font_for(text)
    assert drawable(text) == text
    path, width_pt = outlines(text, 10)
    assert families(text)[0] != FONT
    assert path.get_extents().width == pytest.approx(width_pt, abs=2)


def test_arabic_letters_join() -> None:
    """Joined, three letters beh are narrower than three of them apart (Unicode 16, ch. 9.2)."""
    _, joined_pt = outlines("ببب", 10)
    _, single_pt = outlines("ب", 10)
    assert joined_pt < 0.8 * 3 * single_pt


def test_a_vowel_sign_of_devanagari_is_drawn_before_its_consonant() -> None:
    """U+093F is written to the left of what it follows (Unicode 16, ch. 12.1)."""
    need_font_for("कि")
    alone, _ = outlines("क", 10)
    marked, _ = outlines("कि", 10)
    assert marked.get_extents().width > alone.get_extents().width


@pytest.mark.usefixtures("no_other_fonts")
def test_what_no_font_draws_stands_as_code_points_and_never_as_boxes() -> None:
    assert drawable("Dr. 山田") == "Dr. [U+5C71][U+7530]"


@pytest.mark.parametrize("letter", ["\x1b", "\x00", "\n", "\u202e", "\u2066", "\ufeff"])
def test_what_cannot_be_seen_is_shown_as_a_code_point(letter: str) -> None:
    assert drawable(f"a{letter}b") == f"a[U+{ord(letter):04X}]b"


def test_letters_and_accents_are_put_together() -> None:
    assert drawable("Mu\N{COMBINING DIAERESIS}ller") == "Müller"


def test_figures_draw_names_in_any_script_without_a_missing_glyph(
    recwarn: pytest.WarningsRecorder,
) -> None:
    region = blank(3, 1)
    for text in ("山田 花子", "سارة", "राम कुमार", "\U0001ffff", "$x_1$"):
        region.text(0.1, 0.1, text)
    assert isinstance(region.figure, Figure)
    region.figure.draw_without_rendering()
    assert [str(warning.message) for warning in recwarn] == []
