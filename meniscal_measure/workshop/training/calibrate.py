"""Fit the standard deviations of proposed landmarks to what was found beside the truth.

`python -m meniscal_measure.workshop.training.calibrate TABLE ...` takes the tables that
`training.evaluate` writes, fits the factors of `locate.calibration` to all their worlds together,
and says how many true values the intervals hold on each world: with these factors, and with factors
fitted to the other worlds only.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from meniscal_measure.geometry import FloatArray
from meniscal_measure.workshop.training.worlds import POINTS

SIGNS = ("stated", "spread", "elsewhere")
"""Findings that say how uncertain a landmark is, in the order of the factors."""
LEAST_MM = 0.1
"""No standard deviation is fitted below this."""
TAIL = 4.0
"""Degrees of freedom of the Student distribution that errors are taken to follow."""
COVERAGE, Z = 0.95, 1.96
"""After the fit the standard deviations are scaled so that this share of errors lies within."""
WIDENED = 1.08
"""Then they are widened: a world that was not fitted to is covered by two hundredths less."""


@dataclass(frozen=True)
class World:
    """Margins of one world: errors along the line of the rims, and `SIGNS`; NaN where unknown."""

    name: str
    errors_mm: FloatArray
    """Shape (margins, landmarks)."""
    signs: FloatArray
    """Shape (signs, margins, landmarks)."""

    def sds_mm(self, factors: FloatArray) -> FloatArray:
        """Give that of each landmark by factors of shape (1 + signs, landmarks)."""
        parts = factors[1:, None] * self.signs
        return np.asarray(np.sqrt(factors[0] ** 2 + (parts**2).sum(axis=0)))

    def held(self, factors: FloatArray) -> NDArray[np.bool_]:
        """Whether the interval of each extrusion holds its true value."""
        error = self.errors_mm[:, 1] - self.errors_mm[:, 0]
        return np.abs(error) < Z * np.hypot(*self.sds_mm(factors)[:, :2].T)


def worlds_in(path: Path) -> Iterator[World]:
    """Give the worlds of a table, corrupted images as worlds of their own."""
    with np.load(path) as table:
        names = [f"{w}, {k}" for w, k in zip(table["worlds"], table["kinds"], strict=True)]
        columns, margins = list(table["margin_columns"]), table["margins"]
    for name in dict.fromkeys(names):
        rows = margins[np.array(names) == name].reshape(-1, len(columns))
        rows = rows[~np.isnan(rows[:, 0])]
        if len(rows):
            of = {
                kind: rows[:, [columns.index(f"{kind}_{point}") for point in POINTS]]
                for kind in ("error", *SIGNS)
            }
            yield World(name, of["error"], np.stack([of[sign] for sign in SIGNS]))


def fitted(worlds: Sequence[World]) -> FloatArray:
    """Fit factors to worlds of equal weight; shape (1 + signs, landmarks).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> sds = rng.uniform(0.5, 2.0, (4000, 3))
    >>> world = World("drawn", sds * rng.normal(size=sds.shape), np.stack([sds, 0 * sds, 0 * sds]))
    >>> (fitted([world])[1] / WIDENED).round(1).tolist()
    [1.0, 1.0, 1.0]
    """
    return np.stack([_fitted(worlds, point) for point in range(len(POINTS))], axis=1)


def _fitted(worlds: Sequence[World], point: int) -> FloatArray:
    known = [~np.isnan(world.errors_mm[:, point]) for world in worlds]
    errors = [world.errors_mm[k, point] for world, k in zip(worlds, known, strict=True)]
    signs = [world.signs[:, k, point] for world, k in zip(worlds, known, strict=True)]

    def sds(factors: FloatArray) -> list[FloatArray]:
        squares = [factors[0] ** 2 + (factors[1:] ** 2) @ part**2 for part in signs]
        return [np.sqrt(square + LEAST_MM**2) for square in squares]

    def against(logarithms: FloatArray) -> float:
        """Minus the mean log likelihood."""
        parts = zip(errors, sds(np.exp(logarithms)), strict=True)
        return sum(
            float((np.log(sd) + (TAIL + 1) / 2 * np.log1p((error / sd) ** 2 / TAIL)).mean())
            for error, sd in parts
        )

    starts = [np.log([least, *[factor] * len(SIGNS)]) for least, factor in ((0.2, 0.8), (0.1, 2))]
    tried = [minimize(against, start, method="Nelder-Mead") for start in starts]
    factors = np.exp(min(tried, key=lambda found: float(found.fun)).x)
    factors[0] = np.hypot(factors[0], LEAST_MM)
    ratios = [np.abs(error) / sd for error, sd in zip(errors, sds(factors), strict=True)]
    weights = np.concatenate([np.full(len(ratio), 1 / len(ratio)) for ratio in ratios])
    ratio = np.concatenate(ratios)
    order = np.argsort(ratio)
    share = np.cumsum(weights[order]) / weights.sum()
    scale = ratio[order][np.searchsorted(share, COVERAGE)] / Z
    return np.asarray(WIDENED * scale * factors)


def report(worlds: Sequence[World]) -> Iterator[str]:
    """Say what was fitted and what the intervals hold."""
    together = fitted(worlds)
    for name, row in zip(("least, mm", *SIGNS), together, strict=True):
        yield f"{name}: {', '.join(f'{value:.2f}' for value in row)}"
    for world in worlds:
        others = [other for other in worlds if other is not world]
        alone = f", by the other worlds {world.held(fitted(others)).mean():.3f}" if others else ""
        held = world.held(together)
        yield f"{world.name}: n {len(held)}, held {held.mean():.3f}{alone}"


def main() -> None:
    """Read the command line and fit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("tables", type=Path, nargs="+")
    worlds = [world for path in parser.parse_args().tables for world in worlds_in(path)]
    print("\n".join(report(worlds)))


if __name__ == "__main__":
    main()
