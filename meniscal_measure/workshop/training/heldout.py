"""Knees to be judged on, with protocols, a population and a scanner that training never uses.

`python -m meniscal_measure.workshop.training.heldout FOLDER` writes the stacks. Their shapes come
from `meniscal_measure.workshop.knees`, the program that also draws half of the training.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from meniscal_measure.anatomy import Compartment
from meniscal_measure.errors import RecipeError
from meniscal_measure.workshop.knees.parameters import KneeParameters
from meniscal_measure.workshop.knees.population import draw_parameters
from meniscal_measure.workshop.knees.scanner.acquire import Scanner, scan
from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, ProtocolName
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, StackPlane, stack_grids
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee, with_extrusion
from meniscal_measure.workshop.training.worlds import Known

BODY_MM, WHOLE_MM = 32.0, 84.0
"""Depth covered by a stack of the meniscal bodies, and by one of the whole knee."""
WHOLE_SHARE = 0.25
EXTRUSION_MM = (-2.5, 8.5)
WORLD = "held-out drawn knees"


def draw_plan(rng: np.random.Generator, protocol: ProtocolName) -> StackPlan:
    """Draw how a coronal stack is laid through the knee."""
    pixel_mm, view_mm = rng.uniform(0.3, 0.8), rng.uniform(130, 175)
    thin = protocol is ProtocolName.PD_3D
    thickness_mm = rng.uniform(1.0, 1.6) if thin else rng.uniform(2.0, 4.5)
    spacing_mm = thickness_mm * rng.uniform(1.0, 1.2)
    depth_mm = WHOLE_MM if rng.random() < WHOLE_SHARE and not thin else BODY_MM
    size = int(view_mm / pixel_mm)
    return StackPlan(
        StackPlane.CORONAL,
        int(depth_mm / spacing_mm),
        size,
        size,
        pixel_mm,
        pixel_mm,
        thickness_mm,
        spacing_mm,
        centre_mm=(rng.uniform(-8, 8), rng.uniform(-5, 5), rng.uniform(-14, 14)),
        rotation_deg=(rng.uniform(-8, 8), rng.uniform(-8, 8), rng.uniform(-8, 8)),
    )


def extruded(
    rng: np.random.Generator, parameters: KneeParameters, plan: StackPlan
) -> SyntheticKnee:
    """Give both menisci an extrusion drawn evenly, on the slice nearest to the spine's apex."""
    grids = stack_grids(plan)
    apex = np.array(SyntheticKnee(parameters).mid_coronal.medial_spine_apex)
    middle = min(grids, key=lambda grid: abs(float(grid.off_plane_mm(apex))))
    for compartment in (Compartment.MEDIAL, Compartment.LATERAL):
        wanted = float(rng.uniform(*EXTRUSION_MM))
        try:
            parameters = with_extrusion(
                parameters, middle, compartment=compartment, extrusion_mm=wanted
            )
        except RecipeError:
            continue  # this knee keeps the extrusion that it was drawn with
    return SyntheticKnee(parameters)


def make_stack(folder: Path, seed: int) -> Path:
    """Make one stack with its truth and write it to `folder`."""
    rng = np.random.default_rng(seed)
    protocol = list(ProtocolName)[rng.integers(len(ProtocolName))]
    plan = draw_plan(rng, protocol)
    knee = extruded(rng, draw_parameters(rng), plan)
    scanner = Scanner(
        field_strength_t=float(rng.choice([1.5, 3.0])), snr=float(rng.uniform(12, 60))
    )
    stack = scan(knee, plan, PROTOCOLS[protocol], scanner=scanner, seeds=(seed, 1))
    truth: dict[str, Any] = {
        "world": WORLD,
        "landmarks": [_plain(knee.landmarks_on(grid)) for grid in stack.grids],
        "apex": list(knee.mid_coronal.medial_spine_apex),
        "midpoint": list(knee.mid_coronal.plateau_midpoint),
        "side": knee.parameters.side.value,
        "protocol": protocol.value,
        "spacing_mm": plan.spacing_mm,
    }
    return Known(folder / f"{seed}.npz", list(stack.grids), stack.pixels, truth).write()


def _plain(landmarks: Mapping[Any, Mapping[Any, Any]] | None) -> dict[str, dict[str, list[float]]]:
    return {
        compartment.value: {name.value: [float(x) for x in point] for name, point in found.items()}
        for compartment, found in (landmarks or {}).items()
    }


def main() -> None:
    """Read the command line and make the stacks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=100_000)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    seeds = range(options.seed, options.seed + options.count)
    with ProcessPoolExecutor(options.processes) as pool:
        for path in pool.map(partial(make_stack, options.folder), seeds):
            print(path, flush=True)


if __name__ == "__main__":
    main()
