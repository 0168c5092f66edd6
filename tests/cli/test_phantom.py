"""The phantom commands: a recipe becomes a study or a cohort, a bad one an error that helps."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from meniscal_measure.errors import ExitCode
from tests.command_line import run

SMALL_SERIES = """
[[series]]
plane = "coronal"
protocol = "pd_tse_fs"
slices = 3
rows = 96
columns = 96
row_spacing_mm = 1.2
column_spacing_mm = 1.2
thickness_mm = 3.0
spacing_mm = 3.3
"""
STUDY = f'name = "small"\nseed = 3\n{SMALL_SERIES}'
COHORT = f'name = "few"\nseed = 3\n[cohort]\nknees = 2\nvisits = 1\n{SMALL_SERIES}'


@pytest.mark.usefixtures("without_pictures")
def test_a_recipe_becomes_a_study_that_measures_itself(tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(STUDY)
    folder = tmp_path / "study"
    written = run("phantom", "study", recipe, "--out", folder)
    assert written.exit_code == ExitCode.DONE, written.output

    landmarks, out = str(folder / "landmarks.json"), str(tmp_path / "out")
    measured = run("measure", folder, "--landmarks", landmarks, "--out", out, "--json")
    assert measured.exit_code == ExitCode.DONE, measured.output
    assert json.loads(measured.output)["medial"]["extrusion_mm"] is not None


def test_a_cohort_recipe_becomes_studies_with_a_table_of_the_truth(tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(COHORT)
    result = run("phantom", "cohort", recipe, "--out", tmp_path / "cohort", "--json")
    assert result.exit_code == ExitCode.DONE, result.output
    assert json.loads(result.output)["studies"] == 2
    assert len((tmp_path / "cohort" / "truth.csv").read_text().splitlines()) == 3


def test_a_bad_recipe_names_the_field_and_what_is_allowed(tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(STUDY.replace("slices = 3", "slices = -3"))
    result = run("phantom", "study", recipe, "--out", tmp_path / "study")
    assert result.exit_code == ExitCode.NOTHING_MEASURABLE
    assert "slices" in result.output
    assert not (tmp_path / "study").exists()
