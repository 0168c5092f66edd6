"""Written cohorts: the truth table, the visits, and readers who err as stated."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import meniscal_measure
from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.cohort.manifest import Manifest
from meniscal_measure.errors import RecipeError
from meniscal_measure.geometry import unit_vector
from meniscal_measure.workshop.knees.synthetic_cohort import (
    CohortVisit,
    parse_cohort_recipe,
    write_cohort,
)
from meniscal_measure.workshop.knees.synthetic_readers import Reader, placed_by

Written = tuple[Path, list[CohortVisit]]


@pytest.fixture(scope="module")
def written(
    make_cohort_document: Callable[[], dict[str, Any]], tmp_path_factory: pytest.TempPathFactory
) -> Written:
    folder = tmp_path_factory.mktemp("cohort")
    return folder, write_cohort(parse_cohort_recipe(make_cohort_document()), folder)


def test_the_truth_table_has_a_line_for_each_visit(written: Written) -> None:
    folder, visits = written
    with (folder / "truth.csv").open(newline="") as stream:
        lines = list(csv.DictReader(stream))
    assert [(line["knee"], line["visit"]) for line in lines] == [
        *(("trial-1", "1"), ("trial-1", "2"), ("trial-2", "1"), ("trial-2", "2"))
    ]
    for line, visit in zip(lines, visits, strict=True):
        assert visit.truth.measured is not None
        known = visit.truth.measured.extrusion_mm[Compartment.MEDIAL]
        assert float(line["medial_extrusion_mm"]) == known
        assert (folder / line["path"] / "truth.json").is_file()


def test_visits_differ_by_the_stated_change(written: Written) -> None:
    _, visits = written
    for first, second in (visits[:2], visits[2:]):
        assert first.knee == second.knee
        assert first.truth.measured is not None
        assert second.truth.measured is not None
        change = (
            second.truth.measured.extrusion_mm[Compartment.MEDIAL]
            - first.truth.measured.extrusion_mm[Compartment.MEDIAL]
        )
        assert change == pytest.approx(0.4, abs=0.05)


def test_the_manifest_is_one_the_cohort_run_reads(written: Written) -> None:
    folder, _ = written
    entries = list(Manifest(folder / "manifest.csv"))
    assert len(entries) == 2 * 2 * 2
    assert {entry.reader for entry in entries} == {"reader-1", "reader-2"}


def test_a_reader_with_a_bias_alone_reads_too_much_by_that(written: Written) -> None:
    for visit in written[1]:
        landmarks = visit.folder / "reader-1.json"
        reading = meniscal_measure.measure(visit.folder, landmarks=landmarks)
        assert reading.medial is not None
        assert visit.truth.measured is not None
        known = visit.truth.measured.extrusion_mm[Compartment.MEDIAL]
        assert reading.medial.extrusion.extrusion_mm - known == pytest.approx(0.5, abs=1e-7)


def test_a_reader_errs_at_random_by_the_stated_standard_deviation(written: Written) -> None:
    truth = written[1][0].truth
    assert truth.measured is not None
    points = truth.measured.points[Compartment.MEDIAL]
    outward = unit_vector(
        np.array(points[Landmark.RIM])
        - np.array(truth.measured.points[Compartment.LATERAL][Landmark.RIM])
    )
    rng = np.random.default_rng(1)
    key = (truth.measured.index, Compartment.MEDIAL, Landmark.OUTER_EDGE)
    placed = np.array([placed_by(Reader(0.3, 0.2), truth, rng)[key] for _ in range(400)])
    errors = placed - np.array(points[Landmark.OUTER_EDGE])
    assert (errors @ outward).mean() == pytest.approx(0.2, abs=0.06)
    assert (errors @ outward).std() == pytest.approx(0.3, abs=0.04)
    assert np.abs(errors @ truth.measured.grid.normal).max() < 1e-9


def test_slices_lie_a_little_differently_at_the_second_visit(
    cohort_document: dict[str, Any], tmp_path: Path
) -> None:
    cohort_document["cohort"] |= {"knees": 1, "repositioning_deg": 2.0}
    first, second = write_cohort(parse_cohort_recipe(cohort_document), tmp_path)
    normals = []
    for visit in (first, second):
        assert visit.truth.measured is not None
        normals.append(visit.truth.measured.grid.normal)
    turned_deg = np.degrees(np.arccos(normals[0] @ normals[1]))
    assert 0.1 < turned_deg < 10


def test_a_distribution_without_spread_gives_its_mean_to_every_knee(
    cohort_document: dict[str, Any], tmp_path: Path
) -> None:
    cohort_document["cohort"] |= {"visits": 1, "medial_extrusion_sd_mm": 0.0}
    for visit in write_cohort(parse_cohort_recipe(cohort_document), tmp_path):
        assert visit.truth.measured is not None
        extrusion_mm = visit.truth.measured.extrusion_mm[Compartment.MEDIAL]
        assert extrusion_mm == pytest.approx(2.5, abs=1e-8)


def test_an_extrusion_that_no_knee_can_have_is_refused(
    cohort_document: dict[str, Any], tmp_path: Path
) -> None:
    cohort_document["cohort"] |= {"medial_extrusion_mean_mm": 8.0, "change_mean_mm": 4.0}
    cohort_document["cohort"] |= {"medial_extrusion_sd_mm": 3.0}
    with pytest.raises(RecipeError, match="was found in 8 draws; lower"):
        write_cohort(parse_cohort_recipe(cohort_document), tmp_path)


def test_progress_is_reported_after_each_visit(
    cohort_document: dict[str, Any], tmp_path: Path
) -> None:
    cohort_document["cohort"] |= {"knees": 1}
    reported: list[tuple[int, int]] = []
    write_cohort(
        parse_cohort_recipe(cohort_document),
        tmp_path,
        progress=lambda done, total: reported.append((done, total)),
    )
    assert reported == [(1, 2), (2, 2)]


def test_a_cohort_whose_slices_do_not_show_the_menisci_is_refused(
    cohort_document: dict[str, Any], tmp_path: Path
) -> None:
    cohort_document["series"][0] |= {"column_spacing_mm": 0.7, "slices": 1}
    message = "measured slice of trial-1 does not show both menisci.* enlarge rows, columns"
    with pytest.raises(RecipeError, match=message):
        write_cohort(parse_cohort_recipe(cohort_document), tmp_path)


def test_a_cohort_without_a_fitting_knee_says_what_refused_the_last(
    cohort_document: dict[str, Any], tmp_path: Path
) -> None:
    cohort_document["series"][0]["offset_mm"] = [0.0, 60.0, 0.0]
    with pytest.raises(
        RecipeError, match=r"The last was refused because: .* does not cut the body"
    ):
        write_cohort(parse_cohort_recipe(cohort_document), tmp_path)
