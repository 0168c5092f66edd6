"""`phantom`: synthetic knees with known truth, written as DICOM."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from meniscal_measure.cli.common import AsJson, OutFolder, print_json, progress_bar, reported, say

app = typer.Typer(help="Write synthetic knees with exactly known landmarks.", no_args_is_help=True)

Recipe = Annotated[Path, typer.Argument(metavar="RECIPE", help="Recipe file (TOML).")]


@app.command()
def study(recipe: Recipe, out: OutFolder, as_json: AsJson = False) -> None:
    """Write one synthetic study: DICOM series, exact truth and a landmark file."""
    with reported(as_json=as_json):
        from meniscal_measure.workshop.knees.recipe import read_recipe
        from meniscal_measure.workshop.knees.study import write_study

        asked = read_recipe(recipe)
        with progress_bar("Imaging", shown=not as_json) as progress:
            truth = write_study(asked, out, progress=progress)
        series = [part.identity.series_instance_uid for part in truth.series]
        if as_json:
            print_json({"folder": str(out), "name": truth.name, "series_instance_uids": series})
        else:
            has_landmarks = truth.measured is not None and truth.measured.shown
            ending = "landmarks.json" if has_landmarks else "no slice that shows both menisci"
            say(f"Written to {out}: {truth.name}, {len(series)} series, truth.json, {ending}.")


@app.command()
def cohort(recipe: Recipe, out: OutFolder, as_json: AsJson = False) -> None:
    """Write a synthetic reader study: many knees, visits and readers, with a table of the truth."""
    with reported(as_json=as_json):
        from meniscal_measure.workshop.knees.synthetic_cohort import (
            read_cohort_recipe,
            write_cohort,
        )

        asked = read_cohort_recipe(recipe)
        with progress_bar("Imaging", shown=not as_json) as progress:
            visits = write_cohort(asked, out, progress=progress)
        if as_json:
            print_json({"folder": str(out), "name": asked.name, "studies": len(visits)})
        else:
            say(f"Written to {out}: {len(visits)} studies, truth.csv, manifest.csv.")
