"""From a folder to a reading: the rooms in the order the data flows through them."""

from meniscal_measure.series.scan import open_study as read
from meniscal_measure.workflow.knee_reading import KneeReading
from meniscal_measure.workflow.measure_study import measure, measure_placed
from meniscal_measure.workflow.reopening import reopen

__all__ = ["KneeReading", "measure", "measure_placed", "read", "reopen"]
