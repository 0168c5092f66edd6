"""Tables of readings as papers print them: one row per case, one column per reader."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.cohort.agreement.clusters import subject_codes
from meniscal_measure.cohort.agreement.ratings import Ratings


def ratings_from_table(values: ArrayLike, *, subjects: ArrayLike | None = None) -> Ratings:
    """Number cases and readers from 1; NaN where a reading is missing."""
    table = np.asarray(values, dtype=np.float64)
    cases, readers = (np.arange(1, count + 1).astype(str) for count in table.shape)
    owners = None if subjects is None else subject_codes(subjects, len(table))
    return Ratings(table, cases, readers, owners)
