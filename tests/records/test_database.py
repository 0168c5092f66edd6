"""What both stores rely on: private files, whole writing, faults in words."""

from __future__ import annotations

import os
import sqlite3
import stat
import zlib
from contextlib import closing, suppress
from pathlib import Path

import pytest

from meniscal_measure.cohort.store import Store
from meniscal_measure.errors import OutputError, UsageError
from meniscal_measure.records.database import explained, open_private, run_script, transaction
from meniscal_measure.records.signed_store import SignedStore

SCRIPT = """
CREATE TABLE number (value INTEGER);
CREATE TRIGGER never_less BEFORE DELETE ON number
    BEGIN SELECT RAISE(ABORT, 'a; semicolon'); END;
"""


@pytest.mark.skipif(os.name == "nt", reason="Windows has no permission bits")
@pytest.mark.parametrize("make", [lambda path: SignedStore(path, {}), Store])
def test_a_new_store_may_be_read_by_its_owner_only(tmp_path: Path, make: type[Store]) -> None:
    made = make(tmp_path / "folder" / "store.sqlite")
    for path in (tmp_path / "folder").iterdir():  # the log of changes too
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path.name
    assert stat.S_IMODE((tmp_path / "folder").stat().st_mode) == 0o700
    if isinstance(made, Store):
        made.close()


def test_a_transaction_that_fails_leaves_nothing(tmp_path: Path) -> None:
    with closing(open_private(tmp_path / "a.sqlite")) as connection:
        run_script(connection, SCRIPT)
        with suppress(KeyError), transaction(connection):
            connection.execute("INSERT INTO number VALUES (1)")
            raise KeyError
        assert connection.execute("SELECT count (*) FROM number").fetchone() == (0,)


def test_a_number_beyond_the_database_is_a_usage_error(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    with closing(open_private(path)) as connection:
        run_script(connection, SCRIPT)
        with (
            pytest.raises(UsageError, match="A number is too large for the store"),
            explained(path),
        ):
            connection.execute("INSERT INTO number VALUES (?)", (10**20,))


@pytest.mark.parametrize(
    ("raised", "error", "said"),
    [
        (sqlite3.OperationalError("disk I/O error"), OutputError, "cannot be used: disk I/O error"),
        (sqlite3.IntegrityError("is never changed"), OutputError, "cannot be used: is never"),
        (sqlite3.DatabaseError("file is not a database"), OutputError, "used: file is not a"),
        (zlib.error("incorrect data check"), OutputError, "cannot be used: incorrect data"),
        (
            UnicodeDecodeError("utf-8", b"x", 0, 1, "invalid"),
            OutputError,
            "cannot be used: 'utf-8'",
        ),
        (
            PermissionError(13, "Permission denied"),
            OutputError,
            "cannot be made: Permission denied",
        ),
    ],
)
def test_every_fault_is_said_with_what_to_do(
    raised: Exception, error: type[Exception], said: str
) -> None:
    with pytest.raises(error, match=said), explained(Path("store.sqlite")):
        raise raised
