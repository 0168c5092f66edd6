"""The command line program `meniscal-measure`.

Exit codes: 0 done, 1 done with refused inputs, 2 the command cannot be carried out as given,
3 nothing measurable, 70 a fault in the program.
"""

from __future__ import annotations

from typing import Annotated

import typer

from meniscal_measure.cli import archive, case, cohort, contents, measure, phantom, report, review
from meniscal_measure.cli.common import say

EPILOG = (
    "Exit codes: 0 done; 1 done, but some files of the study were refused; 2 the command cannot "
    "be carried out as given; 3 nothing measurable; 70 a fault in the program. "
    "A measurement aid, not a diagnosis: the treating clinician decides."
)

app = typer.Typer(
    name="meniscal-measure",
    help="Measure how far the menisci are extruded on a knee MRI, in millimetres.",
    epilog=EPILOG,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command("contents")(contents.contents)
app.command("measure")(measure.measure)
app.command("report")(report.report)
app.command("case")(case.case)
app.command("review")(review.review)
app.add_typer(archive.app, name="archive")
app.add_typer(cohort.app, name="cohort")
app.add_typer(phantom.app, name="phantom")


def _version(asked: bool) -> None:
    if asked:
        from meniscal_measure import __version__

        say(f"meniscal-measure {__version__}")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[
        bool, typer.Option("--version", help="Show the version.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """Measure how far the menisci are extruded on a knee MRI, in millimetres."""
