"""Every stage of training starts from what it needs and leaves what a release wants."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

torch = pytest.importorskip("torch")  # only training needs it
pytest.importorskip("onnx")

from onnxruntime import InferenceSession  # noqa: E402

from meniscal_measure.locate.frames import MARGIN_SIZE  # noqa: E402
from meniscal_measure.workshop.training import (  # noqa: E402
    __main__,
    earlier,
    margin_samples,
    release,
    stores,
    train,
    volumes,
)
from meniscal_measure.workshop.training.architecture import network_of  # noqa: E402
from meniscal_measure.workshop.training.export import export  # noqa: E402
from meniscal_measure.workshop.training.margin_samples import (  # noqa: E402
    MARGIN_STORED,
    MarginExample,
)
from meniscal_measure.workshop.training.restore import restored  # noqa: E402
from meniscal_measure.workshop.training.stages import FIRST_MARGINS, STAGES  # noqa: E402
from meniscal_measure.workshop.training.task import task_of  # noqa: E402

CPU = torch.device("cpu")
SAME_PX = 0.05
"""Half-precision weights move a landmark by less than a thirtieth of a millimetre."""


def blank_margins(knees: int, device: Any = CPU) -> MarginExample:
    """Joint margins on which there is nothing to be seen."""
    count = 2 * knees
    return MarginExample(
        torch.rand(count, 3, MARGIN_STORED, MARGIN_STORED),
        torch.zeros(count, MARGIN_STORED, MARGIN_STORED),
        torch.full((count, 3, 2), MARGIN_STORED / 2),
        torch.ones(count, 3) > 0,
        torch.tensor([[1.0, 0.0]]).expand(count, 2),
    )


def blank_slab(rng: np.random.Generator, **_: object) -> Iterator[MarginExample]:
    yield blank_margins(1)


@pytest.fixture
def tiny(monkeypatch: pytest.MonkeyPatch) -> None:
    """One step on two blank pictures."""
    monkeypatch.setattr(train, "BATCH", 2)
    monkeypatch.setattr(train, "FITTED_TO", 1)
    monkeypatch.setattr(stores, "KNEES", 1)
    monkeypatch.setattr(stores, "CAPACITY", 8)
    monkeypatch.setattr(volumes, "margin_slab", blank_slab)
    monkeypatch.setattr(margin_samples, "margin_batch", blank_margins)
    monkeypatch.setattr(earlier, "margin_batch", lambda folder: blank_margins)


def run(name: str, folder: Path) -> train.Run:
    return train.Run(name, folder, seconds=1e-6, workers=1, device="cpu")


@pytest.mark.filterwarnings("ignore")  # of the exporter of torch
def test_a_stage_leaves_a_network_that_can_be_released(
    tmp_path: Path, tiny: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = "margin_c"
    train.train(run(name, tmp_path))
    export("margin", tmp_path / f"{name}.pt", tmp_path / f"{name}.onnx")
    (tmp_path / "weights").mkdir()
    monkeypatch.setattr(release, "FOLDER", tmp_path / "weights")
    release.release(tmp_path)
    assert f"  {name}.onnx\n" in (tmp_path / "weights" / "SHA256SUMS").read_text("ascii")
    shown = np.zeros((1, 3, MARGIN_SIZE, MARGIN_SIZE), np.float32)
    session = InferenceSession(tmp_path / "weights" / f"{name}.onnx")
    points, mass, scalars, tissue = session.run(None, {"image": shown})
    assert points.shape == (1, 3, 2)
    assert mass.shape == scalars.shape == (1, 3)
    assert tissue.shape == (1, 3, MARGIN_SIZE, MARGIN_SIZE)


def test_a_stage_goes_on_from_the_network_trained_before_it_in_the_same_folder(
    tmp_path: Path, tiny: None
) -> None:
    before = network_of("margin")
    torch.save({"average": before.state_dict()}, tmp_path / "margin_b.pt")
    task = task_of(STAGES["margin_d"], tmp_path)
    started = train._start(run("margin_d", tmp_path), task, CPU)
    for name, weights in before.state_dict().items():
        assert torch.equal(started.state_dict()[name], weights), name


def test_a_stage_goes_on_from_the_released_network_where_none_was_trained(
    tmp_path: Path, tiny: None
) -> None:
    released = release.FOLDER / "margin_b.onnx"
    images = blank_margins(1).image[..., :MARGIN_SIZE, :MARGIN_SIZE]
    with torch.no_grad():
        points = restored("margin", released, images)(images).points.numpy()
    expected = InferenceSession(released).run(None, {"image": images.numpy()})[0]
    assert np.abs(points - expected).max() < SAME_PX


def test_a_paused_stage_goes_on_where_it_was(tmp_path: Path, tiny: None) -> None:
    train.train(run("margin_d", tmp_path))
    paused_s = torch.load(tmp_path / "margin_d.pt", weights_only=True)["seconds"]
    longer = train.Run("margin_d", tmp_path, seconds=paused_s + 1e-9, workers=1, device="cpu")
    train.train(longer)
    state = torch.load(tmp_path / "margin_d.pt", weights_only=True)
    assert state["step"] == 2
    assert state["seconds"] > paused_s


def test_earlier_code_trains_the_first_networks_in_the_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stand-in of that code writes down what it was asked."""
    code = tmp_path / "code"
    room = code / "meniscal_measure" / "locate" / "training"
    room.mkdir(parents=True)
    for folder in (room, *room.parents[:2]):
        (folder / "__init__.py").touch()
    stand_in = "import sys, pathlib; pathlib.Path('asked').write_text(' '.join(sys.argv[1:]))"
    (room / "train.py").write_text(stand_in)
    monkeypatch.setattr(earlier, "unpacked", lambda commit, folder: code)
    earlier.trained(STAGES["margin_a"], "margin_a", tmp_path, {"seed": 2, "device": "cpu"})
    asked = (code / "asked").read_text()
    assert asked == f"margin --out {tmp_path} --name margin_a --seed=2 --device=cpu"


