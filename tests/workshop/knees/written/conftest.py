"""A small study recipe, and a small cohort, that are quick to image."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from typing import Any

import pytest

RECIPE = """
name = "quick"
seed = 4

[knee]
side = "left"
medial = { body_width_mm = 9.5 }

[extrusion]
medial_mm = 3.4

[scanner]
coil_elements = 2

[[series]]
plane = "coronal"
protocol = "pd_tse_fs"
slices = 3
rows = 96
columns = 80
row_spacing_mm = 1.25
column_spacing_mm = 1.5
thickness_mm = 3.0
spacing_mm = 3.3
rotation_deg = [3.0, -2.0, 5.0]

[[series]]
plane = "sagittal"
protocol = "t1_tse"
slices = 2
rows = 80
columns = 80
row_spacing_mm = 1.5
column_spacing_mm = 1.5
thickness_mm = 4.0
spacing_mm = 20.0
"""

MakeDocument = Callable[[], dict[str, Any]]


@pytest.fixture(scope="session")
def make_document() -> MakeDocument:
    """Read the tables of the recipe afresh."""
    return lambda: tomllib.loads(RECIPE)


@pytest.fixture
def document(make_document: MakeDocument) -> dict[str, Any]:
    """The tables of the recipe, free to be changed."""
    return make_document()


@pytest.fixture(scope="session")
def make_cohort_document(make_document: MakeDocument) -> MakeDocument:
    """A cohort of two knees, two visits and two readers on the coronal series alone."""
    return lambda: {
        "name": "trial",
        "seed": 9,
        "cohort": {
            "knees": 2,
            "visits": 2,
            "medial_extrusion_mean_mm": 2.5,
            "medial_extrusion_sd_mm": 0.5,
            "change_mean_mm": 0.4,
            "change_sd_mm": 0.0,
            "repositioning_deg": 0.0,
            "reader_sd_mm": [0.0, 0.3],
            "reader_bias_mm": [0.5, 0.0],
        },
        "series": make_document()["series"][:1],
    }


@pytest.fixture
def cohort_document(make_cohort_document: MakeDocument) -> dict[str, Any]:
    """The tables of the cohort recipe, free to be changed."""
    return make_cohort_document()
