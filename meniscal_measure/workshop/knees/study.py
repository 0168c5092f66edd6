"""Writing one synthetic study: its DICOM series, its truth and a landmark file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from meniscal_measure.anatomy import Compartment
from meniscal_measure.errors import OutputError, RecipeError
from meniscal_measure.files import Progress, written_whole
from meniscal_measure.geometry import PixelGrid, Vector, as_vector
from meniscal_measure.workshop.knees.dicom.classic import classic_datasets
from meniscal_measure.workshop.knees.dicom.encode import store
from meniscal_measure.workshop.knees.dicom.enhanced import enhanced_dataset
from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity, study_identity, uid_for
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.recipe import (
    ExtrusionRecipe,
    FileForm,
    FilesRecipe,
    ScannerRecipe,
    SeriesRecipe,
    StudyRecipe,
)
from meniscal_measure.workshop.knees.scanner.acquire import Scanner, scan
from meniscal_measure.workshop.knees.scanner.fat_suppression import SuppressionFailure
from meniscal_measure.workshop.knees.scanner.image import ScannedStack
from meniscal_measure.workshop.knees.scanner.kspace import Motion
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS
from meniscal_measure.workshop.knees.scanner.receive import Coil
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane, stack_grids
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee, with_extrusion
from meniscal_measure.workshop.knees.truth_file import (
    StudyTruth,
    series_truth,
    write_landmarks,
    write_truth,
)

HEAD: Vector = (0.0, 0.0, 1.0)


@dataclass(frozen=True)
class SyntheticSeries:
    """One series of a synthetic knee, imaged but not yet written."""

    stack: ScannedStack
    identity: SeriesIdentity
    measured_slice: int | None
    """Index of the slice through the apex of the medial spine; None unless coronal."""


def silent(done: int, total: int) -> None:
    """Report no progress."""


def write_study(
    recipe: StudyRecipe, folder: Path, *, visit: int = 1, progress: Progress = silent
) -> StudyTruth:
    """Image the knee of a recipe and write its study.

    Written are one folder of DICOM files for each series, its label map where asked for,
    `truth.json`, and, if the measured slice of a coronal series shows both menisci,
    `landmarks.json` with the exact landmarks. `visit` is 1 for the baseline, 2 for the follow-up.

    Raises
    ------
    RecipeError
        If the measured slice cannot have the extrusion asked for.
    OutputError
        If the folder holds a study already, or cannot be written.
    """
    _claim(folder)
    knee = SyntheticKnee(study_knee(recipe, wanted_extrusion(recipe.extrusion)))
    files, series = recipe.imaging.files, []
    for item in imaged_series(recipe, knee, visit=visit, progress=progress):
        place = folder / f"series-{item.identity.number}"
        _store_series(item, place, files)
        if files.labels:
            with written_whole(place.with_name(f"{place.name}-labels.npy")) as stream:
                np.save(stream, item.stack.labels)
        truth_of_series = series_truth(
            knee,
            item.stack.grids,
            item.identity,
            measured_slice=item.measured_slice,
            one_object=files.form is FileForm.ENHANCED,
        )
        series.append(truth_of_series)
    truth = StudyTruth(recipe.name, recipe.seed, knee.parameters.side, tuple(series))
    write_truth(truth, folder / "truth.json")
    write_landmarks(truth, folder / "landmarks.json")
    return truth


def _claim(folder: Path) -> None:
    """Make the folder before the long work; refuse one that already holds series."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"Cannot make {folder}: {error.strerror}. Name a folder you may write to."
        ) from error
    if any(folder.glob("series-*")):
        raise OutputError(
            f"{folder} holds a study already. Name another folder, or remove its series first."
        )


def wanted_extrusion(recipe: ExtrusionRecipe) -> dict[Compartment, float]:
    """Return the extrusions a recipe asks for.

    Examples
    --------
    >>> wanted_extrusion(ExtrusionRecipe(medial_mm=3.0))
    {<Compartment.MEDIAL: 'medial'>: 3.0}
    """
    wanted = {Compartment.MEDIAL: recipe.medial_mm, Compartment.LATERAL: recipe.lateral_mm}
    return {name: value for name, value in wanted.items() if value is not None}


