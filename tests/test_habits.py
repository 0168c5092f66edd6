"""What the repository promises about itself."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

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
    named = re.findall(r"`(tests/[\w/]+\.py)`", _text("README.md"))
    assert len(named) > 10
    assert [name for name in named if not (REPOSITORY / name).exists()] == []


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_what_a_document_links_to_is_there(document: str) -> None:
    links = re.findall(r"\]\((?!https?:|#)([^)#]+)", _text(document))
    assert [link for link in links if not (REPOSITORY / link).exists()] == []


def test_every_test_folder_mirrors_a_room() -> None:
    """Besides rooms there are those that measure time, put faults in, and hold real landmarks."""
    others = {"benchmarks", "campaign", "mutation", "real", "__pycache__"}
    folders = {path.name for path in (REPOSITORY / "tests").iterdir() if path.is_dir()} - others
    rooms = {path.name for path in (REPOSITORY / "meniscal_measure").iterdir() if path.is_dir()}
    assert folders <= rooms


def _text(name: str) -> str:
    return (REPOSITORY / name).read_text("utf-8")
