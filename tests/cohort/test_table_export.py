"""Exports hold every entry, typed and explained."""

from __future__ import annotations

import csv
import hashlib
import json
import stat
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import frictionless
import pytest
from pyarrow import parquet  # type: ignore[import-untyped]

from meniscal_measure.cohort.run import Job, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.table_export import (
    ExportTable,
    export_csv,
    export_description,
    export_parquet,
    export_table,
)
from meniscal_measure.cohort.task import Measure, carry_out
from meniscal_measure.errors import OutputError
from tests.cohort.conftest import MakeKnee
from tests.cohort.stored import rows_of


@pytest.fixture
def store(tmp_path: Path, measure: Measure, make_knee: MakeKnee) -> Iterator[Store]:
    """One knee measured, one refused, one excluded, one still waiting."""
    path = tmp_path / "cohort.sqlite"
    done = [
        make_knee("S1", extrusion_mm=0.1 + 0.2),
        make_knee("S2", refuse='no "spacing", none'),
        replace(make_knee("S3"), exclude="metal"),
    ]
    run_cohort(done, Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as opened:
        opened.enrol([*done, make_knee("S4")])
        yield opened


def written(store: Store, folder: Path, **asked: bool) -> list[dict[str, str]]:
    """Export a store as CSV with its description, and read the rows back."""
    table = export_table(store, **asked)
    export_csv(store, table, folder / "readings.csv")
    export_description([table], folder / "datapackage.json")
    with (folder / "readings.csv").open(newline="") as stream:
        return list(csv.DictReader(stream))


def test_csv_has_a_line_for_every_entry(store: Store, tmp_path: Path) -> None:
    rows = written(store, tmp_path / "out")
    assert [row["status"] for row in rows] == ["measured", "refused", "excluded", "waiting"]
    assert rows[1]["reason"] == 'no "spacing", none'
    assert rows[3]["medial_extrusion_mm"] == ""


@pytest.mark.parametrize(("export", "name"), [(export_csv, "a.csv"), (export_parquet, "a.parquet")])
def test_only_its_owner_may_read_an_export(
    store: Store, tmp_path: Path, export: Callable[..., None], name: str
) -> None:
    export(store, export_table(store), tmp_path / name)
    assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600


def test_numbers_are_exported_in_full(store: Store, tmp_path: Path) -> None:
    assert float(written(store, tmp_path)[0]["medial_extrusion_mm"]) == 0.1 + 0.2


def test_a_reading_can_be_traced_to_its_files_and_programs(store: Store, tmp_path: Path) -> None:
    row = written(store, tmp_path)[0]
    image = Path(row["path"]).read_bytes()
    once = hashlib.sha256(image).hexdigest()
    assert row["image_sha256"] == hashlib.sha256(once.encode()).hexdigest()
    assert (row["landmarks"], row["landmark_sha256"], row["network_sha256"]) == ("", "", "")
    assert row["study_instance_uid"] == "1.2"
    assert row["series_instance_uid"].startswith("1.2.3.")
    assert (row["sop_instance_uid"], row["instance_number"]) == ("1.2.3.4", "13")
    assert (row["software_version"], row["run"]) == ("0", "1")
    assert row["measured_at"] == "2026-03-01T10:00:00.000+00:00"
    assert row["recorded_at"].startswith("20")
    assert float(row["medial_extrusion_over_plateau_width"]) == pytest.approx(0.3 / 75)


def test_without_identifiers_no_path_and_no_uid_is_written(store: Store, tmp_path: Path) -> None:
    row = written(store, tmp_path, identifiers=False)[0]
    assert not {name for name in row if name in ("path", "landmarks") or name.endswith("_uid")}
    text = (tmp_path / "readings.csv").read_text()
    assert str(tmp_path) not in text
    assert "1.2.3" not in text


def test_covariates_follow_under_their_names(
    tmp_path: Path, measure: Measure, make_knee: MakeKnee
) -> None:
    path = tmp_path / "cohort.sqlite"
    knees = [replace(make_knee(f"S{n}"), covariates=(("age", str(50 + n)),)) for n in range(2)]
    run_cohort(knees, Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as opened:
        rows = written(opened, tmp_path)
    assert [row["covariate_age"] for row in rows] == ["50", "51"]


def test_cells_that_a_spreadsheet_would_carry_out_are_made_harmless(
    tmp_path: Path, measure: Measure, make_knee: MakeKnee
) -> None:
    path = tmp_path / "cohort.sqlite"
    knee = make_knee("S1", extrusion_mm=-0.4, refuse='=HYPERLINK("http://x","y")')
    knees = [replace(knee, subject="@SUM(A1)", group="+1+1", covariates=(("=age", "-x"),)),
             make_knee("S2", extrusion_mm=-0.4)]  # fmt: skip
    run_cohort(knees, Job(path), carry_out=lambda tasks: (carry_out(t, measure) for t in tasks))
    with Store.existing(path) as opened:
        first, second = written(opened, tmp_path)
    assert (first["subject"], first["group"]) == ("'@SUM(A1)", "'+1+1")
    assert first["reason"].startswith("'=HYPERLINK")
    assert first["covariate_=age"] == "'-x"
    assert second["medial_extrusion_mm"] == "-0.4"


def test_parquet_holds_the_same_in_typed_columns_with_units(store: Store, tmp_path: Path) -> None:
    table = export_table(store)
    export_parquet(store, table, tmp_path / "readings.parquet")
    found = parquet.read_table(tmp_path / "readings.parquet")
    assert found.to_pylist() == [row | {"identity_doubt": None} for row in rows_of(store)]
    field = found.schema.field("medial_extrusion_mm")
    assert str(field.type) == "double"
    assert field.metadata[b"unit"] == b"mm"


def test_the_description_is_a_data_package_and_the_table_obeys_it(
    store: Store, tmp_path: Path
) -> None:
    # Checked by frictionless, the library of the standard's authors: types, columns, unique keys.
    header = written(store, tmp_path)[0]
    report = frictionless.validate(str(tmp_path / "datapackage.json"))
    assert report.valid, report.flatten(["rowNumber", "fieldName", "message"])
    package = json.loads((tmp_path / "datapackage.json").read_text("utf-8"))
    fields = package["resources"][0]["schema"]["fields"]
    assert [field["name"] for field in fields] == list(header)
    assert all(field["description"] for field in fields)
    (u_mm,) = [field for field in fields if field["name"] == "medial_u_mm"]
    assert "0.2 mm is assumed" in u_mm["description"]
    assert all(field["unit"] == "mm" for field in fields if field["name"].endswith("_mm"))


@pytest.mark.parametrize("export", [export_csv, export_parquet])
def test_an_export_that_cannot_be_written_leaves_nothing(
    store: Store, tmp_path: Path, export: Callable[[Store, ExportTable, Path], None]
) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match="Name a folder you may write to"):
        export(store, export_table(store), tmp_path / "file" / "readings")
