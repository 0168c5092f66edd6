"""How the cohort command shows that it works, and says how it ended."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from meniscal_measure.cli.common import print_json, safe_console, say

if TYPE_CHECKING:
    from meniscal_measure.cohort.run import Progress


WORDS = {"decided": "only decided anew", "unchanged": "with the same files as before"}
"""What became of readings, where its name alone does not tell a user."""


@contextmanager
def cohort_bar(*, shown: bool) -> Iterator[Callable[[Progress], None]]:
    """Show knees done, failures and the time left on standard error while it is a terminal."""
    if not (shown and sys.stderr.isatty()):
        yield lambda _: None
        return
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


def _left(seconds: float | None) -> str:
    if seconds is None:
        return "estimating the time left"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min left" if minutes else "less than 1 min left"


def say_end(progress: Progress, store: Path, *, as_json: bool) -> None:
    """Say what was done, and what of it failed."""
    counts = {status.value: count for status, count in progress.counts.items()}
    if as_json:
        end = {"total": progress.total, "already_done": progress.already_done, **counts}
        print_json({**end, "stopped": progress.stopped, "store": str(store)})
        return
    here = ", ".join(f"{count} {WORDS.get(name, name)}" for name, count in counts.items())
    say(
        f"{'Stopped' if progress.stopped else 'Done'}: {here or 'nothing to do'};"
        f" {progress.already_done} were done before; {progress.done} of {progress.total} in"
        f" {store}."
    )
