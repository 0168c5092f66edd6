"""Readings arranged as cases by readers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meniscal_measure.cohort.agreement.clusters import Codes, subject_codes
from meniscal_measure.cohort.agreement.estimates import Cases, FloatArray, as_floats
from meniscal_measure.errors import AgreementError


@dataclass(frozen=True)
class Ratings:
    """One value per case and reader (or per case and repeat).

    Parameters
    ----------
    values
        Shape (cases, readers); NaN where a reader gave no value.
    cases, readers
        Labels of the rows and the columns.
    subjects
        Whose each case is; empty where every case is a subject of its own.
    """

    values: FloatArray
    cases: tuple[str, ...]
    readers: tuple[str, ...]
    subjects: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.values.shape != (len(self.cases), len(self.readers)):
            raise AgreementError(
                f"The table of readings has shape {self.values.shape}, its labels"
                f" {(len(self.cases), len(self.readers))}; they must agree."
            )

    def complete(self) -> tuple[FloatArray, Cases]:
        """Values of the cases every reader has read, and how many were left out."""
        keep = ~np.isnan(self.values).any(axis=1)
        used = int(keep.sum())
        return self.values[keep], Cases(used, len(self.cases) - used)

    def complete_subjects(self) -> Codes:
        """Subject of each case that every reader has read, numbered from 0."""
        keep = ~np.isnan(self.values).any(axis=1)
        labels = np.array(self.subjects)[keep] if self.subjects else None
        return subject_codes(labels, int(keep.sum()))


def ratings_from_table(values: ArrayLike, *, subjects: ArrayLike | None = None) -> Ratings:
    """Arrange a table of one row per case and one column per reader.

    Parameters
    ----------
    values
        Shape (cases, readers); NaN where missing.
    subjects
        Whose each case is, shape (cases,).
    """
    array = np.atleast_2d(as_floats(values))
    cases, readers = array.shape
    return Ratings(
        array,
        tuple(str(number + 1) for number in range(cases)),
        tuple(str(number + 1) for number in range(readers)),
        () if subjects is None else tuple(np.asarray(subjects, dtype=str).tolist()),
    )


def ratings_from_rows(
    cases: ArrayLike, readers: ArrayLike, values: ArrayLike, *, subjects: ArrayLike | None = None
) -> Ratings:
    """Arrange one row per reading into one row per case.

    Parameters
    ----------
    cases, readers
        Labels, shape (n,).
    values
        Shape (n,); NaN where missing.
    subjects
        Whose each reading is, shape (n,).

    Raises
    ------
    AgreementError
        If a reader has two values for one case: that is a repeat, and has to be labelled as such.
    """
    case_labels, first, rows = np.unique(
        np.asarray(cases, dtype=str), return_index=True, return_inverse=True
    )
    reader_labels, columns = np.unique(np.asarray(readers, dtype=str), return_inverse=True)
    _refuse_doubles(case_labels, reader_labels, rows * len(reader_labels) + columns)
    table = np.full((len(case_labels), len(reader_labels)), np.nan)
    table[rows, columns] = as_floats(values)
    owners = () if subjects is None else tuple(np.asarray(subjects, dtype=str)[first].tolist())
    return Ratings(table, tuple(case_labels.tolist()), tuple(reader_labels.tolist()), owners)


def _refuse_doubles(
    cases: NDArray[np.str_], readers: NDArray[np.str_], cells: NDArray[np.intp]
) -> None:
    labels, counts = np.unique(cells, return_counts=True)
    doubled = labels[counts > 1]
    if doubled.size:
        case, reader = cases[doubled[0] // len(readers)], readers[doubled[0] % len(readers)]
        raise AgreementError(
            f"Reader {reader} has {counts.max()} values for case {case} ({doubled.size} such"
            " doubles in all). Keep one, or compare the repeats by themselves."
        )
