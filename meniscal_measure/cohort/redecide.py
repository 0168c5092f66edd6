"""Another threshold applied to a reading that was measured before."""

from __future__ import annotations

from meniscal_measure.anatomy import Compartment
from meniscal_measure.caliper.decision import compare
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.cohort.task import Record


def with_threshold(record: Record, conventions: Conventions) -> Record:
    """Compare a recorded reading with another threshold; nothing is measured again.

    Parameters
    ----------
    record
        As `meniscal_measure.records.codec.reading_to_dict` lays it out, measured along the same
        axis.
    conventions
        The threshold and what a value of exactly the threshold counts as.
    """
    threshold = {
        "threshold_rule": conventions.threshold_rule.value,
        "threshold_mm": conventions.threshold_mm,
    }
    return {
        **_slice(record, conventions),
        "conventions": {**record["conventions"], **threshold},
        "neighbours": [_slice(part, conventions) for part in record["neighbours"]],
    }


def _slice(part: Record, conventions: Conventions) -> Record:
    compared = {
        name.value: {
            **found,
            **compare(found["extrusion_mm"], found["u_mm"], conventions)._asdict(),
        }
        for name in Compartment
        if (found := part.get(name.value)) is not None
    }
    return {**part, **compared}
