"""Run the tests of the measuring core against every mutant of it, each in a process of its own.

    python tests/mutation/campaign.py [--part N/M] [MODULE ...]

prints the mutants that the tests did not notice, and how many they did. Nothing is written.
"""

from __future__ import annotations

import argparse
import importlib.abc
import importlib.util
import io
import os
import resource
import sys
from collections.abc import Iterator, Sequence
from contextlib import redirect_stderr, redirect_stdout
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType

REPOSITORY = Path(__file__).parents[2]
sys.path.insert(0, str(REPOSITORY))
from tests.mutation.mutants import Mutant, mutants_of  # noqa: E402  # found from there on

PACKAGE = "meniscal_measure"
MODULES = (
    f"{PACKAGE}.geometry",
    f"{PACKAGE}.findings",
    *(
        f"{PACKAGE}.caliper.{file.stem}"
        for file in sorted((REPOSITORY / PACKAGE / "caliper").glob("*.py"))
        if file.stem != "__init__"
    ),
)
CPU_LIMIT_S = 120
"""A mutant that runs for longer has been noticed: it never ends."""

OPTIONS = ("-x", "-q", "-p", "no:cacheprovider", "--assert=plain", "-W", "ignore:Module already")
"""Stop at the first failure, leave no trace, and take the libraries as they are loaded."""

EXAMPLES = 25
"""Examples of each property: fewer than the tests themselves use, so that a kill is a kill."""


def file_of(module: str) -> Path:
    """Find the file of a module."""
    return REPOSITORY / f"{module.replace('.', '/')}.py"


EDGES = ("edges", "blurred_step", "refinement")
"""Modules of the search for edges, whose tests take longest and say nothing of the others."""


def tests_for(module: str) -> list[str]:
    """List the tests of the measuring core, those that mirror the module first."""
    own = module.rsplit(".", 1)[-1]
    names = [f"test_{name}.py" for name in (own, *EDGES)]
    files = [REPOSITORY / "tests" / f"test_{name}.py" for name in ("geometry", "findings")]
    files += sorted((REPOSITORY / "tests" / "caliper").glob("test_*.py"))
    if own not in EDGES:
        files = [file for file in files if file.name not in names[1:]]
    files.sort(key=lambda file: names.index(file.name) if file.name in names else len(names))
    return [str(file) for file in (*files, REPOSITORY / PACKAGE / "caliper", file_of(module))]


class Substitute(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports a mutant in place of the module it was made of."""

    def __init__(self, mutant: Mutant) -> None:
        self.mutant = mutant

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """Take over the import of one module."""
        if fullname != self.mutant.module:
            return None
        return importlib.util.spec_from_file_location(fullname, file_of(fullname), loader=self)

    def exec_module(self, module: ModuleType) -> None:
        """Run the mutant's source as the module."""
        exec(compile(self.mutant.source, self.mutant.module, "exec"), module.__dict__)


def is_noticed(mutant: Mutant) -> bool:
    """Run the tests against a mutant in a forked process."""
    child = os.fork()
    if child == 0:
        resource.setrlimit(resource.RLIMIT_CPU, (CPU_LIMIT_S, CPU_LIMIT_S))
        os._exit(_tested(mutant))
    _, status = os.waitpid(child, 0)
    return status != 0


def _tested(mutant: Mutant) -> int:
    import pytest
    from hypothesis import HealthCheck, settings

    settings.register_profile(
        "mutants", max_examples=EXAMPLES, derandomize=True, database=None, deadline=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    settings.load_profile("mutants")
    sys.meta_path.insert(0, Substitute(mutant))
    said = io.StringIO()
    with redirect_stdout(said), redirect_stderr(said):
        return int(pytest.main([*OPTIONS, *tests_for(mutant.module)]))


def load_what_all_share() -> None:
    """Import the heavy libraries once, before the forks."""
    import hypothesis  # noqa: F401
    import numpy  # noqa: F401
    import pytest  # noqa: F401
    import scipy.optimize
    import scipy.special  # noqa: F401
    import SimpleITK  # noqa: F401
    import skimage.draw  # noqa: F401

    loaded = [name for name in sys.modules if name.startswith(PACKAGE)]
    assert not loaded, f"these would stay as they are: {loaded}"


def campaign(modules: Sequence[str], part: int, parts: int) -> Iterator[tuple[Mutant, bool]]:
    """Test every mutant, or every so many-th, and say whether it was noticed."""
    load_what_all_share()
    whole = Mutant(modules[0], 0, "nothing changed", file_of(modules[0]).read_text("utf-8"))
    assert not is_noticed(whole), "the tests fail without any fault"
    mutants = [mutant for module in modules for mutant in mutants_of(file_of(module), module)]
    for mutant in mutants[part::parts]:
        yield mutant, is_noticed(mutant)


def main() -> None:
    """Run the campaign and print what survived."""
    parser = argparse.ArgumentParser(description="Mutation testing of the measuring core.")
    parser.add_argument("modules", nargs="*", default=MODULES)
    parser.add_argument("--part", default="0/1", help="N/M: every M-th mutant, from number N on")
    arguments = parser.parse_args()
    part, parts = (int(number) for number in arguments.part.split("/"))
    noticed = total = 0
    for mutant, killed in campaign(arguments.modules, part, parts):
        total, noticed = total + 1, noticed + killed
        if not killed:
            print(f"survived: {mutant.module}:{mutant.line} {mutant.change}", flush=True)
    print(f"{noticed} of {total} mutants noticed ({100 * noticed / total:.1f} %)")


if __name__ == "__main__":
    main()
