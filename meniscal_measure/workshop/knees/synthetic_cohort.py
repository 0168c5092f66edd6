"""Writing a synthetic cohort: many knees, several visits and readers, with a truth table.

A cohort recipe is a study recipe whose knee is drawn from a population::

    name = "reader-study"
    seed = 5

    [cohort]                    # CohortRecipe
    knees = 20
    visits = 2
    medial_extrusion_mean_mm = 2.8
    medial_extrusion_sd_mm = 1.2
    reader_sd_mm = [0.25, 0.35]
    reader_bias_mm = [0.0, 0.2]

    [population]                # Population: shares of sexes and findings
    medial_root_tear = 0.3

    [scanner]                   # and [files], [[series]] as in a study recipe
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from meniscal_measure.anatomy import Compartment
from meniscal_measure.errors import RecipeError
from meniscal_measure.files import Progress, csv_text, write_text
from meniscal_measure.geometry import FloatArray, as_vector
from meniscal_measure.records.landmark_document import MIN_SD_MM
from meniscal_measure.workshop.knees.parameters import KneeParameters, RootTear
from meniscal_measure.workshop.knees.population import Population, draw_parameters
from meniscal_measure.workshop.knees.recipe import (
    ExtrusionRecipe,
    ImagingRecipe,
    SeriesRecipe,
    StudyRecipe,
    check_tables,
    parse_imaging,
    parse_name,
    parse_seed,
    read_toml,
)
from meniscal_measure.workshop.knees.recipe_fields import bounded, read_table
from meniscal_measure.workshop.knees.repair import repaired, shifted
from meniscal_measure.workshop.knees.scanner.sampling import StackPlane
from meniscal_measure.workshop.knees.study import silent, study_knee, write_study
from meniscal_measure.workshop.knees.synthetic_readers import Reader, placed_by
from meniscal_measure.workshop.knees.truth_file import StudyTruth, write_landmarks

DRAWS = 8
"""Attempts at a knee whose extrusion profile can be moved to the drawn value."""


@dataclass(frozen=True)
class CohortRecipe:
    """Size of a cohort, distribution of its extrusion, and its readers."""

    knees: int = bounded(1, 100_000)
    visits: int = bounded(1, 2, 1)
    medial_extrusion_mean_mm: float = bounded(-1.0, 8.0, 2.5)
    medial_extrusion_sd_mm: float = bounded(0.0, 3.0, 1.2)
    """Normal distribution over knees at the first visit."""
    change_mean_mm: float = bounded(-4.0, 4.0, 0.3)
    change_sd_mm: float = bounded(0.0, 2.0, 0.2)
    """Normal distribution of the change of medial extrusion to the second visit."""
    repositioning_deg: float = bounded(0.0, 5.0, 1.5)
    """Standard deviation of the turn about each axis by which slices differ between visits."""
    repair: bool = False
    """Whether knees with a medial root tear are repaired between the visits."""
    reader_sd_mm: tuple[float, ...] = bounded(0.0, 2.0, (0.25, 0.25))
    """Random error of each reader: standard deviation of one landmark in one direction."""
    reader_bias_mm: tuple[float, ...] = bounded(-2.0, 2.0, (0.0, 0.0))
    """Bias of each reader: mean error of the extrusion."""


@dataclass(frozen=True)
class CohortStudyRecipe:
    """Everything that makes one synthetic cohort."""

    name: str
    seed: int
    cohort: CohortRecipe
    population: Population
    imaging: ImagingRecipe


@dataclass(frozen=True)
class CohortVisit:
    """One visit of one knee as it was written."""

    knee: str
    visit: int
    folder: Path
    parameters: KneeParameters
    truth: StudyTruth


def read_cohort_recipe(path: Path) -> CohortStudyRecipe:
    """Read a cohort recipe.

    Raises
    ------
    RecipeError
        As `meniscal_measure.workshop.knees.recipe.read_recipe`.
    """
    return parse_cohort_recipe(read_toml(path))


def parse_cohort_recipe(document: Mapping[str, Any]) -> CohortStudyRecipe:
    """Turn the tables of a cohort recipe into records."""
    check_tables(
        document,
        required=("name", "seed", "cohort", "series"),
        optional=("population", "scanner", "files"),
    )
    recipe = CohortStudyRecipe(
        name=parse_name(document["name"]),
        seed=parse_seed(document["seed"]),
        cohort=read_table(CohortRecipe, document.get("cohort", {}), "cohort"),
        population=read_table(Population, document.get("population", {}), "population"),
        imaging=parse_imaging(document),
    )
    _check(recipe)
    return recipe


def _check(recipe: CohortStudyRecipe) -> None:
    sds, biases = recipe.cohort.reader_sd_mm, recipe.cohort.reader_bias_mm
    if len(sds) != len(biases):
        raise RecipeError(
            f"cohort.reader_sd_mm has {len(sds)} numbers and cohort.reader_bias_mm {len(biases)};"
            " give one of each for every reader."
        )
    if not sds:
        raise RecipeError(
            "cohort.reader_sd_mm is empty; give a number for each of one reader or more."
        )
    if recipe.imaging.series[0].plane is not StackPlane.CORONAL:
        raise RecipeError("series[0].plane must be coronal: extrusion is measured on it.")


def write_cohort(
    recipe: CohortStudyRecipe, folder: Path, *, progress: Progress = silent
) -> list[CohortVisit]:
    """Draw the knees of a cohort, image every visit and let every reader place landmarks.

    Written are `truth.csv`, a line for each visit; `manifest.csv`, a line for each reading; and
    for each visit a folder as `write_study` writes it, with a `reader-N.json` for each reader.
    """
    total = recipe.cohort.knees * recipe.cohort.visits
    written = []
    for item in _written_visits(recipe, folder):
        written.append(item)
        progress(len(written), total)
    _write_csv(folder / "truth.csv", [_truth_line(item, folder) for item in written])
    _write_csv(folder / "manifest.csv", list(_manifest_lines(recipe, written, folder)))
    return written


def _written_visits(recipe: CohortStudyRecipe, folder: Path) -> Iterator[CohortVisit]:
    digits = len(str(recipe.cohort.knees))
    for number in range(1, recipe.cohort.knees + 1):
        knee = f"{recipe.name}-{number:0{digits}d}"
        rng = np.random.default_rng([recipe.seed, number])
        for visit, parameters in enumerate(_drawn_visits(recipe, rng), start=1):
            place = folder / knee / f"visit-{visit}"
            imaging = recipe.imaging
            if visit > 1:
                # the leg is never positioned the same way twice
                turn_deg = rng.normal(0.0, recipe.cohort.repositioning_deg, 3)
                series = tuple(_turned(item, turn_deg) for item in imaging.series)
                imaging = replace(imaging, series=series)
            seed = recipe.seed + number
            study = StudyRecipe(knee, seed, parameters, ExtrusionRecipe(), imaging)
            truth = write_study(study, place, visit=visit)
            _write_readings(recipe, truth, place, rng)
            yield CohortVisit(knee, visit, place, parameters, truth)


def _turned(series: SeriesRecipe, turn_deg: FloatArray) -> SeriesRecipe:
    return replace(series, rotation_deg=as_vector(np.add(series.rotation_deg, turn_deg)))


def _write_readings(
    recipe: CohortStudyRecipe, truth: StudyTruth, folder: Path, rng: np.random.Generator
) -> None:
    if truth.measured is None or not truth.measured.shown:
        raise RecipeError(
            f"The measured slice of {truth.name} does not show both menisci, so that no reader can"
            " place landmarks; enlarge rows, columns or spacings of series[0], or reduce its"
            " offset_mm and rotation_deg."
        )
    readers = map(Reader, recipe.cohort.reader_sd_mm, recipe.cohort.reader_bias_mm)
    for number, reader in enumerate(readers, start=1):
        placed = placed_by(reader, truth, rng)
        stated_mm = max(reader.sd_mm, MIN_SD_MM)  # a reader without random error states the least
        write_landmarks(truth, folder / f"reader-{number}.json", placed, sd_mm=stated_mm)


def _drawn_visits(recipe: CohortStudyRecipe, rng: np.random.Generator) -> list[KneeParameters]:
    """Draw one knee and how it is at each visit."""
    cohort = recipe.cohort
    extrusion_mm = rng.normal(cohort.medial_extrusion_mean_mm, cohort.medial_extrusion_sd_mm)
    change_mm = rng.normal(cohort.change_mean_mm, cohort.change_sd_mm)
    refusal: RecipeError | None = None
    for _ in range(DRAWS):
        knee = draw_parameters(rng, recipe.population)
        drawn = StudyRecipe(recipe.name, 0, knee, ExtrusionRecipe(), recipe.imaging)
        try:
            baseline = study_knee(drawn, {Compartment.MEDIAL: extrusion_mm})
            torn = baseline.medial_tear.root is not RootTear.NONE
            follow_up = (
                repaired(baseline, extrusion_change_mm=change_mm)
                if cohort.repair and torn
                else shifted(baseline, Compartment.MEDIAL, change_mm)
            )
        except RecipeError as error:  # the profile of this knee does not fit: draw another
            refusal = error
            continue
        return [baseline, follow_up][: cohort.visits]
    raise RecipeError(
        f"No knee with a medial extrusion of {extrusion_mm:.1f} mm, {change_mm:+.1f} mm at the"
        f" second visit, was found in {DRAWS} draws; lower cohort.medial_extrusion_mean_mm or its"
        f" sd, or the change. The last was refused because: {refusal}"
    )


def _truth_line(item: CohortVisit, folder: Path) -> dict[str, Any]:
    coronal, measured, knee = item.truth.coronal, item.truth.measured, item.parameters
    extrusion_mm = measured.extrusion_mm if measured else {}
    return {
        "knee": item.knee,
        "visit": item.visit,
        "side": knee.side.word,
        "sex": knee.sex.value,
        "medial_root_tear": knee.medial_tear.root.value,
        "repaired": "yes" if knee.repair.tunnel_radius_mm > 0 else "no",
        "plateau_width_mm": knee.tibia.plateau_width_mm,
        "medial_extrusion_mm": extrusion_mm.get(Compartment.MEDIAL, ""),
        "lateral_extrusion_mm": extrusion_mm.get(Compartment.LATERAL, ""),
        "measured_slice": measured.index if measured else "",
        "series_instance_uid": coronal.identity.series_instance_uid if coronal else "",
        "path": item.folder.relative_to(folder).as_posix(),
    }


def _manifest_lines(
    recipe: CohortStudyRecipe, visits: Sequence[CohortVisit], folder: Path
) -> Iterator[dict[str, Any]]:
    for item in visits:
        path = item.folder.relative_to(folder).as_posix()
        knee = item.parameters  # a repaired tear counts: the group of a knee never changes
        had_tear = knee.medial_tear.root is not RootTear.NONE or knee.repair.tunnel_radius_mm > 0
        for reader in range(1, len(recipe.cohort.reader_sd_mm) + 1):
            yield {
                "subject": item.knee,
                "visit": item.visit,
                "side": knee.side.word,
                "group": "root tear" if had_tear else "no root tear",
                "path": path,
                "landmarks": f"{path}/reader-{reader}.json",
                "reader": f"reader-{reader}",
            }


def _write_csv(path: Path, lines: Sequence[Mapping[str, Any]]) -> None:
    write_text(path, csv_text(list(lines[0]), (line.values() for line in lines)))
