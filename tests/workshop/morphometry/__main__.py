"""Shape figures of drawn knees beside those of real ones.

`python -m tests.workshop.morphometry 44` draws knees of the sample generator, measures them in
coronal sections as the real label maps were measured, and prints the table; `--batched` draws
those that the networks are trained on (needs torch).
"""

import argparse
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.workshop.knees.population import draw_parameters
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from tests.workshop.morphometry.bone_section import Bones, BonesAt
from tests.workshop.morphometry.comparison import compared, table
from tests.workshop.morphometry.drawn import bones_of
from tests.workshop.morphometry.figures import knee_figures

SEED = 5


def singles(count: int) -> Iterator[BonesAt]:
    """Bones of knees of the sample generator."""
    rng = np.random.default_rng(SEED)
    for _ in range(count):
        yield bones_of(SyntheticKnee(draw_parameters(rng)))


def batched(count: int) -> Iterator[BonesAt]:
    """Bones of knees drawn for training."""
    import torch

    from meniscal_measure.workshop.training.fields import Draw, Points
    from meniscal_measure.workshop.training.knee_batch import Knee

    for seed in range(SEED, SEED + count):
        torch.manual_seed(seed)
        knee = Knee(Draw(1, torch.device("cpu")))

        def bones_at(
            u: NDArray[np.floating],
            y: NDArray[np.floating],
            z: NDArray[np.floating],
            knee: Knee = knee,
        ) -> Bones:
            places = np.broadcast_arrays(u, y, z)
            p = Points(
                *(torch.tensor(a.ravel(), dtype=torch.float32)[None, None, None] for a in places)
            )
            with torch.no_grad():
                femur, tibia = knee.bones(p)
                parts = (femur, tibia, *knee.cartilages(p, femur, tibia)[::-1])
            return Bones(*(part.numpy().reshape(places[0].shape).astype(float) for part in parts))

        yield bones_at


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", type=int)
    parser.add_argument("--batched", action="store_true")
    options = parser.parse_args()
    knees = (batched if options.batched else singles)(options.count)
    print(table(compared([knee_figures(bones) for bones in knees])))