def test_code_that_history_does_not_hold_is_asked_for(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError, match=r"0000000 is not at hand.*whole history"):
        earlier.unpacked("0000000", tmp_path)


def test_the_first_joint_margins_are_made_by_their_own_code(tmp_path: Path) -> None:
    try:
        earlier.unpacked(FIRST_MARGINS.commit, tmp_path)
    except RuntimeError as missing:
        pytest.skip(str(missing))
    made = earlier.margin_batch(tmp_path)(1, CPU)
    assert made.image.shape == (2, 3, MARGIN_STORED, MARGIN_STORED)
    assert made.points.shape == (2, 3, 2)


def test_every_stage_starts_after_that_which_it_goes_on_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trained: list[str] = []
    note: Callable[..., None] = lambda plan, name, device: trained.append(name)  # noqa: E731
    monkeypatch.setattr(__main__.Plan, "train", note)
    __main__.train_all(__main__.Plan(tmp_path, 1), list(STAGES)[::-1], ["one", "another"])
    assert sorted(trained) == sorted(STAGES)
    for name, stage in STAGES.items():
        if stage.after:
            assert trained.index(stage.after) < trained.index(name)


@pytest.mark.parametrize(("name", "again"), [("survey", True), ("margin_a", False)])
def test_an_unfinished_network_of_earlier_code_is_not_taken_for_finished(
    name: str, again: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Code that saves on its way is called again; code that saves at the end has ended."""
    called: list[str] = []
    monkeypatch.setattr(earlier, "trained", lambda stage, name, *_: called.append(name))
    monkeypatch.setattr(__main__, "_module", lambda *_: None)
    (tmp_path / f"{name}.pt").touch()
    __main__.Plan(tmp_path, 1).train(name, "cpu")
    assert called == [name] * again
