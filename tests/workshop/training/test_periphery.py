"""Exchanging the periphery leaves the joint, and what is known of it, as it was."""

import pytest

torch = pytest.importorskip("torch")  # only training needs it

from meniscal_measure.workshop.training import periphery  # noqa: E402
from meniscal_measure.workshop.training.survey_samples import SurveyExample  # noqa: E402

SIZE, COUNT = 160, 24
RIMS = ((45.0, 90.0), (115.0, 90.0))


@pytest.fixture(autouse=True)
def always(monkeypatch: pytest.MonkeyPatch) -> None:
    torch.manual_seed(4)
    monkeypatch.setattr(periphery, "SHARE", 1.0)
    monkeypatch.setattr(periphery, "WAVY_PX", 0.0)


def windows(coronal: float = 1.0) -> SurveyExample:
    """Windows of random grey, all of tissue 1, with rims 70 pixels apart."""
    return SurveyExample(
        torch.rand(COUNT, 3, SIZE, SIZE),
        torch.ones(COUNT, SIZE, SIZE, dtype=torch.long),
        torch.tensor([*RIMS, *RIMS]).expand(COUNT, 4, 2),
        torch.ones(COUNT, 4) > 0,
        torch.ones(COUNT),
        torch.zeros(COUNT, 2),
        torch.full((COUNT,), coronal),
    )


def test_the_middle_of_the_joint_stays_and_the_corners_change() -> None:
    before = windows()
    after = periphery.with_other_periphery(before)
    joint, corner = (slice(74, 88), slice(60, 100)), (slice(0, 8), slice(0, 8))
    changed = (after.image - before.image).abs().amax(1)
    assert changed[:, *joint].max() < 0.05
    assert (changed[:, *corner].amax((1, 2)) > 0.2).all()
    assert torch.equal(after.tissue[:, *joint], before.tissue[:, *joint])


def test_distances_and_landmarks_are_those_of_the_joint() -> None:
    before = windows()
    after = periphery.with_other_periphery(before)
    assert torch.equal(after.offsets_mm, before.offsets_mm)
    assert torch.equal(after.points, before.points)
    assert torch.equal(after.measurable, before.measurable)


def test_what_is_no_coronal_knee_is_left_as_it_is() -> None:
    before = windows(coronal=0.0)
    assert torch.equal(periphery.with_other_periphery(before).image, before.image)


def test_tissue_is_none_where_an_even_grey_is_put(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(periphery, "OF_OTHERS", 0.0)
    monkeypatch.setattr(periphery, "BLURRED", 0.0)
    after = periphery.with_other_periphery(windows())
    assert (after.tissue[:, :8, :8] == 0).all()
