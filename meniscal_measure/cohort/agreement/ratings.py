"""Readings arranged as cases by readers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meniscal_measure.cohort.agreement.clusters import subject_codes
from meniscal_measure.cohort.agreement.estimates import Cases, FloatArray, as_floats
from meniscal_measure.cohort.agreement.labels import Codes, Labels, Texts
from meniscal_measure.errors import AgreementError


@dataclass(frozen=True, eq=False)
class Ratings:
    """One value per case and reader (or per case and repeat)."""

    values: FloatArray
    """Shape (cases, readers); NaN where a reader gave no value."""
    cases: Texts
    readers: Texts
    subjects: Codes | None = None
    """Number of the subject of each case; None where every case is a subject of its own."""

    def __post_init__(self) -> None:
        if self.values.shape != (len(self.cases), len(self.readers)):
            raise AgreementError(
                f"The table of readings has shape {self.values.shape}, its labels"
                f" {(len(self.cases), len(self.readers))}; they must agree."
            )

    @property
    def read_by_all(self) -> NDArray[np.bool_]:
        """Whether each case was read by every reader.

        Examples
        --------
        >>> table = ratings_from_rows(["a", "a", "b"], ["1", "2", "1"], [2.0, 2.2, 3.0])
        >>> table.read_by_all.tolist()
        [True, False]
        """
        return np.asarray(~np.isnan(self.values).any(axis=1))

    def complete(self) -> tuple[FloatArray, Cases]:
        """Values of the cases every reader has read, and how many were left out."""
        found = self.values[self.read_by_all]
        return found, Cases(len(found), len(self.cases) - len(found))

    def complete_subjects(self) -> Codes:
        """Subject of each case that every reader has read, numbered from 0."""
        keep = self.read_by_all
        owners = None if self.subjects is None else self.subjects[keep]
        return subject_codes(owners, int(keep.sum()))


def ratings_from_rows(
    cases: ArrayLike | Labels,
    readers: ArrayLike | Labels,
    values: ArrayLike,
    *,
    subjects: ArrayLike | Labels | None = None,
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

    Examples
    --------
    >>> ratings_from_rows(["a", "a", "b"], ["1", "2", "1"], [2.0, 2.2, 3.0]).values.tolist()
    [[2.0, 2.2], [3.0, nan]]
    """
    case, reader = Labels.of(cases), Labels.of(readers)
    cells = case.codes.astype(np.int64) * reader.count + reader.codes
    counts = np.bincount(cells)
    if counts.max(initial=0) > 1:
        at, who = divmod(int(counts.argmax()), reader.count)
        raise AgreementError(
            f"Reader {reader.names[who]} has {counts.max()} values for case {case.names[at]}"
            f" ({(counts > 1).sum()} such cells in all). Keep one, or number the repeats."
        )
    table = np.full(case.count * reader.count, np.nan)
    table[cells] = as_floats(values)
    owners = None if subjects is None else Labels.of(subjects).codes[case.first]
    return Ratings(table.reshape(case.count, reader.count), case.names, reader.names, owners)
