"""Put exported networks into the package: `python -m meniscal_measure.workshop.training.release`.

Copies the ONNX files of a folder to `locate/weights/`, their weights in half precision, and lists
the checksums of all that lie there, so that one network can be released without the others.
"""

from __future__ import annotations

import argparse
import hashlib
from pathlib import Path

import numpy as np
import onnx
from onnx import helper, numpy_helper

from meniscal_measure import locate
from meniscal_measure.workshop.training.stages import STAGES

FOLDER = Path(locate.__file__).parent / "weights"


def halved(model: onnx.ModelProto) -> onnx.ModelProto:
    """Store the weights of a network in half precision; it still computes in single precision.

    The runtime widens them once, on loading. It halves the file and moves landmarks by less than
    0.01 mm.
    """
    graph, widened = model.graph, []
    for weights in [item for item in graph.initializer if len(item.dims) > 1]:
        values = numpy_helper.to_array(weights)
        if values.dtype == np.float32:
            half = numpy_helper.from_array(values.astype(np.float16), f"{weights.name}.half")
            graph.initializer.remove(weights)
            graph.initializer.append(half)
            to = onnx.TensorProto.FLOAT
            widened.append(helper.make_node("Cast", [half.name], [weights.name], to=to))
    nodes = [*widened, *graph.node]
    del graph.node[:]
    graph.node.extend(nodes)
    return model


def release(source: Path) -> None:
    """Copy the networks and list their SHA-256 in the form `sha256sum --check` reads."""
    lines = []
    for target in (FOLDER / f"{name}.onnx" for name in STAGES):
        if (source / target.name).exists():
            onnx.save(halved(onnx.load(source / target.name)), target)
        if target.exists():
            lines.append(f"{hashlib.sha256(target.read_bytes()).hexdigest()}  {target.name}\n")
    (FOLDER / "SHA256SUMS").write_text("".join(lines), encoding="ascii")


def main() -> None:
    """Read the command line and release."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("source", type=Path, help="folder of the ONNX files")
    release(parser.parse_args().source)


if __name__ == "__main__":
    main()
