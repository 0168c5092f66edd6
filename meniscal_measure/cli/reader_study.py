"""`cohort assign`, `collect`, `adjudicate`, `sample-size`: the steps of a reader study."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from meniscal_measure.caliper.reading import AxisConvention
from meniscal_measure.cli.cohort_options import STORE, ManifestPath, StorePath
from meniscal_measure.cli.common import OutFolder, reported, say

if TYPE_CHECKING:
    from collections.abc import Mapping


def assign(
    manifest: ManifestPath,
    out: OutFolder,
    readers: Annotated[
        list[str], typer.Option("--reader", help="Name of a reader; once for each.")
    ],
    repeats: Annotated[
        int, typer.Option(min=0, help="Knees that each reader reads twice, without notice.")
    ] = 0,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the random order.")] = 1,
) -> None:
    """Assign the knees of a manifest to readers: a work list for each, and the key to the codes."""
    with reported(as_json=False):
        from meniscal_measure.cohort.assignment import key_csv, plan_readings, work_list_csv
        from meniscal_measure.cohort.blinded_images import write_blinded_images
        from meniscal_measure.cohort.manifest import Manifest, manifest_csv
        from meniscal_measure.files import write_text

        knees = tuple(Manifest(manifest))
        excluded = [entry for entry in knees if entry.exclude]
        plan = plan_readings(
            knees, readers, repeats=repeats, seed=seed, landmarks=out.absolute() / "landmarks"
        )
        images = out.absolute() / "images"
        write_blinded_images(plan, images)
        for reader in plan.readers:
            write_text(out / f"work-list-{reader}.csv", work_list_csv(plan, reader, images))
        write_text(out / "key.csv", key_csv(plan))
        write_text(out / "manifest.csv", manifest_csv([*plan.entries, *excluded]))
        say(f"{plan.sentence}\nWritten to {out}. Do not show readers key.csv and manifest.csv.")


def collect(
    manifest: Annotated[
        Path, typer.Argument(metavar="MANIFEST", help="Manifest that assign wrote.")
    ],
    signed: Annotated[
        list[Path],
        typer.Argument(
            metavar="SIGNED...", help="Stores of the review page that hold the signed readings."
        ),
    ],
    out: Annotated[Path, typer.Option(help="Manifest to write, for measuring.")],
) -> None:
    """Collect what readers signed on the review page: landmarks, who signed, and when.

    A rejected or unsigned reading stays in the manifest written, with the reason.
    """
    with reported(as_json=False):
        from meniscal_measure.cohort.collect import collect as collect_signed
        from meniscal_measure.cohort.manifest import Manifest, manifest_csv
        from meniscal_measure.files import write_text
        from meniscal_measure.records.signed_readings import signed_readings

        entries = tuple(Manifest(manifest))
        found = collect_signed(entries, [one for path in signed for one in signed_readings(path)])
        write_text(out, manifest_csv(found.entries))
        for one in found.unknown:
            say(
                f"Not in the manifest: {one.knee} signed by {one.reader}, round {one.round}.",
                err=True,
            )
        say(
            f"{found.measurable} signed readings, {found.rejected} rejected, {found.waiting} not"
            f" signed yet. Written: {out}"
        )
        _say_axes(found.axes)


def _say_axes(axes: Mapping[AxisConvention, int]) -> None:
    """Say along which axis to measure: only along the signed one is a reading verified."""
    if len(axes) == 1:
        say(f"Measure them as they were signed: cohort measure --axis {next(iter(axes))}")
    elif axes:
        counts = ", ".join(f"{count} along {axis}" for axis, count in axes.items())
        say(
            f"Signed along different axes: {counts}. A run measures along one (cohort measure"
            " --axis), and the others do not count as verified: have them signed along the same"
            " axis (review --axis), then collect again.",
            err=True,
        )


def adjudicate(
    out: Annotated[Path, typer.Option(help="Table to write.")],
    store: StorePath = STORE,
    compartment: Annotated[
        Literal["medial", "lateral"], typer.Option(help="Compartment that is compared.")
    ] = "medial",
    limit_mm: Annotated[
        float | None,
        typer.Option(min=0, help="Difference that counts; else the smallest detectable change."),
    ] = None,
) -> None:
    """List the knees on which readers differ beyond error or on the flag, for adjudication."""
    with reported(as_json=False):
        from meniscal_measure.anatomy import Compartment
        from meniscal_measure.cohort.adjudication import adjudication_csv, to_adjudicate
        from meniscal_measure.cohort.reader_agreement import detectable_change
        from meniscal_measure.cohort.readings import load_readings
        from meniscal_measure.cohort.store import Store
        from meniscal_measure.files import write_text

        with Store.existing(store) as opened:
            readings = load_readings(opened, Compartment(compartment))
        detectable = detectable_change(readings)
        said = detectable.words if limit_mm is None else f"{limit_mm:.2f} mm (from the option)"
        found = list(to_adjudicate(readings, detectable.value_mm if limit_mm is None else limit_mm))
        write_text(out, adjudication_csv(found))
        say(f"{len(found)} knees differ by more than {said}, or on the flag. Written: {out}")


def sample_size(
    icc: Annotated[float | None, typer.Option(help="ICC that is expected.")] = None,
    width: Annotated[float, typer.Option(help="Wanted full width of its 95 % interval.")] = 0.1,
    readers: Annotated[int, typer.Option(help="Readings of each knee.")] = 2,
    change_mm: Annotated[
        float | None, typer.Option(help="Smallest mean change worth detecting.")
    ] = None,
    sd_mm: Annotated[
        float | None,
        typer.Option(
            help="Standard deviation of the change from knee to knee, reading error included."
        ),
    ] = None,
    power: Annotated[float, typer.Option(help="Probability of detecting it.")] = 0.8,
) -> None:
    """Work out how many knees a study needs, for an ICC or for a change between visits."""
    with reported(as_json=False):
        from meniscal_measure.cohort.agreement.planning import knees_for_change, knees_for_icc
        from meniscal_measure.cohort.agreement.tables import as_text
        from meniscal_measure.errors import UsageError

        found = []
        if icc is not None:
            found.append(knees_for_icc(icc, width, readers=readers))
        if change_mm is not None:
            if sd_mm is None:
                raise UsageError(
                    "Give --sd-mm too: how much the change differs from knee to knee decides how"
                    " many knees are needed."
                )
            found.append(knees_for_change(change_mm, sd_mm, power=power))
        if not found:
            raise UsageError("Give --icc or --change-mm: what the study is to estimate or detect.")
        say(as_text(found))


def add_commands(app: typer.Typer) -> None:
    """Add the commands of a reader study to those of `cohort`."""
    for command in (assign, collect, adjudicate):
        app.command()(command)
    app.command("sample-size")(sample_size)
