"""`case`: one study, or two of one knee, to the sheet a surgeon attaches to the case."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from meniscal_measure.cli.common import (
    AsJson,
    KneeSide,
    OutFolder,
    check_packages,
    print_json,
    reported,
    say,
)
from meniscal_measure.cli.measure import WithoutIdentifiers
from meniscal_measure.cli.pages import NoBrowser, serve_page
from meniscal_measure.errors import ExitCode

if TYPE_CHECKING:
    from meniscal_measure.knee.case_record import KneeCase
    from meniscal_measure.workflow.case_questions import CaseQuestions


def case(
    baseline: Annotated[
        Path,
        typer.Argument(metavar="BASELINE", help="Folder, zip archive or DICOMDIR of the knee MRI."),
    ],
    out: OutFolder,
    follow_up: Annotated[
        Path | None, typer.Argument(metavar="[FOLLOW-UP]", help="A later MRI of the same knee.")
    ] = None,
    answers: Annotated[
        Path | None,
        typer.Option(
            help="What a person answered (TOML); by default answers.toml in the folder of results,"
            " which is written with the open questions if it is not there."
        ),
    ] = None,
    landmarks: Annotated[
        Path | None,
        typer.Option(
            help="Landmark file of the baseline's extrusion; without one they are proposed."
        ),
    ] = None,
    radiographs: Annotated[
        Path | None,
        typer.Option(
            help="Where radiographs of the leg lie; those in the studies are found without it."
        ),
    ] = None,
    side: KneeSide = None,
    without_identifiers: WithoutIdentifiers = False,
    ask: Annotated[
        bool,
        typer.Option(
            "--ask", help="Ask the open questions on a local page first, each on its image."
        ),
    ] = False,
    reader: Annotated[
        str, typer.Option(help="Name or pseudonym you answer with; the page asks otherwise.")
    ] = "",
    no_browser: NoBrowser = False,
    as_json: AsJson = False,
) -> None:
    """Bring a knee's numbers, signs, plan and published facts together on one sheet.

    A measurement aid, not a diagnosis: it recommends nothing and scores nothing.
    """
    with reported(as_json=as_json):
        import msgspec

        from meniscal_measure.anatomy import Side
        from meniscal_measure.knee.answers import Answers, read_answers
        from meniscal_measure.report.save_case import ANSWERS, save_case
        from meniscal_measure.workflow.case import make_case
        from meniscal_measure.workflow.case_questions import questioned

        file = answers or out / ANSWERS
        answered = read_answers(file) if answers or file.exists() else Answers()
        body_side = side and Side.from_word(side)
        if ask:
            check_packages(("starlette", "uvicorn", "tomlkit"), "web")
            questions = questioned(
                baseline, answered, follow_up=follow_up, radiographs=radiographs,
                side=body_side, landmarks=landmarks,
            )  # fmt: skip
            _ask(questions, file, reader, no_browser=no_browser)
            answered = read_answers(file)
        made = make_case(
            baseline, follow_up, answers=answered, landmarks=landmarks,
            side=body_side, radiographs=radiographs, identifiers=not without_identifiers,
        )  # fmt: skip
        save_case(
            made.case, made.pictures, out, follow_up=made.follow_up, radiographs=made.radiographs
        )
        if as_json:
            print_json(msgspec.to_builtins(made.case))
        else:
            _show(made.case, file)
            say(f"Written to {out}: case-sheet.pdf, case-sheet.html, case.json and more")
        if made.refused:
            raise typer.Exit(ExitCode.DONE_WITH_REFUSALS)


def _ask(questions: CaseQuestions, file: Path, reader: str, *, no_browser: bool) -> None:
    from meniscal_measure.review.question_desk import QuestionDesk
    from meniscal_measure.review.question_routes import question_application
    from meniscal_measure.review.serve import PageServer

    desk = QuestionDesk(questions, file)
    server = PageServer(question_application(desk))
    desk.finish = server.stop
    words = f"Finish there, and the sheet is written. Every answer is saved at once in {file}."
    serve_page(server, reader, words, no_browser=no_browser)


def _show(case: KneeCase, file: Path) -> None:
    for gap in case.gaps:
        say(f"Gap: {gap}")
    if case.questions:
        say(
            f"{len(case.questions)} open questions: answer them slice by slice with --ask, or in"
            f" {file} and run the command again."
        )
    if case.offered:
        say(f"Asked only on request: {'; '.join(each.words for each in case.offered)}.")
