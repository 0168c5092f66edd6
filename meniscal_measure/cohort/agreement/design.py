"""The columns of a linear model: factors, covariates, and factors that act together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from meniscal_measure.cohort.agreement.estimates import FloatArray
from meniscal_measure.cohort.agreement.labels import Labels, named


@dataclass(frozen=True)
class Factor:
    """A category of each row; the first level is the one the others are compared with."""

    name: str
    labels: ArrayLike | Labels
    """Of the rows."""
    levels: tuple[str, ...]


@dataclass(frozen=True)
class Design:
    """The columns of a model, the first of them the intercept.

    `parts` names what each column is: pairs of a factor and its level, or of a covariate and an
    empty text; none for the intercept.
    """

    matrix: FloatArray
    parts: tuple[tuple[tuple[str, str], ...], ...]
    reference: Mapping[str, str]
    """First level of each factor."""

    @property
    def names(self) -> tuple[str, ...]:
        """The columns in words."""
        return tuple(self._words(part) for part in self.parts)

    def _words(self, part: tuple[tuple[str, str], ...]) -> str:
        if not part:
            return "Intercept"
        if len(part) == 1:
            ((name, level),) = part
            if name not in self.reference:
                return name if " against " in name else f"{name}, per unit"
            return f"{name}: {named(level)} against {named(self.reference[name])}"
        return " × ".join(f"{name} {named(level)}" for name, level in part)

    def row(self, levels: Mapping[str, str]) -> FloatArray:
        """Row of a case with these levels, others at their reference and covariates at zero.

        Examples
        --------
        >>> visits = Factor("visit", ["1", "2"], ("1", "2"))
        >>> found = design([visits], {"age": np.array([50.0, 60.0])})
        >>> found.row({"visit": "2"}).tolist(), found.names[1]
        ([1.0, 1.0, 0.0], 'visit: 2 against 1')
        """
        held = [
            all(name in self.reference and levels.get(name) == level for name, level in part)
            for part in self.parts
        ]
        return np.array(held, dtype=np.float64)

    def columns_with(self, *names: str) -> tuple[int, ...]:
        """Places of the columns in which exactly these factors act together."""
        wanted = set(names)
        return tuple(
            place
            for place, part in enumerate(self.parts)
            if part and {name for name, _ in part} == wanted
        )


def design(
    factors: Sequence[Factor],
    covariates: Mapping[str, FloatArray],
    *,
    together: Sequence[tuple[str, str]] = (),
) -> Design:
    """Lay out intercept, factors, covariates and the pairs of factors that act together.

    Parameters
    ----------
    factors
        A factor with one level adds no column.
    covariates
        Numbers of each row by name.
    together
        Names of factors whose interaction is modelled.
    """
    by_name = {factor.name: factor for factor in factors}
    labels = {factor.name: Labels.of(factor.labels) for factor in factors}
    rows = next(iter(labels.values())).size if labels else next(iter(covariates.values())).size
    parts: list[tuple[tuple[str, str], ...]] = [()]
    parts += [((one.name, level),) for one in factors for level in one.levels[1:]]
    parts += [((name, ""),) for name in covariates]
    for one, two in together:
        pairs = product(by_name[one].levels[1:], by_name[two].levels[1:])
        parts += [((one, first_level), (two, second_level)) for first_level, second_level in pairs]
    is_level = {
        (one.name, level): labels[one.name].is_(level).astype(np.float64)
        for one in factors
        for level in one.levels[1:]
    }
    known = is_level | {(name, ""): values for name, values in covariates.items()}
    matrix = np.ones((rows, len(parts)))
    for column, part in enumerate(parts):
        for key in part:
            matrix[:, column] *= known[key]
    return Design(matrix, tuple(parts), {one.name: one.levels[0] for one in factors})