def study_knee(recipe: StudyRecipe, extrusion_mm: Mapping[Compartment, float]) -> KneeParameters:
    """Set the extrusion of the recipe's knee on the measured slice of its first coronal series.

    Raises
    ------
    RecipeError
        If there is no such series, or its slice cannot have that extrusion.
    """
    parameters = recipe.knee
    coronal = next(
        (item for item in recipe.imaging.series if item.plane is StackPlane.CORONAL), None
    )
    for compartment, wanted_mm in extrusion_mm.items():
        if coronal is None:
            raise RecipeError(
                "extrusion is given, but no [[series]] has plane coronal to measure it on."
            )
        grid = measured_grid(coronal, SyntheticKnee(parameters))
        try:
            parameters = with_extrusion(
                parameters, grid, compartment=compartment, extrusion_mm=wanted_mm
            )
        except RecipeError as error:
            raise RecipeError(f"extrusion.{compartment}_mm is {wanted_mm:g}: {error}") from error
    return parameters


def imaged_series(
    recipe: StudyRecipe, knee: SyntheticKnee, *, visit: int = 1, progress: Progress = silent
) -> list[SyntheticSeries]:
    """Image every series of a recipe, without writing anything."""
    study = study_identity(recipe.name, recipe.seed, knee.parameters.side, visit=visit)
    scanner = build_scanner(recipe.imaging.scanner)
    total = sum(item.slices for item in recipe.imaging.series)
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        progress(done, total)

    series = []
    for number, item in enumerate(recipe.imaging.series, start=1):
        stack = scan(
            knee,
            plan_of(item, knee),
            PROTOCOLS[item.protocol],
            scanner=scanner,
            seeds=(recipe.seed, number + 1000 * visit),
            progress=step,
        )
        description = f"{item.plane.value[:3].upper()} {stack.protocol.description}"
        uid = uid_for(study.study_instance_uid, "series", number)
        identity = SeriesIdentity(study, uid, number, description)
        measured = item.slices // 2 if item.plane is StackPlane.CORONAL else None
        series.append(SyntheticSeries(stack, identity, measured))
    return series


def plan_of(series: SeriesRecipe, knee: SyntheticKnee) -> StackPlan:
    """Lay a stack through the joint; a coronal one with a slice through the medial spine's apex."""
    centred = StackPlan(
        plane=series.plane,
        slices=series.slices,
        rows=series.rows,
        columns=series.columns,
        row_spacing_mm=series.row_spacing_mm,
        column_spacing_mm=series.column_spacing_mm,
        thickness_mm=series.thickness_mm,
        spacing_mm=series.spacing_mm,
        centre_mm=series.offset_mm,
        rotation_deg=series.rotation_deg,
    )
    if series.plane is not StackPlane.CORONAL:
        return centred
    measured = stack_grids(centred)[centred.slices // 2]
    apex = np.array(knee.mid_coronal.medial_spine_apex) + centred.centre_mm
    move_mm = float(measured.off_plane_mm(apex)) * measured.normal
    return replace(centred, centre_mm=as_vector(np.array(centred.centre_mm) + move_mm))


def measured_grid(series: SeriesRecipe, knee: SyntheticKnee) -> PixelGrid:
    """Plane of the measured slice of a coronal series.

    Examples
    --------
    >>> from meniscal_measure.workshop.knees.scanner.protocols import ProtocolName
    >>> series = SeriesRecipe(StackPlane.CORONAL, ProtocolName.PD_3D, 3, 64, 64, 1.0, 1.0, 1.0, 1.0)
    >>> measured_grid(series, SyntheticKnee(KneeParameters())).rows
    64
    """
    return stack_grids(plan_of(series, knee))[series.slices // 2]


def build_scanner(recipe: ScannerRecipe) -> Scanner:
    """Build the scanner a recipe describes.

    Examples
    --------
    >>> build_scanner(ScannerRecipe(snr=25.0)).snr
    25.0
    """
    moving = recipe.motion_mm > 0
    failing = recipe.fat_suppression_failure > 0
    return Scanner(
        field_strength_t=recipe.field_strength.tesla,
        snr=recipe.snr,
        matrix_fraction=(recipe.phase_fraction, recipe.frequency_fraction),
        ringing_filter=recipe.ringing_filter,
        coil=Coil(recipe.coil_elements, falloff=recipe.coil_falloff),
        motion=Motion(recipe.motion_mm, recipe.motion_period_lines) if moving else None,
        failure=SuppressionFailure(recipe.fat_suppression_failure, HEAD) if failing else None,
        texture=recipe.texture,
        chemical_shift=recipe.chemical_shift,
    )


def _store_series(series: SyntheticSeries, folder: Path, files: FilesRecipe) -> None:
    """Write the files of a series under names that say nothing of their order."""
    if files.form is FileForm.ENHANCED:
        datasets = [enhanced_dataset(series.stack, series.identity)]
    else:
        datasets = classic_datasets(series.stack, series.identity)
    for dataset in datasets:
        name = f"{int(dataset.SOPInstanceUID.rpartition('.')[2]) % 16**8:08x}.dcm"
        store(dataset, folder / name, files.encoding)
