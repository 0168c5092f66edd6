"""What the repository promises about itself."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from meniscal_measure.cli import app

REPOSITORY = Path(__file__).parents[1]
CHECKS = re.compile(r"^\s*(?:\.venv/bin/)?((?:ruff|mypy|lint-imports|npm exec)\b.*)$", re.MULTILINE)


def test_pre_commit_runs_the_static_checks_of_the_release() -> None:
    release = CHECKS.findall((REPOSITORY / ".ci" / "run").read_text("utf-8"))
    hooks = re.findall(
        r"^\s+entry: (.*)$", (REPOSITORY / ".pre-commit-config.yaml").read_text("utf-8"), re.M
    )
    assert hooks == release


def test_the_changelog_names_this_version() -> None:
    said = (REPOSITORY / "CHANGELOG.md").read_text("utf-8")
    version = re.search(r'__version__ = "(.*)"', _text("meniscal_measure/__init__.py"))
    assert version is not None
    assert f"## [{version[1]}]" in said
    assert "## [Unreleased]" in said


def test_the_table_of_risks_names_tests_that_are_there() -> None:
    named = re.findall(r"`(tests/[\w/]+\.py)`", _text("meniscal_measure/docs/risks.md"))
    assert len(named) > 10
    assert [name for name in named if not (REPOSITORY / name).exists()] == []


DOCUMENTS = [
    *("README.md", "DEVELOPERS.md", "CHANGELOG.md"),
    *(
        f"meniscal_measure/docs/{path.name}"
        for path in sorted((REPOSITORY / "meniscal_measure/docs").glob("*.md"))
    ),
]


@pytest.mark.parametrize("document", DOCUMENTS)
def test_what_a_document_links_to_is_there(document: str) -> None:
    links = re.findall(r"\]\((?!https?:|#)([^)#]+)", _text(document))
    folder = (REPOSITORY / document).parent
    assert [link for link in links if not (folder / link).exists()] == []


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_command_in_a_document_exists(document: str) -> None:
    """The words after the program's name are commands, and each option is one of theirs."""
    for line in re.findall(r"^meniscal-measure (.*)$", _text(document), re.M):
        command: Any = get_command(app)
        words = line.split()
        while hasattr(command, "commands"):
            command = command.commands[words.pop(0)]
        options = {name for parameter in command.params for name in parameter.opts}
        assert {word for word in words if word.startswith("--")} <= options, line


def test_every_test_folder_mirrors_a_room() -> None:
    """Besides rooms there are those that measure time, put faults in, and hold real landmarks."""
    others = {"benchmarks", "campaign", "mutation", "real", "__pycache__"}
    folders = {path.name for path in (REPOSITORY / "tests").iterdir() if path.is_dir()} - others
    rooms = {path.name for path in (REPOSITORY / "meniscal_measure").iterdir() if path.is_dir()}
    assert folders <= rooms


def _text(name: str) -> str:
    return (REPOSITORY / name).read_text("utf-8")
