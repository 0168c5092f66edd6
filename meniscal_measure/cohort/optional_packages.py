"""Packages that only an extra of this one installs."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from meniscal_measure.errors import UsageError


def optional(module: str, purpose: str, extra: str, *, name: str = "", instead: str = "") -> Any:
    """Import a package of an extra when it is needed.

    Raises
    ------
    UsageError
        If it is not installed, with the purpose it serves and what can be done instead.

    Examples
    --------
    >>> optional("json", "Writing JSON", "web").dumps([1])
    '[1]'
    """
    try:
        return import_module(module)
    except ImportError as error:
        raise UsageError(
            f"{purpose} needs {name or module}, which is not installed: pip install"
            f" 'meniscal-measure[{extra}]'.{instead}"
        ) from error


def pyarrow(purpose: str, instead: str) -> tuple[Any, Any]:
    """Import pyarrow and its part for Parquet; see `optional`."""
    package = optional("pyarrow", purpose, "parquet", instead=instead)
    return package, import_module("pyarrow.parquet")
