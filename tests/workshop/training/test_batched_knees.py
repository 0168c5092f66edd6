"""The knees drawn in batches have the shape of real ones, and know exactly where their rims lie."""

import csv
from pathlib import Path
from typing import Any

import pytest

torch = pytest.importorskip("torch")  # only training needs it

from meniscal_measure.workshop.training.acquisition import _eight_bit  # noqa: E402
from meniscal_measure.workshop.training.fields import Draw, Points  # noqa: E402
from meniscal_measure.workshop.training.knee_batch import Knee  # noqa: E402
from meniscal_measure.workshop.training.margin_samples import MarginExample  # noqa: E402
from meniscal_measure.workshop.training.replay import with_singles  # noqa: E402
from meniscal_measure.workshop.training.shape_figures import FIGURES, MIXING  # noqa: E402

CPU = torch.device("cpu")
KNEES = 300


@pytest.fixture(scope="module")
def knees() -> Knee:
    torch.manual_seed(7)
    return Knee(Draw(KNEES, CPU))


def at(x: float, y: float, z: float) -> Points:
    """One place in every knee."""
    return Points(*(torch.full((KNEES, 1, 1, 1), value) for value in (x, y, z)))


def real(figure: str, offset_mm: int) -> tuple[float, float]:
    """Mean and spread over 44 real knees (label maps that accompany arXiv:2211.16696)."""
    text = (Path(__file__).parents[1] / "morphometry" / "real_knees.csv").read_text("utf-8")
    for row in csv.DictReader(text.splitlines()):
        if row["figure"] == figure and int(row["offset_mm"]) == offset_mm:
            return float(row["mean"]), float(row["sd"])
    raise LookupError(figure)


@pytest.mark.parametrize("offset_mm", [-12, -8, -4, 0, 4, 8, 12])
def test_the_plateau_is_as_wide_as_real_ones_from_front_to_back(
    knees: Knee, offset_mm: int
) -> None:
    sides = torch.tensor([-30.0, 30.0]).expand(KNEES, 1, 1, 2)
    outward, _ = knees.tibia.rims(Points(sides, 0 * sides + offset_mm, 0 * sides))
    mean, sd = real("width", offset_mm)
    assert float(outward.sum(-1).mean()) == pytest.approx(mean, abs=0.5 * sd)


@pytest.mark.parametrize("wide_share", [0.0, 1.0])
def test_the_rim_is_the_middle_of_the_turn_from_the_plateau_to_the_wall(wide_share: float) -> None:
    torch.manual_seed(9)
    knee = Knee(Draw(KNEES, CPU), wide_share=wide_share)
    sides = torch.tensor([-30.0, 30.0]).expand(KNEES, 1, 1, 2)
    outward, height = knee.tibia.rims(Points(sides, 0 * sides, 0 * sides))

    def distance(out: Any, up: Any) -> Any:
        return knee.tibia.distance(Points(sides.sign() * out, 0 * out, up))

    def rise_deg(out: Any, up: Any) -> Any:
        """Angle above the horizontal at which the bone faces here."""
        across = distance(out + 0.02, up) - distance(out - 0.02, up)
        along = distance(out, up + 0.02) - distance(out, up - 0.02)
        return torch.rad2deg(torch.atan2(along, across))

    radius = torch.cat(knee.tibia.corner, 3)
    plateau = rise_deg(outward - 0.8 * radius, height + 0.2 * radius)
    wall = rise_deg(outward + 0.2 * radius, height - 0.8 * radius)
    turn = rise_deg(outward, height) - (plateau + wall) / 2
    assert float(distance(outward, height).abs().quantile(0.99)) < 0.02
    assert float(turn.abs().quantile(0.9)) < 18
    assert abs(float(turn.median())) < 6


def test_the_medial_spine_is_highest_at_the_middle_slice(knees: Knee) -> None:
    heights = {
        y: torch.stack([knees.tibia.plateau(at(float(x), y, 0)) for x in range(2, 13)]).amax(0)
        for y in (-8.0, 0.0, 8.0)
    }
    assert bool((heights[0.0] > heights[-8.0]).float().mean() > 0.95)
    assert bool((heights[0.0] > heights[8.0]).float().mean() > 0.95)


def test_the_notch_is_closed_at_the_middle_slice_and_open_behind(knees: Knee) -> None:
    """Notch height in real knees: 24 mm at the apex slice, 9 mm at 12 mm in front; open behind."""
    above_the_roof = knees.femur.distance(at(0, 0, 38)), knees.femur.distance(at(0, 10, 38))
    assert float((above_the_roof[0] < 0).float().mean()) > 0.9
    assert float((above_the_roof[1] > 0).float().mean()) > 0.9
    for offset_mm in (-12, -8, -4, 0):
        mean, sd = real("notch_h", offset_mm)
        roof = float(knees.femur.roof(at(0, offset_mm, 0)).mean())
        assert roof == pytest.approx(mean, abs=0.5 * sd)


def test_figures_are_drawn_with_the_correlations_of_real_knees() -> None:
    width, depth = list(FIGURES).index("width"), list(FIGURES).index("ap_M")
    drawn = torch.randn(20_000, len(FIGURES), generator=torch.Generator().manual_seed(1)) @ MIXING.T
    found = float(torch.corrcoef(drawn[:, [width, depth]].T)[0, 1])
    assert found == pytest.approx(0.85, abs=0.05)


def test_menisci_of_drawn_knees_reach_from_far_inside_the_rim_to_far_outside(knees: Knee) -> None:
    lateral = knees.menisci.extrusion[0] - 12 * knees.menisci.forward[0]
    assert float(lateral.min()) < -9
    assert float(knees.menisci.extrusion[0].max()) > 8


def test_some_slices_stand_for_their_own_neighbours() -> None:
    torch.manual_seed(2)
    image = torch.rand(400, 3, 4, 4)
    nothing = torch.zeros(400)
    shown = with_singles(MarginExample(image, nothing, nothing, nothing, nothing), 0.2).image
    single = (shown[:, 0] == shown[:, 1]).flatten(1).all(1)
    assert 0.1 < float(single.float().mean()) < 0.3
    assert bool((shown[:, 1] == image[:, 1]).all())


def test_eight_bit_pictures_have_at_most_255_grey_levels_below_the_bright_end() -> None:
    torch.manual_seed(3)
    image = torch.rand(60, 1, 32, 32)
    stored = _eight_bit(Draw(60, CPU), image)
    levels = [len(picture.unique()) for picture in stored]
    assert sum(count < 1000 for count in levels) > 10
    assert all(count <= 410 for count in levels if count < 1000)
