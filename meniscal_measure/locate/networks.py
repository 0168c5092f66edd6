"""The trained networks, run by onnxruntime on the processor."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.locate.frames import Image
from meniscal_measure.locate.released import checked

if TYPE_CHECKING:
    from onnxruntime import InferenceSession

THREADS = 2


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
    """Run a network on images of shape (n, 3, rows, columns).

    One at a time: what it computes stays in the processor's cache, which is quicker than together.
    """
    session = _session(name)
    parts = [session.run(None, {"image": pictures[i : i + 1]}) for i in range(len(pictures))]
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
        checked(name), sess_options=options, providers=["CPUExecutionProvider"]
    )
