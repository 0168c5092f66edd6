"""Proposing a manifest from what lies in a folder."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from meniscal_measure.anatomy import Side
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.errors import InputError, NothingMeasurableError, UsageError
from meniscal_measure.files import Progress
from meniscal_measure.series.model import Stack, Study
from meniscal_measure.series.scan import open_study

SEVERAL = "its folder holds other examinations too; part them into folders of their own"
"""Why an examination is left out whose images lie among those of another."""


@dataclass(frozen=True)
class _Found:
    """One examination: where it lies, and whose and when it is."""

    path: Path
    patient: str
    date: str
    side: Side | None
    group: str = ""
    exclude: str = ""


@dataclass(frozen=True)
class ProposedManifest:
    """A manifest to be checked, and what could not be placed in it."""

    entries: tuple[Entry, ...]
    remarks: tuple[str, ...]


def propose_manifest(folder: Path, *, progress: Progress | None = None) -> ProposedManifest:
    """Find the examinations in a folder and number subjects and visits.

    Parameters
    ----------
    folder
        Each folder or archive directly inside it holds one examination, or several in folders
        within; or a single archive.
    progress
        Called after each with the number done and their total.

    Returns
    -------
    ProposedManifest
        Subjects are numbered instead of named; visits are numbered by Study Date. A folder that
        holds several patients gives its name to their group; readers and landmark files are for a
        person to fill in. Examinations that lie in one folder are
        excluded: measuring would take one of them for all.

    Raises
    ------
    UsageError
        If there is no such folder or archive.
    NothingMeasurableError
        If no MR image is found.

    Examples
    --------
    >>> len(propose_manifest(sample.parent).entries)
    4
    """
    places = _places(folder)
    found: list[_Found] = []
    remarks: list[str] = []
    for done, place in enumerate(places, start=1):
        try:
            study = open_study(place)
            found.extend(_examinations(study))
            remarks.extend(_losses(study))
        except InputError as error:
            remarks.append(f"{place}: {error}")
        if progress is not None:
            progress(done, len(places))
    if not found:
        raise NothingMeasurableError(
            "No MR image lies in the folders or archives directly inside {folder:private}."
            "{remarks:private}",
            folder=str(folder),
            remarks="".join(f"\n  {remark}" for remark in remarks),
        )
    return ProposedManifest(tuple(_entries(found)), tuple(remarks + list(_doubts(found))))


def _losses(study: Study) -> Iterator[str]:
    """Say so when an examination may be missing, and those after it be numbered too low."""
    if study.refusals:
        first = study.refusals[0]
        yield (
            f"{study.path}: {len(study.refusals)} of its files could not be used, so that an"
            " examination may be missing and the number of a visit be wrong; the first is"
            f" {first.file}: {first.reason}"
        )


def _places(folder: Path) -> list[Path]:
    if folder.is_file():
        return [folder]
    try:
        inside = sorted(folder.iterdir())
    except OSError as error:
        raise UsageError(
            "{folder:private} cannot be read: {reason}. Name a folder.",
            folder=str(folder),
            reason=error.strerror or "unknown",
        ) from error
    return [path for path in inside if path.is_dir() or path.suffix.lower() == ".zip"]


def _examinations(study: Study) -> Iterator[_Found]:
    by_study: dict[tuple[str, str], list[Stack]] = defaultdict(list)
    for stack in study.stacks:
        by_study[stack.identity.patient_id, stack.identity.study_instance_uid].append(stack)
    folders = {key: _folder(study, stacks) for key, stacks in by_study.items()}
    group = study.path.name if len({patient for patient, _ in by_study}) > 1 else ""
    for key, stacks in by_study.items():
        sides = {stack.laterality.side for stack in stacks} - {None}
        side = sides.pop() if len(sides) == 1 else None
        own = folders[key]
        shared = any(
            own == other or own in other.parents for name, other in folders.items() if name != key
        )
        date, exclude = stacks[0].identity.study_date, SEVERAL if shared else ""
        path = study.path if len(folders) == 1 else own
        yield _Found(path, key[0], date, side, group, exclude)


def _folder(study: Study, stacks: list[Stack]) -> Path:
    """Innermost folder that holds all images of an examination; the archive if they lie in one."""
    files = [frame.file for stack in stacks for frame in stack.frames]
    if any(file.member is not None for file in files):
        return study.path
    return Path(os.path.commonpath({file.path.parent for file in files}))


def _entries(found: list[_Found]) -> Iterator[Entry]:
    by_patient: dict[str, list[_Found]] = defaultdict(list)
    for one in found:
        by_patient[one.patient or str(one.path)].append(one)
    for number, patient in enumerate(sorted(by_patient), start=1):
        dates = sorted({one.date for one in by_patient[patient]})
        for one in sorted(by_patient[patient], key=lambda one: (one.date, str(one.path))):
            yield Entry(
                subject=f"S{number:05d}",
                path=str(one.path.absolute()),
                visit=str(dates.index(one.date) + 1),
                side=one.side,
                group=one.group,
                exclude=one.exclude,
            )


def _doubts(found: list[_Found]) -> Iterator[str]:
    for one in found:
        if not one.patient:
            yield f"{one.path}: no Patient ID; taken for a subject of its own"
        if not one.date:
            yield f"{one.path}: no Study Date; the number of its visit means nothing"
        if one.exclude:
            yield f"{one.path}: excluded, {one.exclude}"
