"""A network to go on training from, made of a released one.

A released file holds convolutions into which the batch normalisation that followed them has been
folded, and weights in half precision. Fitted to some images, a new normalisation undoes that: the
restored network computes what the released one does.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from meniscal_measure.workshop.training.architecture import PointNetwork, network_of

PREFIX = "network."
"""Before the names of weights that the file has as they are."""
FOLDED = "onnx::Conv"
"""Before those of convolutions with their normalisation, listed in the order of the network."""


def restored(task: str, released: Path, images: Tensor) -> PointNetwork:
    """Restore a released network of the usual size.

    Parameters
    ----------
    task
        What it was taught.
    released
        Its ONNX file.
    images
        Images as it is shown them, to which the normalisation is fitted.
    """
    held = {
        item.name.removesuffix(".half"): torch.from_numpy(numpy_helper.to_array(item).copy())
        for item in onnx.load(released).graph.initializer
    }
    network = network_of(task).eval()
    plain = {k.removeprefix(PREFIX): v.float() for k, v in held.items() if k.startswith(PREFIX)}
    network.load_state_dict(plain, strict=False)
    folded = [value.float() for name, value in held.items() if name.startswith(FOLDED)]
    layers = [layer for block in (*network.down, *network.up) for layer in block]
    convolutions = [layer for layer in layers if isinstance(layer, nn.Conv2d)]
    weights = [value for value in folded if value.dim() == 4]
    biases = [value for value in folded if value.dim() == 1]
    for convolution, weight in zip(convolutions, weights, strict=True):
        convolution.weight.data.copy_(weight)
    norms = [layer for layer in layers if isinstance(layer, nn.BatchNorm2d)]
    hooks = [
        norm.register_forward_pre_hook(_fitted_to(bias))
        for norm, bias in zip(norms, biases, strict=True)
    ]
    with torch.no_grad():
        network(images)
    for hook in hooks:
        hook.remove()
    return network


def _fitted_to(bias: Tensor) -> Any:
    """Let a normalisation pass on what reaches it, with the bias of its convolution added."""

    def fit(norm: nn.BatchNorm2d, given: tuple[Tensor]) -> None:
        variance, mean = torch.var_mean(given[0], (0, 2, 3))
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(variance)
        norm.weight.data.copy_(torch.sqrt(variance + norm.eps))
        norm.bias.data.copy_(mean + bias)

    return fit
