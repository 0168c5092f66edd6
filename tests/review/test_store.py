"""What was signed stays, whatever happens to the store."""

from __future__ import annotations

import json
import resource
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meniscal_measure.errors import InputError, OutputError, StaleStateError, UsageError
from meniscal_measure.records.journal import Journal, Signing, Verdict
from meniscal_measure.records.signed_store import SignedStore, TaskKey
from meniscal_measure.review.drafts import DraftKey, Drafts

KEY = TaskKey("Reader A", "knee 1", 1)
DRAFT = DraftKey(KEY, "1.2.3")
SETTINGS = {"conventions": "rim_to_rim"}


@pytest.fixture
def store(tmp_path: Path) -> SignedStore:
    return SignedStore(tmp_path / "store.sqlite", SETTINGS)


def sign(store: SignedStore, key: TaskKey = KEY, remark: str = "") -> Signing:
    with store.writing() as connection:
        return Journal(store).append(connection, key, Verdict.MEASURED, {"remark": remark})


def test_signings_are_kept_in_order_and_found_again(store: SignedStore) -> None:
    signed = [sign(store, remark=text) for text in ("first", "second")]

    reopened = Journal(SignedStore(store.path, SETTINGS))

    assert list(reopened.all()) == signed
    assert reopened.latest(KEY) == signed[1]
    assert reopened.latest(TaskKey("Reader B", "knee 1", 1)) is None
    assert reopened.standing() == {KEY: signed[1]}
    assert reopened.check() == 2


@pytest.mark.parametrize("change", ["UPDATE signing SET reader = 'other'", "DELETE FROM signing"])
def test_a_signing_can_neither_be_changed_nor_removed(store: SignedStore, change: str) -> None:
    sign(store)

    with pytest.raises(OutputError, match=r"a signing is never"), store.writing() as connection:
        connection.execute(change)

    assert Journal(store).check() == 1


@pytest.mark.parametrize(
    "tampering",
    ["UPDATE signing SET content = '{}' WHERE number = 2", "DELETE FROM signing WHERE number = 2"],
)
def test_tampering_past_the_guards_is_found(store: SignedStore, tampering: str) -> None:
    for _ in range(3):
        sign(store, remark="as seen")
    with store.writing() as connection:
        connection.execute("DROP TRIGGER signing_is_never_changed")
        connection.execute("DROP TRIGGER signing_is_never_removed")
        connection.execute(tampering)

    with pytest.raises(InputError, match=r"Signing 2 .* is missing or was changed"):
        Journal(store).check()


def test_a_store_keeps_to_the_settings_it_was_begun_with(store: SignedStore) -> None:
    with pytest.raises(UsageError, match=r"was started with conventions = rim_to_rim"):
        SignedStore(store.path, {"conventions": "image_vertical"})


def test_another_database_is_not_taken_for_a_store(tmp_path: Path) -> None:
    path = tmp_path / "other.sqlite"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE something (value)")
    other.close()

    with pytest.raises(UsageError, match=r"is not a store of readings of this version"):
        SignedStore(path, SETTINGS)


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("do not overwrite me, I am quite a long text " * 20)

    with pytest.raises(OutputError, match=r"cannot be used: file is not a database"):
        SignedStore(path, SETTINGS)

    assert path.read_text().startswith("do not overwrite me")


@contextmanager
def full_disk() -> Iterator[None]:
    """No file may grow any more, as on a full disk; nor may the log of the tests, so be quick."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_is_said_and_loses_nothing_signed(store: SignedStore) -> None:
    kept = sign(store)

    with full_disk(), pytest.raises(OutputError, match=r"What was stored before is safe"):
        sign(store, remark="x" * 100_000)

    assert list(Journal(store).all()) == [kept]
    assert Journal(store).check() == 1


def test_a_change_made_on_an_old_state_is_refused(store: SignedStore) -> None:
    drafts = Drafts(store)
    start = drafts.begin(DRAFT, "begun")
    drafts.change(DRAFT, start.revision, "first tab")

    with pytest.raises(StaleStateError, match=r"changed in another tab"):
        drafts.change(DRAFT, start.revision, "second tab")

    assert drafts.begin(DRAFT, "begun").state == "first tab"


def test_readers_have_working_states_of_their_own(store: SignedStore) -> None:
    drafts = Drafts(store)
    for reader in ("Reader A", "Reader B"):
        key = DraftKey(TaskKey(reader, "knee 1", 1), "1.2.3")
        drafts.change(key, drafts.begin(key, "begun").revision, reader)

    states = [
        drafts.begin(DraftKey(TaskKey(reader, "knee 1", 1), "1.2.3"), "").state
        for reader in ("Reader A", "Reader B")
    ]
    assert states == ["Reader A", "Reader B"]
    assert drafts.begun("Reader A") == {("knee 1", 1)}


def test_each_series_has_a_working_state_of_its_own_and_the_last_one_is_known(
    store: SignedStore,
) -> None:
    drafts, other = Drafts(store), DraftKey(KEY, "4.5.6")
    assert drafts.last_images(KEY) == ""
    drafts.change(DRAFT, drafts.begin(DRAFT, "begun").revision, "on the first")

    assert drafts.begin(other, "begun on the other").state == "begun on the other"
    assert drafts.last_images(KEY) == "4.5.6"
    assert drafts.begin(DRAFT, "begun").state == "on the first"
    assert drafts.last_images(KEY) == "1.2.3"


@settings(deadline=None, max_examples=25)  # every step waits for the disk
@given(actions=st.lists(st.sampled_from(["change", "undo", "redo"]), max_size=12))
def test_undo_and_redo_walk_along_the_steps(
    tmp_path_factory: pytest.TempPathFactory, actions: list[str]
) -> None:
    drafts = Drafts(SignedStore(tmp_path_factory.mktemp("steps") / "store.sqlite", SETTINGS))
    steps, at = ["0"], 0
    draft = drafts.begin(DRAFT, "0")
    for number, action in enumerate(actions, start=1):
        if action == "change":
            steps, at = [*steps[: at + 1], str(number)], at + 1
            draft = drafts.change(DRAFT, draft.revision, str(number))
        else:
            by = -1 if action == "undo" else 1
            at = min(max(at + by, 0), len(steps) - 1)
            draft = drafts.move(DRAFT, draft.revision, by)
        assert (draft.state, draft.can_undo, draft.can_redo) == (
            steps[at],
            at > 0,
            at < len(steps) - 1,
        )


def test_the_view_is_kept_beside_the_steps(store: SignedStore) -> None:
    drafts = Drafts(store)
    drafts.begin(DRAFT, "begun")
    drafts.save_view(DRAFT, json.dumps({"slice": 4}))

    kept = drafts.begin(DRAFT, "begun")

    assert json.loads(kept.view or "") == {"slice": 4}
    assert kept.revision == 0
