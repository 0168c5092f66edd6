"""The progress of a cohort run, and the summary at its end."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from meniscal_measure.cli.common import print_json, safe_console, say
from meniscal_measure.errors import OutputError

if TYPE_CHECKING:
    from meniscal_measure.cohort.run import Progress

Watch = Callable[["Progress"], None]

WORDS = {
    "decided": "compared with the new threshold only",
    "unchanged": "with the same files as before",
}
"""What happened to readings, where the name of a status alone does not say it."""

MOST_LINES = 100
"""Most lines of progress where the output is not a terminal."""

MOST_REASONS = 20
"""Most reasons that the JSON summary lists, and most doubts that either summary does."""


@contextmanager
def cohort_progress(log: Path | None) -> Iterator[Watch]:
    """Show progress on standard error, as a bar or as lines, and write it to a log file if asked.

    Raises
    ------
    OutputError
        If the log file cannot be written.
    """
    with ExitStack() as stack:
        shown = _bar() if sys.stderr.isatty() else _lines(sys.stderr)
        watches = [stack.enter_context(shown)]
        if log is not None:
            watches.append(stack.enter_context(_logged(log)))

        def watch(progress: Progress) -> None:
            for one in watches:
                one(progress)

        yield watch


@contextmanager
def _bar() -> Iterator[Watch]:
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
    from rich.progress import Progress as Bar

    state = TextColumn("{task.fields[failures]} failed, {task.fields[left]}")
    columns = (TextColumn("Measuring"), BarColumn(), MofNCompleteColumn(), state)
    with Bar(*columns, console=safe_console(stderr=True)) as bar:
        task = bar.add_task("Measuring", total=None, failures=0, left="")

        def watch(progress: Progress) -> None:
            bar.update(
                task,
                completed=progress.done,
                total=progress.total,
                failures=progress.failures,
                left="stopping" if progress.stopped else _left(progress.seconds_left),
            )

        yield watch


@contextmanager
def _lines(stream: TextIO) -> Iterator[Watch]:
    """Write a line at the start and after every hundredth of the readings."""
    shown = -1

    def watch(progress: Progress) -> None:
        nonlocal shown
        step = MOST_LINES * progress.done // max(progress.total, 1)
        if step > shown:
            shown = step
            print(_progress_line(progress), file=stream, flush=True)

    yield watch


def _progress_line(progress: Progress) -> str:
    left = "stopping" if progress.stopped else _left(progress.seconds_left)
    return f"{progress.done} of {progress.total} done, {progress.failures} failed, {left}"


@contextmanager
def _logged(path: Path) -> Iterator[Watch]:
    """Add a line to the log for every reading as it is done, with the reason where it failed."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        stream = path.open("a", encoding="utf-8")
    except OSError as error:
        raise OutputError(
            "The log {path:private} cannot be written: {reason}.",
            path=str(path),
            reason=error.strerror or "unknown",
        ) from error
    with stream:

        def watch(progress: Progress) -> None:
            now = datetime.now(UTC).isoformat(timespec="seconds")
            print(f"{now} {_log_words(progress)}", file=stream, flush=True)

        yield watch


def _log_words(progress: Progress) -> str:
    outcome = progress.last
    if outcome is None:
        return f"begun: {_progress_line(progress)}"
    said = f"{outcome.status} {outcome.task.entry.key} in {outcome.seconds:.1f} s"
    return f"{said}: {outcome.reason}" if outcome.reason else said


def _left(seconds: float | None) -> str:
    if seconds is None:
        return "estimating the time left"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min left" if minutes else "less than 1 min left"


def say_end(progress: Progress, store: Path, *, as_json: bool) -> None:
    """Say what was done, what failed, and what earlier manifests left in the store."""
    counts = {status.value: count for status, count in progress.counts.items()}
    if as_json:
        print_json(
            {
                "total": progress.total,
                "already_done": progress.already_done,
                **counts,
                "stopped": progress.stopped,
                "kept_of_earlier_manifests": progress.enrolled.kept,
                "left_out_of_earlier_manifests": progress.enrolled.left_out,
                "reasons": _reasons(store),
                "identity_doubts": _doubts(store),
                "store": str(store),
            }
        )
        return
    here = ", ".join(f"{count} {WORDS.get(name, name)}" for name, count in counts.items())
    say(
        f"{'Stopped' if progress.stopped else 'Done'}: {here or 'nothing to do'};"
        f" {progress.already_done} were done before; {progress.done} of {progress.total} in"
        f" {store}."
    )
    for doubt in _doubts(store):
        say(f"warning: {doubt}", err=True)
    if progress.enrolled.kept:
        say(
            "Readings of earlier manifests that this one does not name:"
            f" {progress.enrolled.kept}. They stay in the store and in its report; --replace leaves"
            " them out."
        )
    if progress.enrolled.left_out:
        say(f"Readings of earlier manifests left out: {progress.enrolled.left_out}.")


def _doubts(store: Path) -> list[str]:
    """Say which images may belong to another patient, subject or visit."""
    from meniscal_measure.cohort.identity_doubts import identity_doubts
    from meniscal_measure.cohort.store import Store

    with Store.existing(store) as opened:
        doubts = identity_doubts(opened).values()
    said = dict.fromkeys(one.words() for found in doubts for one in found)
    return list(said)[:MOST_REASONS]


def _reasons(store: Path) -> list[dict[str, object]]:
    """List why readings are not measured, the most frequent reasons first."""
    from meniscal_measure.cohort.store import Store

    with Store.existing(store) as opened:
        found = [
            {"status": status, "reason": reason, "count": count}
            for status, reason, count in opened.counted("status", "reason")
            if status in ("refused", "crashed")
        ]
    return sorted(found, key=lambda one: -int(str(one["count"])))[:MOST_REASONS]
