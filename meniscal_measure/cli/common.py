"""What the commands share: options, reporting of errors, progress."""

from __future__ import annotations

import codecs
import errno
import io
import json
import os
import re
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from meniscal_measure.caliper.reading import AxisConvention, ThresholdRule
from meniscal_measure.errors import MeniscalMeasureError, UsageError
from meniscal_measure.files import Progress
from meniscal_measure.sentences import printable

if TYPE_CHECKING:
    from rich.console import Console

FAULT_EXIT_CODE = 70
"""Exit code of a fault in the program itself (EX_SOFTWARE of sysexits.h)."""

NOT_PRINTED = frozenset({errno.EPIPE, errno.ENOSPC, errno.EIO})
"""What the system says where standard output is a full disk, or a pipe that nobody reads. Errors of
other files have their names, or are errors of the program's own by then."""

STANDARD_OUTPUT = 1
"""Its number in POSIX."""

PLAIN_LETTERS = {"±": "+/-", "≥": ">="}
"""Replacements for signs that a terminal cannot show; any other becomes "?"."""

StudyPath = Annotated[
    Path,
    typer.Argument(
        metavar="STUDY",
        help="Folder (any depth), zip archive, DICOMDIR or single DICOM file of one knee MRI.",
    ),
]
OutFolder = Annotated[
    Path, typer.Option("--out", help="Folder for the results; created if needed.")
]
StoredRecord = Annotated[
    Path,
    typer.Argument(
        metavar="RECORD", help="A reading.json that measure or report wrote, or a case.json."
    ),
]
Axis = Annotated[
    AxisConvention, typer.Option("--axis", help="Direction along which extrusion is measured.")
]
ExactlyThreshold = Annotated[
    ThresholdRule,
    typer.Option(
        "--threshold-rule",
        help="Whether a value of exactly the threshold is flagged: above (no) or at_or_above.",
    ),
]
ThresholdMm = Annotated[
    float,
    typer.Option(
        "--threshold-mm", min=0.1, max=25.0, help="Extrusion, mm, beyond which it is flagged."
    ),
]
RefineEdges = Annotated[
    bool,
    typer.Option("--refine-edges", help="Move each outer edge onto the image edge nearby, if any."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for other programs to read.")]
KneeSide = Annotated[
    Literal["left", "right"] | None,
    typer.Option("--side", help="Body side, where the images do not say it."),
]


@contextmanager
def reported(*, as_json: bool) -> Iterator[None]:
    """Turn errors into a message a person can act on, and the documented exit code."""
    _open_closed_streams()
    _write_in_any_encoding()
    try:
        _check_surroundings()
        yield
    except MeniscalMeasureError as error:
        _say_error(type(error).__name__, str(error), as_json=as_json)
        raise typer.Exit(error.exit_code) from None
    except (typer.Exit, typer.Abort):
        raise
    except Exception as error:
        if isinstance(error, OSError) and error.errno in NOT_PRINTED and error.filename is None:
            os.dup2(os.open(os.devnull, os.O_WRONLY), STANDARD_OUTPUT)
            if error.errno != errno.EPIPE:  # whoever reads no further wants to hear no more
                say(f"The results cannot be printed: {error.strerror}.", err=True)
            raise typer.Exit(UsageError.exit_code) from None
        say(traceback.format_exc(), err=True)
        _say_error("Fault", f"A fault in the program: {error}. Please report it.", as_json=as_json)
        raise typer.Exit(FAULT_EXIT_CODE) from error


def _open_closed_streams() -> None:
    """Open standard streams that the caller closed, so that no file takes their numbers."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest number that is free
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(number, "r" if number == 0 else "w", encoding="utf-8"))


def _check_surroundings() -> None:
    """Refuse what packages that write PDF stumble over when they are loaded."""
    try:
        Path.cwd()
    except OSError as error:
        raise UsageError("The current folder does not exist any more. Go to another.") from error
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "0")
    if not re.fullmatch(r"-?\d+", epoch):
        raise UsageError(
            "The environment variable SOURCE_DATE_EPOCH is no whole number of seconds. Unset it."
        )


def check_packages(packages: tuple[str, ...], extra: str) -> None:
    """Refuse a command whose packages are not installed, and name the extra that brings them."""
    missing = [name for name in packages if find_spec(name) is None]
    if missing:
        raise UsageError(
            f"This command needs {', '.join(missing)}, not installed here. Install meniscal-measure"
            f" with the extra {extra}: pip install 'meniscal-measure[{extra}]'."
        )


def say(text: str, *, err: bool = False, colour: str | None = None) -> None:
    """Print a text; header texts, file names and keys in it cannot steer the terminal."""
    typer.secho(printable(text, keep="\n"), err=err, fg=colour)


def safe_console(*, stderr: bool = False) -> Console:
    """Make a console of Rich on which nothing that is printed can steer the terminal."""
    from rich.console import Console
    from rich.segment import Segment

    class SafeConsole(Console):
        def render(self, *args: Any, **options: Any) -> Iterator[Segment]:
            for segment in super().render(*args, **options):
                text = segment.text if segment.control else printable(segment.text, keep="\n")
                yield Segment(text, segment.style, segment.control)

    return SafeConsole(highlight=False, stderr=stderr)


def print_json(value: Any) -> None:
    """Print a value as JSON on standard output."""
    say(json.dumps(value, indent=2))  # in ASCII, which every terminal and pipe carries


def _write_in_any_encoding() -> None:
    """Let a terminal that lacks the letters of a name or the sign ± show replacements."""
    codecs.register_error("plain", _plain_letters)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="plain")


def _plain_letters(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    unwritable = error.object[error.start : error.end]
    return "".join(PLAIN_LETTERS.get(letter, "?") for letter in unwritable), error.end


@contextmanager
def progress_bar(label: str, *, shown: bool) -> Iterator[Progress]:
    """Show a progress bar on standard error while it is a terminal."""
    if not (shown and sys.stderr.isatty()):
        yield lambda done, total: None
        return
    from rich.progress import Progress as Bar

    with Bar(console=safe_console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _say_error(kind: str, message: str, *, as_json: bool) -> None:
    if as_json:
        print_json({"error": {"kind": kind, "message": message}})
    say(message, err=True, colour=None if as_json else typer.colors.RED)
