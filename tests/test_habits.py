"""What the repository promises about itself."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

import meniscal_measure.errors
from meniscal_measure.cli import app

REPOSITORY = Path(__file__).parents[1]
SHARED_NAMES = {
    "case": "a module of cli is called like its command",
    "measure": "a module of cli is called like its command",
}
"""Names of modules and classes that rooms used together share, each with the reason."""

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


def test_rooms_used_together_share_no_name_of_a_module_or_class() -> None:
    """Two rooms are used together where a module of the package names both."""
    together: set[frozenset[str]] = set()
    named: dict[str, set[str]] = defaultdict(set)
    for path in sorted((REPOSITORY / "meniscal_measure").rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        room = _room(path.relative_to(REPOSITORY).with_suffix("").parts)
        together |= set(map(frozenset, combinations({room, *_imported_rooms(tree)}, 2)))
        names = [node.name for node in tree.body if isinstance(node, ast.ClassDef)]
        for name in [path.stem, *names]:
            if not name.startswith("_"):
                named[name].add(room)
    shared = {
        name
        for name, rooms in named.items()
        if any(frozenset(pair) in together for pair in combinations(rooms, 2))
    }
    assert shared == SHARED_NAMES.keys()


def _imported_rooms(tree: ast.Module) -> set[str]:
    modules = (node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom))
    parts = (module.split(".") for module in modules if module is not None)
    return {_room(tuple(part)) for part in parts if part[0] == "meniscal_measure" and part[1:]}


def _room(parts: tuple[str, ...]) -> str:
    """The room of a module: `workshop` holds three, and each top-level module is one."""
    return ".".join(parts[1:3] if parts[1] == "workshop" else parts[1:2])


def test_an_error_gives_what_may_name_a_patient_as_a_private_field() -> None:
    """A path, a text of a file or of a user, or what another library said of them.

    The workshop reads recipes of drawn knees only.
    """
    assert [place for place in _raised_openly() if "/workshop/" not in place] == []


MAY_IDENTIFY = {
    *("path", "folder", "file", "store", "url", "study", "scheduler", "error", "reader", "called"),
    *("text", "problems", "cell", "uid", "subject", "patient_id", "patient_name", "description"),
}
"""Last part of an expression whose value may name a patient."""


def _raised_openly() -> Iterator[str]:
    """Errors whose message holds such a value in an f-string, or in a field that is not private."""
    errors = {name for name in vars(meniscal_measure.errors) if name.endswith("Error")}
    for file in sorted((REPOSITORY / "meniscal_measure").rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func).rsplit(".")[-1] in errors:
                place = f"{file.relative_to(REPOSITORY)}:{node.lineno}"
                yield from (f"{place} {said}" for said in _said_openly(node))


def _said_openly(call: ast.Call) -> Iterator[str]:
    message = call.args[0] if call.args else ast.Constant("")
    for node in ast.walk(message):
        if isinstance(node, ast.FormattedValue) and _may_identify(node.value):
            yield ast.unparse(node.value)
    texts = [node.value for node in ast.walk(message) if isinstance(node, ast.Constant)]
    template = "".join(text for text in texts if isinstance(text, str))
    for keyword in call.keywords:
        is_private = f"{{{keyword.arg}:private}}" in template
        if not is_private and (keyword.arg in MAY_IDENTIFY or _may_identify(keyword.value)):
            yield f"{keyword.arg}={ast.unparse(keyword.value)}"


def _may_identify(value: ast.expr) -> bool:
    match value:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name in MAY_IDENTIFY
        case ast.Call(func=ast.Name(id="str" | "repr"), args=[inner]):
            return _may_identify(inner)
        case ast.BoolOp(values=[first, *_]):
            return _may_identify(first)
    return False


def _text(name: str) -> str:
    return (REPOSITORY / name).read_text("utf-8")
