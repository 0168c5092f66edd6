"""Writing one answer into the file of a case, and leaving everything else in it as it stands.

It may be edited by hand between two answers: it is read anew each time, and its comments stay.
Whatever is answered or withdrawn is noted, with time and name, in a log beside the file.
"""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import tomlkit

from meniscal_measure.errors import OutputError
from meniscal_measure.files import written_whole
from meniscal_measure.knee.answers import Answers, answers_from, read_answers
from meniscal_measure.knee.quantity import Visit

LANDMARKS = {"landmark": Visit.BASELINE, "follow_up": Visit.FOLLOW_UP}
"""First part of the key of a landmark: the examination it is placed on."""

Value = str | int | float | list[str] | Mapping[str, Any]
"""A table for signs and landmarks; a word, words or a number for everything else."""


def record_answer(file: Path, key: str, value: Value | None, by: str) -> Answers:
    """Write one answer, in place of an earlier one to the same question; return all answers.

    Parameters
    ----------
    file
        Answers of the case; made where there is none.
    key
        Key of the question, as `OpenQuestion` has it: "sign.ghost", "landmark.tear".
    value
        The answer as the file has it, a landmark without its name. None withdraws the answer.
    by
        Who gives it.

    Raises
    ------
    InputError
        If what is there cannot be read, or the answer is not allowed; nothing is written then.
    OutputError
        If it cannot be written; what was there stays.
    """
    document = _document(file)
    table, _, name = key.partition(".")
    if table in LANDMARKS:
        _set_landmark(document, name, LANDMARKS[table], value)
    else:
        _set(document, table, name, value)
    text = tomlkit.dumps(document)
    answers = answers_from(tomllib.loads(text), str(file))
    with written_whole(file, owner_only=True) as stream:
        stream.write(text.encode())
    _note(file.with_suffix(".log"), {"key": key, "answer": value, "by": by})
    return answers


def _document(file: Path) -> tomlkit.TOMLDocument:
    if not file.exists():
        return tomlkit.document()
    read_answers(file)  # refuses what cannot be used
    return tomlkit.parse(file.read_text(encoding="utf-8-sig"))


def _set(document: tomlkit.TOMLDocument, table: str, name: str, value: Any) -> None:
    if isinstance(value, Mapping):
        inline = tomlkit.inline_table()
        inline.update(value)
        value = inline
    if value is not None:
        document.setdefault(table, tomlkit.table())[name] = value
    elif table in document:
        document[table].pop(name, None)


def _set_landmark(document: tomlkit.TOMLDocument, name: str, visit: Visit, value: Any) -> None:
    entries = document.get("landmark", ())
    for place in reversed(range(len(entries))):
        entry = entries[place]
        if (entry.get("name"), entry.get("visit", Visit.BASELINE)) == (name, visit):
            del entries[place]
    if value is not None:
        entry = tomlkit.table()
        entry.update({"name": name, **value})
        if visit is not Visit.BASELINE:
            entry["visit"] = visit.value
        document.setdefault("landmark", tomlkit.aot()).append(entry)
    elif not entries:
        document.pop("landmark", None)


def _note(log: Path, said: Mapping[str, Any]) -> None:
    at = datetime.now(UTC).isoformat(timespec="seconds")
    line = json.dumps({"at": at, **said}, ensure_ascii=False) + "\n"
    try:
        log.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with os.fdopen(os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600), "ab") as stream:
            stream.write(line.encode())
            os.fsync(stream.fileno())
    except OSError as error:
        raise OutputError(
            "Cannot write {file:private}: {why}. The answer is saved, but not noted there.",
            file=str(log),
            why=error.strerror or "",
        ) from error
