"""What a store of readings can be asked: rows of its view `current`, counts, warnings, cases."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterator
from itertools import compress
from pathlib import Path
from typing import Any

from meniscal_measure.caliper.landmarks import SliceConvention
from meniscal_measure.cohort.entry import StudyOwner
from meniscal_measure.cohort.patient_marks import ATTRIBUTES, PatientMarks
from meniscal_measure.cohort.task import Status, packed_warnings
from meniscal_measure.records.database import explained


class StoreQueries:
    """The part of a `store.Store` that only reads."""

    path: Path
    _base: sqlite3.Connection

    def _ask(self, query: str, *values: Any) -> Any:
        """Fetch one value; None where there is no row."""
        with explained(self.path):
            row = self._base.execute(query, values).fetchone()
        return None if row is None else row[0]

    def _select(self, query: str) -> Iterator[Any]:
        with explained(self.path):
            yield from self._base.execute(query)

    def columns(self, *names: str, where: str = "1") -> Iterator[tuple[Any, ...]]:
        """Iterate over the current state of entries, with these columns of the view `current`.

        `where` is a condition in SQL on these columns; it must not hold any text of a user.
        """
        quoted = ", ".join(f'"{name}"' for name in names)
        return self._select(f"SELECT {quoted} FROM current WHERE {where} ORDER BY line")

    def counted(self, *groups: str, measured_only: bool = False) -> Iterator[tuple[Any, ...]]:
        """Count entries by SQL expressions of the columns of `current`; the count comes last."""
        names = ", ".join(f"{group} AS g{number}" for number, group in enumerate(groups))
        by = ", ".join(f"g{number}" for number in range(len(groups)))
        where = f"WHERE status = '{Status.MEASURED}'" if measured_only else ""
        return self._select(f"SELECT {names}, count (*) FROM current {where} GROUP BY {by}")

    def subject_count(
        self, *, measured_only: bool = False, slice_convention: SliceConvention | None = None
    ) -> int:
        """Count the subjects, or those with a reading on a slice chosen by a rule."""
        where = f"WHERE status = '{Status.MEASURED}'" if measured_only else ""
        if slice_convention is not None:
            where += f" AND slice_convention = '{slice_convention}'"
        return int(self._ask(f"SELECT count (DISTINCT subject) FROM current {where}"))

    def covariates(self) -> tuple[str, ...]:
        """Name the covariates that any manifest of the store has, in the order of their columns."""
        query = "SELECT covariates FROM entry WHERE covariates <> '' GROUP BY manifest"
        with explained(self.path):
            found = [json.loads(text) for (text,) in self._select(query)]
        return tuple(dict.fromkeys(name for cells in found for name in cells))

    def warnings(self) -> Iterator[tuple[str, tuple[bytes, ...]]]:
        """Iterate over current readings with warnings: key of the entry, each warning as JSON."""
        query = (
            "SELECT key, record FROM current c JOIN document d ON d.reading = c.reading"
            " WHERE warning_count > 0 ORDER BY line"
        )
        with explained(self.path):
            for key, packed in self._base.execute(query):
                yield key, packed_warnings(packed)

    def examinations(self) -> dict[tuple[str, str], StudyOwner | None]:
        """Find whose each measured study is, by UID and side; None where readings contradict."""
        query = (
            'SELECT DISTINCT study_instance_uid, side_measured, subject, visit, "group"'
            " FROM current WHERE study_instance_uid <> ''"
        )
        found: dict[tuple[str, str], StudyOwner | None] = {}
        for uid, side, *whose in self._select(query):
            found[uid, side] = None if (uid, side) in found else StudyOwner(*whose)
        return found

    def of_several_patients(self) -> Iterator[tuple[str, str, list[str]]]:
        """Iterate over measured readings of subjects with marks of several patients.

        Each with the key of its entry, its subject, and the attributes in which the marks differ.
        """
        if not self._has_table("patient"):
            return
        marks = ", ".join(
            f"count (DISTINCT nullif (p.{name}, '')) > 1 AS {name}" for name in PatientMarks._fields
        )
        query = f"""
            SELECT key, subject, {", ".join(PatientMarks._fields)} FROM current JOIN (
                SELECT c.subject AS whose, {marks} FROM current c
                JOIN reading r ON r.id = c.reading
                JOIN patient p ON p.key = r.key AND p.digest = r.digest
                WHERE c.status = '{Status.MEASURED}' GROUP BY c.subject
            ) ON subject = whose
            WHERE status = '{Status.MEASURED}' AND ({" OR ".join(PatientMarks._fields)})
            ORDER BY line"""
        for key, subject, *differ in self._select(query):
            yield key, subject, list(compress(ATTRIBUTES, differ))

    def with_images_of_another(self) -> Iterator[tuple[str, str, str, str]]:
        """Iterate over measured readings of a series that another subject or visit has too.

        Each with the key of its entry, the Series Instance UID, subject and visit.
        """
        query = f"""
            SELECT key, series_instance_uid, subject, visit FROM current
            WHERE status = '{Status.MEASURED}' AND series_instance_uid IN (
                SELECT series_instance_uid FROM (
                    SELECT DISTINCT series_instance_uid, subject, visit FROM current
                    WHERE status = '{Status.MEASURED}' AND series_instance_uid <> ''
                ) GROUP BY series_instance_uid HAVING count (*) > 1
            ) ORDER BY line"""
        return self._select(query)

    def _has_table(self, name: str) -> bool:
        return bool(self._ask("SELECT count (*) FROM sqlite_master WHERE name = ?", name))

    @property
    def has_cases(self) -> bool:
        """Whether any case was ever added."""
        return self._has_table("knee_case")

    def cases(self) -> Iterator[bytes]:
        """Iterate over the newest record of each case."""
        if self.has_cases:
            query = "SELECT record, max (made_at) FROM knee_case GROUP BY key ORDER BY number"
            with explained(self.path):
                for packed, _ in self._base.execute(query):
                    yield zlib.decompress(packed)

    def last_settings(self) -> dict[str, Any] | None:
        """Give the settings of the last run; None before the first."""
        query = "SELECT told FROM run JOIN settings ON number = settings ORDER BY id DESC LIMIT 1"
        with explained(self.path):
            text = self._ask(query)
            return None if text is None else dict(json.loads(text))
