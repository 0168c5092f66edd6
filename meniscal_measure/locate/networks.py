"""The trained networks: checked files, run by onnxruntime on the processor."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from typing import TYPE_CHECKING

import numpy as np

from meniscal_measure.errors import UnreadableFileError
from meniscal_measure.geometry import FloatArray
from meniscal_measure.locate.frames import Image

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

CHECKSUMS = "SHA256SUMS"
"""File beside the networks with the SHA-256 of each, as `sha256sum --check` reads it."""
THREADS = 2
BATCH = 8
"""Images run together: enough to be quick, few enough to stay small in memory."""


@dataclass(frozen=True)
class Outputs:
    """What a network gives for n images."""

    points: FloatArray
    """`[column, row]` in frame pixels, (n, points, 2)."""
    mass: FloatArray
    """Share of each heat map that lies near its point, (n, points)."""
    scalars: FloatArray
    """Further numbers, (n, k)."""
    tissue: Image
    """Probability of tibia, meniscus and femur at every pixel, (n, 3, rows, columns)."""


def run(name: str, pictures: Image) -> Outputs:
    """Run a network on images of shape (n, 3, rows, columns)."""
    session = _session(name)
    parts = [
        session.run(None, {"image": pictures[start : start + BATCH]})
        for start in range(0, len(pictures), BATCH)
    ]
    points, mass, scalars, tissue = (
        np.concatenate([np.asarray(part[i]) for part in parts]) for i in range(4)
    )
    exact = np.float64
    return Outputs(points.astype(exact), mass.astype(exact), scalars.astype(exact), tissue)


@cache
def _session(name: str) -> InferenceSession:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = THREADS
    options.inter_op_num_threads = 1
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    return onnxruntime.InferenceSession(
        _checked(name), sess_options=options, providers=["CPUExecutionProvider"]
    )


@cache
def checksums() -> str:
    """List the networks with the SHA-256 of each: where it differs, so may what they propose."""
    return (_weights() / CHECKSUMS).read_text("ascii")


def _weights() -> Traversable:
    return resources.files("meniscal_measure.locate") / "weights"


def _checked(name: str) -> bytes:
    network = f"{name}.onnx"
    content = (_weights() / network).read_bytes()
    if f"{hashlib.sha256(content).hexdigest()}  {network}" not in checksums().splitlines():
        raise UnreadableFileError(
            f"The network {network} is not the one this version was released with; install the"
            " package again."
        )
    return content
