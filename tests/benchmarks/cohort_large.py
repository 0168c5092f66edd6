"""What a large cohort costs once measured: `python -m tests.benchmarks.cohort_large READINGS`.

Writes a store of simulated readings directly, as of a two-year study: two groups, both knees of
each subject, two visits, two readers, one of whom reads one knee again. Each reading has a landmark
file and each examination an image file, so that a resume finds what it would find. Prints time of
the clock, processor time and the largest memory of

- taking the manifest into an empty store,
- a resume with everything done,
- the export as CSV and as Parquet,
- the report.

Every part runs in a process of its own. `--keep FOLDER` writes into that folder, or takes what lies
there already.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from meniscal_measure.anatomy import Side
from meniscal_measure.cohort.columns import MEASURED_FIELDS
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.manifest import COLUMNS, Manifest
from meniscal_measure.cohort.run import Job, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.store_tables import INSERT_READING
from meniscal_measure.cohort.task import Row, Settings, measure_knee
from meniscal_measure.findings import Code, Finding
from tests.benchmarks.cohort_scale import Cost, alone

SAMPLE = Path(__file__).parents[2] / "sample_phantoms" / "normal"

READINGS_OF_SUBJECT = 9
"""Two knees at two visits by two readers, and one of them again."""

LINKS = 10_000
"""Files that share one inode; file systems limit their number."""

BLOCK = 50_000
"""Readings that are written at a time."""


def main() -> None:
    """Write the store if need be, and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("readings", type=int)
    parser.add_argument("--keep", type=Path, help="folder for store and files")
    parser.add_argument("--only", choices=PARTS, nargs="*", default=list(PARTS))
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="cohort-large-") as name:
        folder = asked.keep or Path(name)
        if not (folder / "cohort.sqlite").exists():
            folder.mkdir(parents=True, exist_ok=True)
            alone(write_files, folder, asked.readings)
            say("manifest into an empty store", alone(enrol, folder))
            alone(write_readings, folder)
        size = (folder / "cohort.sqlite").stat().st_size / 2**20
        print(f"store: {size:.0f} MiB", flush=True)
        for part in asked.only:
            say(part, alone(PARTS[part], folder))


def say(what: str, cost: Cost) -> None:
    """Print what a part took."""
    print(
        f"{what}: {cost.wall_s:.1f} s, {cost.cpu_s:.1f} CPU s, {cost.peak_mib:.0f} MiB", flush=True
    )


def readings_of(subject: int) -> Iterator[tuple[Side, str, str, int]]:
    """Side, visit, reader and repeat of each reading of a subject."""
    for side in (Side.LEFT, Side.RIGHT):
        for visit in ("1", "2"):
            for reader in ("A", "B"):
                yield side, visit, reader, 1
    yield Side.LEFT, "1", "A", 2


