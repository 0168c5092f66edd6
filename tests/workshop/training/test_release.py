"""Released networks are half as large and compute the same."""

import numpy as np
import pytest

onnx = pytest.importorskip("onnx")  # only training needs it

from onnx import TensorProto, helper, numpy_helper  # noqa: E402
from onnxruntime import InferenceSession  # noqa: E402

from meniscal_measure.workshop.training.release import halved  # noqa: E402

HALF_PRECISION = 2.0**-11
"""Relative rounding of a half-precision number (IEEE 754 binary16, ten stored bits)."""
WIDTH = 200


def test_halved_weights_give_the_same_output_from_half_the_file() -> None:
    weights = np.random.default_rng(4).normal(size=(WIDTH, WIDTH)).astype(np.float32)
    picture, answer = (
        helper.make_tensor_value_info(name, TensorProto.FLOAT, [1, WIDTH]) for name in "xy"
    )
    graph = helper.make_graph(
        [helper.make_node("MatMul", ["x", "w"], ["y"])],
        "one layer",
        [picture],
        [answer],
        [numpy_helper.from_array(weights, "w")],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 18)], ir_version=9)
    whole = model.SerializeToString()
    half = halved(model).SerializeToString()
    shown = np.ones((1, WIDTH), np.float32)
    one, other = (InferenceSession(m).run(None, {"x": shown})[0] for m in (whole, half))
    assert np.abs(one - other).max() < HALF_PRECISION * np.abs(weights).sum(axis=0).max()
    assert len(half) < 0.55 * len(whole)
