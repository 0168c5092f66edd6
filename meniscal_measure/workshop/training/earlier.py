"""The batched joint margins, and the training, of earlier states of this project.

Their code is taken from the project's own history, so it needs a clone that has it.
"""

from __future__ import annotations

import importlib
import io
import subprocess
import sys
import tarfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import torch

from meniscal_measure import locate
from meniscal_measure.workshop.training.margin_samples import MarginExample
from meniscal_measure.workshop.training.stages import FIRST_MARGINS, Stage

REPOSITORY = Path(locate.__file__).parents[2]


def unpacked(commit: str, folder: Path) -> Path:
    """Write the package as it was at a commit to a folder, and give that folder.

    Raises
    ------
    RuntimeError
        If the history of the project is not at hand.
    """
    target = folder / commit
    if not target.exists():
        command = ["git", "archive", commit, "meniscal_measure"]
        made = subprocess.run(command, cwd=REPOSITORY, capture_output=True, check=False)
        if made.returncode:
            raise RuntimeError(
                f"The code of commit {commit} is not at hand in {REPOSITORY}; train in a clone of"
                f" the project with its whole history. git says: {made.stderr.decode().strip()}"
            )
        with tarfile.open(fileobj=io.BytesIO(made.stdout)) as archive:
            archive.extractall(target, filter="data")
    return target


def trained(stage: Stage, name: str, folder: Path, options: dict[str, object]) -> None:
    """Let the earlier code of a stage train its network, which is left in the folder.

    Parameters
    ----------
    stage, name
        The stage and its network.
    folder
        Of the checkpoints.
    options
        Further options of the command.
    """
    assert stage.code is not None
    code = unpacked(stage.code.commit, folder)
    words = stage.code.command.format(task=stage.task, folder=folder.resolve(), name=name).split()
    given = [f"--{key}={value}" for key, value in options.items()]
    subprocess.run([sys.executable, "-m", *words, *given], check=True, cwd=code)


def margin_batch(folder: Path) -> Callable[[int, torch.device], MarginExample]:
    """Give the maker of joint margins of the first margin networks, unpacked in a folder.

    Its modules use the frames of today's run time, whose sizes are the same.
    """
    rooms = str(unpacked(FIRST_MARGINS.commit, folder) / "meniscal_measure" / "locate")
    if rooms not in locate.__path__:
        locate.__path__.append(rooms)
    samples: Any = importlib.import_module("meniscal_measure.locate.training.samples")

    def make(knees: int, device: torch.device) -> MarginExample:
        made = samples.margin_batch(knees, device)
        return MarginExample(made.image, made.tissue, made.points, made.present, made.axis)

    return make