def write_files(folder: Path, readings: int) -> None:
    """Write the manifest, and the files that it names as links to a few."""
    rng = np.random.default_rng(7)
    linked = _Links(folder)
    with (folder / "manifest.csv").open("w", encoding="utf-8") as stream:
        print(",".join((*COLUMNS, "age", "sex", "bmi")), file=stream)
        for number in range(readings // READINGS_OF_SUBJECT):
            home = folder / "subjects" / f"{number // 1000:04d}" / f"S{number:06d}"
            home.mkdir(parents=True)
            group, sex = ("control", "tear")[number % 2], "fm"[int(rng.integers(2))]
            age, bmi = rng.integers(30, 75), rng.normal(27, 4)
            for side, visit, reader, repeat in readings_of(number):
                images = home / f"{side.word}-{visit}.dcm"
                marks = home / f"{side.word}-{visit}-{reader}{repeat}.json"
                linked.to(marks)
                if not images.exists():
                    linked.to(images)
                print(f"S{number:06d},{visit},{side.word},{group},{images},{marks},{reader},"
                      f"{repeat},,,{age},{sex},{bmi:.1f}", file=stream)  # fmt: skip


class _Links:
    def __init__(self, folder: Path) -> None:
        self._folder, self._made = folder, 0

    def to(self, place: Path) -> None:
        source = self._folder / f"file-{self._made // LINKS:04d}"
        if self._made % LINKS == 0:
            source.write_bytes(b"image")
        os.link(source, place)
        self._made += 1


def enrol(folder: Path) -> None:
    """Take the manifest into the store."""
    with Store(folder / "cohort.sqlite") as store:
        store.enrol(Manifest(folder / "manifest.csv"))
        store.begin_run(Settings())


def write_readings(folder: Path) -> None:
    """Write a simulated reading of every entry: tears grow by 0.4 mm, controls by 0.1 mm."""
    base = sqlite3.connect(folder / "cohort.sqlite", isolation_level=None)
    base.execute("PRAGMA synchronous = OFF")
    base.execute("BEGIN")
    plain, warned = _rows()
    (number,) = base.execute("SELECT number FROM settings").fetchone()
    rng, level, line = np.random.default_rng(8), {}, 0
    query = (
        'SELECT line, key, subject, visit, side, "group", reader, fingerprint FROM entry'
        " WHERE line > ? ORDER BY line LIMIT ?"
    )
    while rows := base.execute(query, (line, BLOCK)).fetchall():
        line, readings, documents = rows[-1][0], [], []
        for place, key, subject, visit, side, group, reader, fingerprint in rows:
            tear = group == "tear"
            if (subject, side) not in level:
                level = {(subject, s): rng.normal(2.2, 0.9) for s in ("left", "right")}
            grown = (0.1 + 0.3 * tear) * (visit == "2")
            value = level[subject, side] + 0.8 * tear + grown + 0.1 * (reader == "B")
            value += rng.normal(0, 0.25)
            row = warned if place % 10 == 0 else plain
            series = f"1.2.826.0.1.{int(subject[1:])}.{visit}.{int(side == 'left')}"
            readings.append((1, key, number, fingerprint, "digest", "measured", "", 0.02,
                             "2026-11-27T10:00:00.000+00:00",
                             *_with(row.values, value, side, series, place % 2 == 0)))  # fmt: skip
            documents.append((place, row.packed))
        base.executemany(INSERT_READING, readings)
        base.executemany("INSERT INTO document VALUES (?, ?)", documents)
    base.execute("UPDATE entry SET reading = line")
    base.execute("COMMIT")
    base.execute("ANALYZE")
    base.close()


def _rows() -> tuple[Row, Row]:
    """Lay out the reading of a sample, without and with a warning."""
    entry = Entry("S", str(SAMPLE))
    record = measure_knee(entry, SAMPLE, SAMPLE / "landmarks.json", Settings())
    record["warnings"] = []
    warning = Finding(
        Code.EDGE_NOT_FOUND, {"landmark": "medial rim", "reason": "no edge"}
    ).to_json()
    return Row.of(record), Row.of({**record, "warnings": [warning]})


NAMES = [field.name for field in MEASURED_FIELDS]


def _with(
    values: tuple[Any, ...], value: float, side: str, series: str, verified: bool
) -> tuple[Any, ...]:
    changed = dict(zip(NAMES, values, strict=True))
    for where, extrusion_mm in (("medial", value), ("lateral", value - 1.0)):
        changed[f"{where}_extrusion_mm"] = float(extrusion_mm)
        changed[f"{where}_flag"] = int(extrusion_mm > 3)
    changed |= {"side_measured": side, "series_instance_uid": series, "verified": int(verified)}
    changed["verified_by"] = "A" if verified else None
    return tuple(changed.values())


def resume(folder: Path) -> None:
    """Find that everything is done."""
    store = folder / "cohort.sqlite"
    progress = run_cohort(Manifest(folder / "manifest.csv"), Job(store))
    if progress.already_done != progress.total:
        sys.exit(f"{progress.already_done} of {progress.total} were done")


def export(folder: Path) -> None:
    """Export as CSV."""
    from meniscal_measure.cohort.table_export import export_csv, export_table

    with Store.existing(folder / "cohort.sqlite") as store:
        export_csv(store, export_table(store), folder / "out" / "readings.csv")


def parquet(folder: Path) -> None:
    """Export as Parquet."""
    from meniscal_measure.cohort.table_export import export_parquet, export_table

    with Store.existing(folder / "cohort.sqlite") as store:
        export_parquet(store, export_table(store), folder / "out" / "readings.parquet")


def report(folder: Path) -> None:
    """Write the report with all its files."""
    from meniscal_measure.cohort.paper.saved_report import save_report
    from meniscal_measure.cohort.paper.study_report import TITLE, cohort_report

    with Store.existing(folder / "cohort.sqlite") as store:
        save_report(TITLE, cohort_report(store), folder / "out")


PARTS = {"resume": resume, "export": export, "parquet": parquet, "report": report}


if __name__ == "__main__":
    main()
