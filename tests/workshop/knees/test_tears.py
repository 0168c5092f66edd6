"""Root tears, other tears and repairs show on the labels as they do on images."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from meniscal_measure.anatomy import Compartment, Landmark, Side
from meniscal_measure.errors import RecipeError
from meniscal_measure.geometry import PixelGrid
from meniscal_measure.workshop.knees.parameters import (
    BodyTear,
    KneeParameters,
    RootTear,
    TearParameters,
)
from meniscal_measure.workshop.knees.repair import repaired
from meniscal_measure.workshop.knees.synthetic_knee import SyntheticKnee
from meniscal_measure.workshop.knees.tissue import Tissue

Raster = NDArray[np.float32]
MEDIAL = Compartment.MEDIAL
MID_CORONAL = PixelGrid((-80.0, 1.5, 80.0), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 321, 321)


def torn(
    root: RootTear, *, distance_mm: float = 2.0, gap_mm: float = 2.0, healed: float = 0.0
) -> KneeParameters:
    tear = TearParameters(
        root=root, root_distance_mm=distance_mm, root_gap_mm=gap_mm, root_healed=healed
    )
    return replace(KneeParameters(), medial_tear=tear)


def along_the_posterior_horn(knee: SyntheticKnee, step_mm: float = 0.1) -> NDArray[np.uint8]:
    """Tissue along the middle of the medial meniscus, from its posterior attachment outward."""
    root = knee.menisci[MEDIAL].posterior
    arc_mm = np.arange(0.05, 22.0, step_mm)
    angle = root.angle - arc_mm / root.reach
    return knee.tissue_at(knee.centre_line(MEDIAL, angle))


def test_a_whole_meniscus_runs_to_its_root() -> None:
    assert set(along_the_posterior_horn(SyntheticKnee(KneeParameters()))) == {
        Tissue.MEDIAL_MENISCUS
    }


@pytest.mark.parametrize("root", [RootTear.COMPLETE, RootTear.COMPLEX, RootTear.BUCKET_HANDLE])
@pytest.mark.parametrize("distance_mm", [1.0, 4.0, 8.0])
def test_the_gap_is_as_wide_and_as_far_from_the_attachment_as_asked(
    root: RootTear, distance_mm: float
) -> None:
    knee = SyntheticKnee(torn(root, distance_mm=distance_mm, gap_mm=3.0))
    fluid = np.flatnonzero(along_the_posterior_horn(knee) == Tissue.FLUID) * 0.1
    assert fluid.size * 0.1 == pytest.approx(3.0, abs=0.25)
    shift_mm = 0.8 if root is RootTear.COMPLEX else 0.2
    assert fluid.min() == pytest.approx(distance_mm, abs=shift_mm)


def test_a_healed_gap_holds_scar_instead_of_fluid() -> None:
    knee = SyntheticKnee(torn(RootTear.COMPLETE, gap_mm=3.0, healed=1.0))
    tissue = along_the_posterior_horn(knee)
    assert Tissue.FLUID not in tissue
    assert Tissue.TORN_MENISCUS in tissue


def test_a_partial_tear_leaves_the_lower_part_whole(slice_points: Callable[..., Raster]) -> None:
    partial = SyntheticKnee(torn(RootTear.PARTIAL, gap_mm=3.0))
    complete = SyntheticKnee(torn(RootTear.COMPLETE, gap_mm=3.0))
    x_mm = partial.roots[MEDIAL, "posterior"][0] + 2.5
    points = slice_points("x", x_mm, half_mm=30.0, step_mm=0.25)
    fluid = [np.sum(knee.tissue_at(points) == Tissue.FLUID) for knee in (partial, complete)]
    assert 0 < fluid[0] < fluid[1]


def test_an_avulsed_root_carries_a_fragment_of_bone() -> None:
    avulsed = along_the_posterior_horn(SyntheticKnee(torn(RootTear.AVULSION, gap_mm=4.0)))
    assert Tissue.MARROW in avulsed
    assert Tissue.MARROW not in along_the_posterior_horn(SyntheticKnee(torn(RootTear.COMPLETE)))


def test_the_ghost_sign_on_sagittal_slices(slice_points: Callable[..., Raster]) -> None:
    """No meniscus at the tear, a normal one on the next slice (radiologisthq.com/msk-knee)."""
    whole = SyntheticKnee(KneeParameters())
    gone = SyntheticKnee(torn(RootTear.COMPLETE, distance_mm=2.0, gap_mm=5.0))
    middle = gone.menisci[MEDIAL].posterior
    gap_x = gone.centre_line(MEDIAL, np.array([middle.angle - 4.5 / middle.reach]))[0, 0]

    def kept(x_mm: float) -> float:
        points = slice_points("x", x_mm, half_mm=35.0, step_mm=0.5)
        points = points[:, points.shape[1] // 2 :]  # the posterior half
        seen = [np.sum(knee.tissue_at(points) == Tissue.MEDIAL_MENISCUS) for knee in (gone, whole)]
        return float(seen[0] / seen[1])

    assert kept(gap_x) < 0.35
    assert kept(gap_x + 8.0) > 0.95


@pytest.mark.parametrize("axis", ["y", "z"])
def test_the_cleft_on_coronal_and_axial_slices(
    slice_points: Callable[..., Raster], axis: str
) -> None:
    """Fluid splits the meniscus where a whole one shows meniscus (radiologisthq.com/msk-knee)."""
    whole, gone = (
        SyntheticKnee(KneeParameters()),
        SyntheticKnee(torn(RootTear.COMPLETE, gap_mm=3.0)),
    )
    root = gone.menisci[MEDIAL].posterior
    centre = gone.centre_line(MEDIAL, np.array([root.angle - 3.5 / root.reach]))[0]
    points = slice_points(axis, centre["xyz".index(axis)], half_mm=40.0, step_mm=0.25)
    cleft = (whole.tissue_at(points) == Tissue.MEDIAL_MENISCUS) & (
        gone.tissue_at(points) == Tissue.FLUID
    )
    assert cleft.sum() * 0.25**2 > 3.0


def test_a_radial_tear_moves_the_inner_edge_outward() -> None:
    radial = TearParameters(
        body=BodyTear.RADIAL, body_angle_deg=0.0, body_depth=0.5, body_gape_mm=3.0
    )
    torn_knee, whole = (
        SyntheticKnee(replace(KneeParameters(), medial_tear=radial)),
        SyntheticKnee(KneeParameters()),
    )
    middle = replace(MID_CORONAL, position_mm=(-80.0, torn_knee.tibia.medial.centre_y, 80.0))
    tips = [
        np.array((knee.landmarks_on(middle) or {})[MEDIAL][Landmark.FREE_EDGE])
        for knee in (torn_knee, whole)
    ]
    assert tips[0][0] - tips[1][0] == pytest.approx(5.0, abs=0.05)


def test_a_blunt_radial_tear_leaves_what_is_left_as_high_as_it_was(
    slice_points: Callable[..., Raster],
) -> None:
    tear = TearParameters(
        body=BodyTear.RADIAL, body_angle_deg=0.0, body_depth=0.5, body_gape_mm=3.0
    )
    tapering, blunt, whole = (
        SyntheticKnee(replace(KneeParameters(), medial_tear=torn))
        for torn in (tear, replace(tear, body_bluntness=1.0), TearParameters())
    )
    points = slice_points("y", whole.tibia.medial.centre_y, half_mm=45.0, step_mm=0.25)
    dark = [knee.tissue_at(points) == Tissue.MEDIAL_MENISCUS for knee in (tapering, blunt, whole)]
    columns = np.flatnonzero(dark[1].any(axis=0))
    beside_cut = columns[-8] if columns.mean() < dark[1].shape[1] / 2 else columns[8]
    low, kept, full = (int(image[:, beside_cut].sum()) for image in dark)
    assert low < kept == full


@pytest.mark.parametrize("body", [BodyTear.HORIZONTAL, BodyTear.LONGITUDINAL])
def test_a_cleft_in_the_body_changes_neither_edge(
    body: BodyTear, slice_points: Callable[..., Raster]
) -> None:
    tear = TearParameters(body=body, body_angle_deg=0.0, body_gape_mm=2.0)
    knee, whole = (
        SyntheticKnee(replace(KneeParameters(), medial_tear=tear)),
        SyntheticKnee(KneeParameters()),
    )
    assert knee.landmarks_on(MID_CORONAL) == whole.landmarks_on(MID_CORONAL)
    points = slice_points("y", 1.5, half_mm=45.0, step_mm=0.25)
    changed = knee.tissue_at(points)[knee.tissue_at(points) != whole.tissue_at(points)]
    assert changed.size > 20
    assert set(changed) == {Tissue.FLUID}


def test_the_follow_up_of_a_repair_is_the_same_knee(slice_points: Callable[..., Raster]) -> None:
    before = torn(RootTear.COMPLETE, gap_mm=4.0)
    after = repaired(before, extrusion_change_mm=-0.8)
    knees = [SyntheticKnee(parameters) for parameters in (before, after)]
    bone = [Tissue.MARROW, Tissue.CORTICAL_BONE]
    for axis, position_mm in (("y", 1.5), ("y", 10.0), ("x", 12.0), ("z", -12.0)):
        labels = [knee.tissue_at(slice_points(axis, position_mm)) for knee in knees]
        was_bone = np.isin(labels[0], bone)
        assert set(labels[1][was_bone]) <= {*bone, Tissue.TUNNEL}
    change_mm = [knee.extrusion_on(MID_CORONAL)[MEDIAL] for knee in knees]
    assert change_mm[1] - change_mm[0] == pytest.approx(-0.8, abs=0.05)


def test_the_repair_tunnel_opens_beside_the_footprint() -> None:
    after = SyntheticKnee(
        repaired(torn(RootTear.COMPLETE), tunnel_offset_mm=4.0, tunnel_radius_mm=2.0)
    )
    root = np.array(after.roots[MEDIAL, "posterior"])
    steps = np.arange(-8.0, 8.0, 0.25)
    x, y, z = np.meshgrid(steps, steps, np.arange(-6.0, 3.0, 0.25))
    points = root + np.stack([x, y, z], axis=-1)
    tunnel = points[after.tissue_at(points) == Tissue.TUNNEL]
    top = tunnel[tunnel[:, 2] > tunnel[:, 2].max() - 1.0].mean(axis=0)
    assert np.hypot(*(top - root)[:2]) == pytest.approx(4.0, abs=1.0)


def test_only_a_torn_root_can_be_repaired() -> None:
    with pytest.raises(RecipeError, match=r"medial_tear\.root is none"):
        repaired(KneeParameters())


def test_extrusion_varies_along_the_body() -> None:
    parameters = replace(
        KneeParameters(),
        side=Side.RIGHT,
        medial=replace(
            KneeParameters().medial,
            anterior_extrusion_mm=1.0,
            body_extrusion_mm=3.0,
            posterior_extrusion_mm=6.0,
        ),
    )
    knee = SyntheticKnee(parameters)
    values = [
        knee.extrusion_on(
            PixelGrid((-80.0, y_mm, 80.0), (1, 0, 0), (0, 0, -1), 0.5, 0.5, 321, 321)
        )[MEDIAL]
        for y_mm in (-6.0, 0.0, 6.0)
    ]
    assert values[0] < values[1] < values[2]


def test_oedema_of_a_root_lies_in_the_marrow_under_its_footprint() -> None:
    wet = replace(KneeParameters(), joint=replace(KneeParameters().joint, root_oedema_mm=6.0))
    dry, knee = SyntheticKnee(KneeParameters()), SyntheticKnee(wet)
    footprint = np.array(knee.roots[MEDIAL, "posterior"])
    under = footprint - np.array([[0.0, 0.0, 5.0], [0.0, 0.0, 15.0]])
    assert list(knee.tissue_at(under)) == [Tissue.MARROW_OEDEMA, Tissue.MARROW]
    assert set(dry.tissue_at(under)) == {Tissue.MARROW}
