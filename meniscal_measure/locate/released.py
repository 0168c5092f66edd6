"""The files of the trained networks and their checksums; nothing that computes is loaded here."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable

from meniscal_measure.errors import UnreadableFileError

CHECKSUMS = "SHA256SUMS"
"""File beside the networks with the SHA-256 of each, as `sha256sum --check` reads it."""


@cache
def checksums() -> str:
    """List the networks with the SHA-256 of each: where it differs, so may what they propose."""
    return (_weights() / CHECKSUMS).read_text("ascii")


def _weights() -> Traversable:
    return resources.files("meniscal_measure.locate") / "weights"


def checked(name: str) -> bytes:
    """Read a network.

    Raises
    ------
    UnreadableFileError
        If it is not the one this version was released with.
    """
    network = f"{name}.onnx"
    content = (_weights() / network).read_bytes()
    if f"{hashlib.sha256(content).hexdigest()}  {network}" not in checksums().splitlines():
        raise UnreadableFileError(
            f"The network {network} is not the one this version was released with; install the"
            " package again."
        )
    return content
