"""Train all networks anew: `python -m meniscal_measure.workshop.training FOLDER`.

One after the other, about eight minutes each on one graphics card with sixteen processor cores.
Started again it goes on where it was. It leaves ONNX files in FOLDER, which
`training.release` puts into the package.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from meniscal_measure.workshop.training.export import export
from meniscal_measure.workshop.training.train import Run, train

NETWORKS = {"survey": "survey", "margin_a": "margin", "margin_b": "margin"}
"""Name of each network with what it is taught."""


def main() -> None:
    """Read the command line, train and export."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1, help="of the first network; others follow")
    parser.add_argument("--seconds", type=float, default=Run.seconds, help="for each network")
    parser.add_argument("--workers", type=int, default=Run.workers, help="that make volumes")
    parser.add_argument("--device", default=Run.device)
    given = parser.parse_args()
    for offset, (name, task) in enumerate(NETWORKS.items()):
        checkpoint, target = given.folder / f"{name}.pt", given.folder / f"{name}.onnx"
        train(
            Run(
                *(task, checkpoint, given.seed + offset, given.seconds, given.workers),
                device=given.device,
            )
        )
        export(task, checkpoint, target)


if __name__ == "__main__":
    main()
