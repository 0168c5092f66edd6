"""Write trained networks as ONNX files: `python -m meniscal_measure.workshop.training.export`."""

from __future__ import annotations

import argparse
from pathlib import Path

import torch
from torch import Tensor, nn

from meniscal_measure.locate.frames import MARGIN_SIZE, SURVEY_SIZE
from meniscal_measure.workshop.training.architecture import PointNetwork, averaged

OPSET = 18
OUTPUTS = ("points", "mass", "scalars", "tissue")
OUTLINES = [2, 3, 1]
"""Places of tibia, meniscus and femur among the tissues that the networks tell apart."""
SIZES = {"survey": SURVEY_SIZE, "margin": MARGIN_SIZE}


class Slim(nn.Module):
    """A trained network less what only training needs."""

    def __init__(self, network: PointNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, image: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Points, heat-map mass, scalars, and probabilities of tibia, meniscus and femur."""
        output = self.network(image)
        tissue = torch.softmax(output.tissue, 1)[:, OUTLINES]
        return output.points, output.mass, output.scalars, tissue


def export(kind: str, weights: Path, target: Path) -> None:
    """Turn a checkpoint's averaged weights into an ONNX file with a free batch axis."""
    network = averaged(kind, torch.load(weights, map_location="cpu", weights_only=True))
    example = torch.rand(2, 3, SIZES[kind], SIZES[kind])
    torch.onnx.export(
        Slim(network).eval(),
        (example,),
        str(target),
        input_names=["image"],
        output_names=list(OUTPUTS),
        dynamic_axes={name: {0: "n"} for name in ("image", *OUTPUTS)},
        opset_version=OPSET,
        dynamo=False,
    )


def main() -> None:
    """Read the command line and export."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kind", choices=sorted(SIZES))
    parser.add_argument("weights", type=Path)
    parser.add_argument("target", type=Path)
    options = parser.parse_args()
    export(options.kind, options.weights, options.target)


if __name__ == "__main__":
    main()
