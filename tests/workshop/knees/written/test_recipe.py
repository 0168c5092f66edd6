"""Recipes: what they accept, and errors that name the field and the allowed range."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import RecipeError
from meniscal_measure.workshop.knees.dicom.encode import TransferSyntax
from meniscal_measure.workshop.knees.parameters import KneeParameters, RootTear
from meniscal_measure.workshop.knees.recipe import FileForm, parse_recipe, read_recipe
from meniscal_measure.workshop.knees.scanner.protocols import ProtocolName
from meniscal_measure.workshop.knees.scanner.sampling import StackPlane
from meniscal_measure.workshop.knees.synthetic_cohort import parse_cohort_recipe


def put(document: dict[str, Any], path: str, value: object) -> None:
    """Set an entry of nested tables by its dotted name."""
    *tables, name = path.split(".")
    place: Any = document
    for table in tables:
        place = place[int(table)] if table.isdigit() else place.setdefault(table, {})
    place[name] = value


def test_a_recipe_names_only_what_differs_from_an_average_knee(document: dict[str, Any]) -> None:
    recipe = parse_recipe(document)
    assert recipe.knee.side is Side.LEFT
    assert recipe.knee.medial.body_width_mm == 9.5
    assert recipe.knee.lateral == KneeParameters().lateral
    assert recipe.imaging.scanner.coil_elements == 2
    assert recipe.extrusion.medial_mm == 3.4
    assert recipe.extrusion.lateral_mm is None
    assert [item.plane for item in recipe.imaging.series] == [
        StackPlane.CORONAL,
        StackPlane.SAGITTAL,
    ]
    assert recipe.imaging.series[0].protocol is ProtocolName.PD_TSE_FS
    assert recipe.imaging.series[0].rotation_deg == (3.0, -2.0, 5.0)


def test_words_choose_findings_and_file_forms(document: dict[str, Any]) -> None:
    put(document, "knee.medial_tear", {"root": "2", "root_gap_mm": 4})
    put(document, "files", {"form": "enhanced", "encoding": "jpeg_2000"})
    recipe = parse_recipe(document)
    assert recipe.knee.medial_tear.root is RootTear.COMPLETE
    assert recipe.knee.medial_tear.root_gap_mm == 4.0
    assert recipe.imaging.files.form is FileForm.ENHANCED
    assert recipe.imaging.files.encoding is TransferSyntax.JPEG_2000


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("name", "My Knee", "name is 'My Knee'; allowed are 1 to 32 lower-case letters"),
        ("name", "", "name is ''; allowed are 1 to 32"),
        ("seed", -1, "seed is -1; allowed is a whole number from 0 to 2147483647"),
        ("seed", 1.5, "seed is 1.5; allowed is a whole number"),
        ("knee.side", "port", "knee.side is 'port'; allowed is one of left, right"),
        ("knee.hip", 1, "knee has no field 'hip'. Its fields are: side, sex, tibia"),
        ("knee.medial.body_width_mm", 40, "knee.medial.body_width_mm is 40; allowed is a number"),
        ("knee.medial.body_width_mm", True, "knee.medial.body_width_mm is True; allowed"),
        ("knee.medial", 3, "knee.medial is 3; it must be a table of fields"),
        ("knee", 3, "knee is 3; it must be a table of fields"),
        ("extrusion.medial_mm", 40.0, "extrusion.medial_mm is 40.0; allowed is a number from -8"),
        ("scanner.snr", float("nan"), "scanner.snr is nan; allowed is a number from 2 to 1000"),
        ("scanner.field_strength", 7, "scanner.field_strength is 7; allowed is one of 1.5 T, 3 T"),
        ("scanner.chemical_shift", 1, "scanner.chemical_shift is 1; allowed is true or false"),
        ("files.encoding", "zip", "files.encoding is 'zip'; allowed is one of uncompressed, rle"),
        ("series", [], "series must be one [[series]] table or more"),
        ("series.0.slices", 0, "series[0].slices is 0; allowed is a whole number from 1 to 400"),
        ("series.1.slices", 2.5, "series[1].slices is 2.5; allowed is a whole number"),
        ("series.0.plane", "oblique", "series[0].plane is 'oblique'; allowed is one of coronal"),
        ("series.0.rotation_deg", [1, 2], "allowed is a list of 3 numbers from -45 to 45"),
        ("series.0.rotation_deg", [1, 2, 60], "allowed is a list of 3 numbers from -45 to 45"),
        ("series.0.offset_mm", [10**400, 0, 0], "allowed is a list of 3 numbers from -80 to 80"),
        ("scanner.snr", 10**400, "allowed is a number from 2 to 1000"),
        ("notes", "x", "The recipe has no entry 'notes'. Its entries are: name, seed, series"),
    ],
)
def test_a_bad_value_is_refused_by_name_and_range(
    document: dict[str, Any], field: str, value: object, message: str
) -> None:
    put(document, field, value)
    with pytest.raises(RecipeError, match=re.escape(message)):
        parse_recipe(document)


@pytest.mark.parametrize("entry", ["name", "seed", "series"])
def test_what_must_be_given_is_asked_for(document: dict[str, Any], entry: str) -> None:
    del document[entry]
    with pytest.raises(RecipeError, match=f"The recipe lacks {entry}"):
        parse_recipe(document)


def test_a_series_without_spacing_is_refused(document: dict[str, Any]) -> None:
    del document["series"][0]["row_spacing_mm"]
    with pytest.raises(RecipeError, match=r"series\[0\] lacks row_spacing_mm, .* from 0.1 to 3"):
        parse_recipe(document)


def test_a_file_that_is_no_toml_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "recipe.toml"
    path.write_text("name = ")
    with pytest.raises(RecipeError, match=r"Cannot read the recipe .*recipe\.toml"):
        read_recipe(path)
    with pytest.raises(RecipeError, match=r"Cannot read the recipe .*absent\.toml"):
        read_recipe(tmp_path / "absent.toml")


@pytest.mark.parametrize("text", ["seed = " + "9" * 5000, "name = " + "[" * 3000 + "]" * 3000])
def test_numbers_and_nests_beyond_the_reader_of_toml_are_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "recipe.toml"
    path.write_text(text)
    with pytest.raises(RecipeError, match=r"Cannot read the recipe .*recipe\.toml"):
        read_recipe(path)


def test_a_byte_order_mark_is_ignored(tmp_path: Path) -> None:
    """Editors on some systems begin UTF-8 files with one."""
    path = tmp_path / "recipe.toml"
    path.write_text("\ufeffname = 'knee'", encoding="utf-8")
    with pytest.raises(RecipeError, match="The recipe lacks seed"):
        read_recipe(path)


def test_a_study_that_memory_could_not_hold_is_refused(document: dict[str, Any]) -> None:
    document["series"][0] |= {"slices": 400, "rows": 512, "columns": 512}
    message = r"series have 104,870,\d{3} pixels in all .* allowed are up to 80,000,000"
    with pytest.raises(RecipeError, match=message):
        parse_recipe(document)


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("cohort.knees", 0, "cohort.knees is 0; allowed is a whole number from 1 to 100000"),
        ("cohort.visits", 3, "cohort.visits is 3; allowed is a whole number from 1 to 2"),
        ("cohort.reader_sd_mm", [0.1], "reader_sd_mm has 1 numbers and cohort.reader_bias_mm 2"),
        ("cohort.reader_sd_mm", [0.1, 9], "cohort.reader_sd_mm is [0.1, 9]; allowed is a list of"),
        ("population", {"male": 2.0}, "population.male is 2.0; allowed is a number from 0 to 1"),
        ("series.0.plane", "axial", "series[0].plane must be coronal"),
        ("knee", {}, "The recipe has no entry 'knee'"),
    ],
)
def test_a_bad_cohort_is_refused_by_name_and_range(
    cohort_document: dict[str, Any], field: str, value: object, message: str
) -> None:
    put(cohort_document, field, value)
    with pytest.raises(RecipeError, match=re.escape(message)):
        parse_cohort_recipe(cohort_document)


def test_a_cohort_without_readers_is_refused(cohort_document: dict[str, Any]) -> None:
    cohort_document["cohort"] |= {"reader_sd_mm": [], "reader_bias_mm": []}
    with pytest.raises(RecipeError, match=r"cohort.reader_sd_mm is empty; give a number for each"):
        parse_cohort_recipe(cohort_document)
