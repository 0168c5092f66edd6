"""Shape figures of the batched knees beside those of real ones.

`python -m meniscal_measure.workshop.training.shape_check --count 60` draws knees, measures them in
coronal sections with the definitions that real label maps were measured with, and prints the table.
"""

from __future__ import annotations

import argparse

import numpy as np
import torch
from numpy.typing import NDArray

from meniscal_measure.workshop.morphometry.bone_section import Bones
from meniscal_measure.workshop.morphometry.comparison import compared, table
from meniscal_measure.workshop.morphometry.figures import knee_figures
from meniscal_measure.workshop.training.fields import Draw, Points
from meniscal_measure.workshop.training.knee_batch import Knee


class DrawnBones:
    """Bones of one drawn knee, evaluated at points of any shape."""

    def __init__(self, seed: int) -> None:
        torch.manual_seed(seed)
        self.knee = Knee(Draw(1, torch.device("cpu")))

    @torch.no_grad()
    def __call__(
        self, u: NDArray[np.floating], y: NDArray[np.floating], z: NDArray[np.floating]
    ) -> Bones:
        """Signed fields at points."""
        places = np.broadcast_arrays(u, y, z)
        p = Points(
            *(torch.tensor(a.ravel(), dtype=torch.float32)[None, None, None] for a in places)
        )
        femur, tibia = self.knee.bones(p)
        parts = (femur, tibia, *self.knee.cartilages(p, femur, tibia)[::-1])
        return Bones(*(part.numpy().reshape(places[0].shape).astype(float) for part in parts))


def main() -> None:
    """Read the command line, draw, measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=44)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    seeds = range(options.seed, options.seed + options.count)
    print(table(compared([knee_figures(DrawnBones(seed)) for seed in seeds])))


if __name__ == "__main__":
    main()
