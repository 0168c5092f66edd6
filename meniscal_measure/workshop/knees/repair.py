"""The same knee with its menisci moved, and after a repair of its root."""

from __future__ import annotations

from dataclasses import replace

from meniscal_measure.anatomy import Compartment
from meniscal_measure.errors import RecipeError
from meniscal_measure.workshop.knees.parameters import KneeParameters, RepairParameters, RootTear


def repaired(
    parameters: KneeParameters,
    *,
    extrusion_change_mm: float = -1.0,
    tunnel_radius_mm: float = 1.5,
    tunnel_offset_mm: float = 4.0,
    healed: float = 1.0,
) -> KneeParameters:
    """Return the same knee after repair of its medial posterior root through a tibial tunnel.

    Bone, cartilage and everything else stay as they are. The change of the medial extrusion is
    negative for a reduction, the offset of the tunnel how far its mouth lies from the centre of the
    footprint, `healed` the fraction of the gap closed by scar.

    Raises
    ------
    RecipeError
        If there is no medial root tear to repair.

    Examples
    --------
    >>> from meniscal_measure.workshop.knees.parameters import TearParameters
    >>> torn = replace(KneeParameters(), medial_tear=TearParameters(RootTear.COMPLETE))
    >>> repaired(torn, extrusion_change_mm=-0.5).medial.body_extrusion_mm
    0.5
    """
    if parameters.medial_tear.root is RootTear.NONE:
        raise RecipeError(
            "medial_tear.root is none: only a knee with a medial root tear (1 to 5) has a repaired"
            " follow-up."
        )
    moved = shifted(parameters, Compartment.MEDIAL, extrusion_change_mm)
    return replace(
        moved,
        medial_tear=replace(parameters.medial_tear, root_healed=healed),
        repair=RepairParameters(tunnel_radius_mm, tunnel_offset_mm),
    )


def shifted(
    parameters: KneeParameters, compartment: Compartment, shift_mm: float
) -> KneeParameters:
    """Return the same knee with the whole extrusion profile of one meniscus moved outward.

    Examples
    --------
    >>> moved = shifted(KneeParameters(), Compartment.MEDIAL, 1.5)
    >>> moved.medial.body_extrusion_mm, moved.lateral == KneeParameters().lateral
    (2.5, True)
    """
    meniscus = parameters.meniscus(compartment)
    moved = replace(
        meniscus,
        body_extrusion_mm=meniscus.body_extrusion_mm + shift_mm,
        anterior_extrusion_mm=meniscus.anterior_extrusion_mm + shift_mm,
        posterior_extrusion_mm=meniscus.posterior_extrusion_mm + shift_mm,
    )
    if compartment is Compartment.MEDIAL:
        return replace(parameters, medial=moved)
    return replace(parameters, lateral=moved)
