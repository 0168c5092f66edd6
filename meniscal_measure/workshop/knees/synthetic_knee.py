"""One synthetic knee in three dimensions, whose tissues and landmarks are known everywhere."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment
from meniscal_measure.errors import RecipeError
from meniscal_measure.geometry import FloatArray, PixelGrid, Vector
from meniscal_measure.workshop.knees import exact_landmarks
from meniscal_measure.workshop.knees.compartment import MeniscalCompartment
from meniscal_measure.workshop.knees.femur import Femur, build_femur
from meniscal_measure.workshop.knees.layers import (
    Layer,
    Part,
    Raster,
    labels_of,
    layers_of,
    layers_on_raster,
)
from meniscal_measure.workshop.knees.leg_outline import build_leg
from meniscal_measure.workshop.knees.lesions import build_lesions
from meniscal_measure.workshop.knees.ligaments import build_ligaments
from meniscal_measure.workshop.knees.meniscus import Meniscus, build_meniscus
from meniscal_measure.workshop.knees.muscles import build_muscles
from meniscal_measure.workshop.knees.parameters import (
    EXTRUSION_RANGE_MM,
    KneeParameters,
    MeniscusParameters,
)
from meniscal_measure.workshop.knees.patella_fibula import build_fibula, build_patella
from meniscal_measure.workshop.knees.repair import shifted
from meniscal_measure.workshop.knees.signed_distance import Field
from meniscal_measure.workshop.knees.tibia import build_tibia

RASTER_DIMENSIONS = 3
"""Point arrays with this many axes or more (the last one holding x, y, z) are rasters, whose
neighbouring points are neighbours in space; a plain list of points has fewer."""

SOLVE_STEPS = 30
SOLVE_TOLERANCE_MM = 1e-9
"""How closely an extrusion that is asked for is met."""
FOLLOWS = (0.5, 2.0)
"""How far the extrusion on an oblique slice follows a move of the profile, at least and at most."""


class SyntheticKnee:
    """A knee built from its parameters.

    Points are LPS mm in the patient; the origin is the middle of the tibial plateau. A right knee
    has medial at +x, a left knee is its mirror image.
    """

    def __init__(self, parameters: KneeParameters) -> None:
        self.parameters = parameters
        self.mirror = float(parameters.side.medial_x)
        self.tibia = build_tibia(parameters)
        self.menisci: dict[Compartment, Meniscus] = {
            compartment: build_meniscus(parameters, self.tibia, compartment)
            for compartment in exact_landmarks.COMPARTMENTS
        }

    @cached_property
    def femur(self) -> Femur:
        """The femur, set down on the tibia; the exact landmarks do without it."""
        return build_femur(self.parameters, self.tibia)

    @cached_property
    def parts(self) -> tuple[Part, ...]:
        """All parts of the knee."""
        parameters, tibia, femur = self.parameters, self.tibia, self.femur
        return (
            build_leg(parameters),
            *build_muscles(parameters),
            *build_ligaments(parameters, tibia, femur),
            femur,
            tibia,
            build_patella(parameters, femur),
            build_fibula(femur),
            *build_lesions(parameters, tibia, femur, self.menisci[Compartment.MEDIAL]),
            *(
                MeniscalCompartment(meniscus, femur, parameters.soft, parameters.joint)
                for meniscus in self.menisci.values()
            ),
        )

    def layers_at(self, points: NDArray[np.floating]) -> list[Layer]:
        """Return the layers at points, back to front; what no layer covers is air.

        Points are LPS mm, shape (..., 3), float32 or float64. With three axes or more they are a
        raster (slice or volume, deformed or not) of which each layer covers a window.
        """
        u, y, z = (np.ascontiguousarray(points[..., axis]) for axis in range(3))
        u = u * points.dtype.type(self.mirror)
        if points.ndim >= RASTER_DIMENSIONS:
            return layers_on_raster(self.parts, Raster((u, y, z)))
        return layers_of(self.parts, u, y, z)

    def tissue_at(self, points: NDArray[np.floating]) -> NDArray[np.uint8]:
        """Tissue label (value of `Tissue`) at points, shape (..., 3) LPS mm.

        Examples
        --------
        >>> from meniscal_measure.workshop.knees.tissue import Tissue
        >>> label = SyntheticKnee(KneeParameters()).tissue_at(np.array([[0.0, 0.0, -30.0]]))[0]
        >>> Tissue(label)
        <Tissue.MARROW: 4>
        """
        return labels_of(self.layers_at(points), points.shape[:-1])

    @property
    def roots(self) -> dict[tuple[Compartment, str], Vector]:
        """Centres of the root footprints, LPS mm, by compartment and "anterior" or "posterior".

        Examples
        --------
        >>> roots = SyntheticKnee(KneeParameters()).roots
        >>> [round(part, 1) for part in roots[Compartment.MEDIAL, "posterior"]]
        [5.8, 10.5, 2.9]
        """
        return {
            (compartment, end): (self.mirror * root.u, root.y, self.tibia.height_at(root.u, root.y))
            for compartment, meniscus in self.menisci.items()
            for end, root in (("anterior", meniscus.anterior), ("posterior", meniscus.posterior))
        }

    def centre_line(self, compartment: Compartment, angle: FloatArray) -> FloatArray:
        """Return points along the middle of a meniscus, LPS mm, shape (..., 3).

        `angle` is the direction from the centre of the plateau in radians: 0 outward, positive
        backwards.
        """
        return self._in_patient(self.menisci[compartment].centre_line(angle))

    def _in_patient(self, point: tuple[Field, Field, Field]) -> FloatArray:
        u, y, z = point
        return np.stack([self.mirror * u, y, z], axis=-1, dtype=np.float64)

    @property
    def mid_coronal(self) -> exact_landmarks.MidCoronal:
        """The middle of the knee from front to back, by the named conventions."""
        return exact_landmarks.mid_coronal(self)

    def landmarks_on(self, grid: PixelGrid) -> exact_landmarks.SliceTruth | None:
        """Exact landmarks on a slice; see `exact_landmarks.landmarks_on`."""
        return exact_landmarks.landmarks_on(self, grid)

    def extrusion_on(self, grid: PixelGrid) -> dict[Compartment, float]:
        """Exact extrusion on a slice, mm, of each compartment that can be measured there.

        Examples
        --------
        >>> grid = PixelGrid((-60, 2, 40), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 240, 240)
        >>> extrusion = SyntheticKnee(KneeParameters()).extrusion_on(grid)
        >>> round(extrusion[Compartment.MEDIAL], 2)
        0.89
        """
        return exact_landmarks.extrusion_of(self.landmarks_on(grid) or {})


def with_extrusion(
    parameters: KneeParameters, grid: PixelGrid, *, compartment: Compartment, extrusion_mm: float
) -> KneeParameters:
    """Move a meniscus so that its extrusion on a slice is the one asked for.

    Raises
    ------
    RecipeError
        If the slice does not cut the body of the meniscus, or the extrusion asked for puts the
        profile out of its range; the message gives the possible range.

    Examples
    --------
    >>> grid = PixelGrid((-60, 2, 40), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 240, 240)
    >>> medial = Compartment.MEDIAL
    >>> moved = with_extrusion(KneeParameters(), grid, compartment=medial, extrusion_mm=3.0)
    >>> round(SyntheticKnee(moved).extrusion_on(grid)[medial], 6)
    3.0
    """
    follows, moved_mm, before = 1.0, 0.0, None
    for _ in range(SOLVE_STEPS):
        knee = SyntheticKnee(parameters)
        points = exact_landmarks.landmarks_on(knee, grid, edges_of=[compartment])
        found = exact_landmarks.extrusion_of(points or {}).get(compartment)
        if found is None:
            raise RecipeError(
                f"The slice asked for does not cut the body of the {compartment.words} meniscus;"
                " choose one near the middle of the plateau."
            )
        if abs(found - extrusion_mm) < SOLVE_TOLERANCE_MM:
            return parameters
        if before is not None:
            low, high = FOLLOWS
            follows = min(max((found - before) / moved_mm, low), high)
        before, moved_mm = found, (extrusion_mm - found) / follows
        try:
            parameters = shifted(parameters, compartment, moved_mm)
        except RecipeError as error:
            lowest, highest = _within_reach(parameters.meniscus(compartment), found)
            raise RecipeError(
                f"This slice cannot have a {compartment.words} extrusion of {extrusion_mm:g} mm;"
                f" with this meniscus the range is about {lowest:.1f} to {highest:.1f} mm."
            ) from error
    raise RecipeError(
        f"No {compartment.words} extrusion profile gives {extrusion_mm:g} mm on the slice asked"
        " for; choose one nearer the middle of the plateau."
    )


def _within_reach(meniscus: MeniscusParameters, found_mm: float) -> tuple[float, float]:
    """Smallest and largest extrusion that moving the profile can reach."""
    profile = (
        meniscus.anterior_extrusion_mm,
        meniscus.body_extrusion_mm,
        meniscus.posterior_extrusion_mm,
    )
    low, high = EXTRUSION_RANGE_MM
    return found_mm + low - min(profile), found_mm + high - max(profile)
