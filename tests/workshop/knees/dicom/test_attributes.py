"""What the written attributes say: side, identity, geometry, and that nobody was imaged."""

from __future__ import annotations

import re

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from meniscal_measure.anatomy import Side
from meniscal_measure.workshop.knees.dicom.classic import classic_datasets
from meniscal_measure.workshop.knees.dicom.enhanced import enhanced_dataset
from meniscal_measure.workshop.knees.dicom.identity import SeriesIdentity, study_identity, uid_for
from meniscal_measure.workshop.knees.dicom.image_attributes import decimal_strings
from meniscal_measure.workshop.knees.scanner.image import ScannedStack


def test_the_side_stands_where_the_standard_wants_it(
    stack: ScannedStack, identity: SeriesIdentity
) -> None:
    """Laterality in a classic series, Frame Laterality in an enhanced one (PS3.3 C.7.3.1)."""
    classic = classic_datasets(stack, identity)[0]
    enhanced = enhanced_dataset(stack, identity)
    (anatomy,) = enhanced.SharedFunctionalGroupsSequence[0].FrameAnatomySequence
    assert classic.Laterality == identity.study.side.value
    assert anatomy.FrameLaterality == identity.study.side.value


def test_every_slice_has_its_own_identifier_in_the_shared_series(
    stack: ScannedStack, identity: SeriesIdentity
) -> None:
    slices = classic_datasets(stack, identity)
    assert len({dataset.SOPInstanceUID for dataset in slices}) == len(stack.grids)
    assert len({dataset.SeriesInstanceUID for dataset in slices}) == 1
    assert len({dataset.FrameOfReferenceUID for dataset in slices}) == 1


def test_geometry_is_written_to_a_billionth_of_a_millimetre(
    stack: ScannedStack, identity: SeriesIdentity
) -> None:
    for grid, dataset in zip(stack.grids, classic_datasets(stack, identity), strict=True):
        position = [float(value) for value in dataset.ImagePositionPatient]
        cosines = [float(value) for value in dataset.ImageOrientationPatient]
        np.testing.assert_allclose(position, grid.position_mm, atol=1e-9)
        expected = [*grid.row_direction, *grid.column_direction]
        np.testing.assert_allclose(cosines, expected, atol=1e-11)
        assert [float(value) for value in dataset.PixelSpacing] == [0.5, 0.4]


def test_the_patient_is_plainly_invented(stack: ScannedStack, identity: SeriesIdentity) -> None:
    for dataset in (classic_datasets(stack, identity)[0], enhanced_dataset(stack, identity)):
        assert dataset.PatientName == "PHANTOM^KNEE"
        assert dataset.PatientID.startswith("PHANTOM-")
        assert dataset.SyntheticData == "YES"
        assert "no person was imaged" in dataset.ImageComments


@given(st.lists(st.one_of(st.text(max_size=30), st.integers()), min_size=1, max_size=4))
def test_identifiers_are_valid_and_repeatable(parts: list[str | int]) -> None:
    """At most 64 characters, digits and dots, no leading zeros (PS3.5 section 9.1)."""
    uid = uid_for(*parts)
    assert uid == uid_for(*parts)
    assert len(uid) <= 64
    assert re.fullmatch(r"2\.25\.(0|[1-9]\d*)", uid)


def test_visits_of_a_knee_share_the_patient_and_nothing_else() -> None:
    first, second = (study_identity("a", 5, Side.LEFT, visit=visit) for visit in (1, 2))
    assert first.patient_id == second.patient_id
    assert first.study_instance_uid != second.study_instance_uid
    assert first.frame_of_reference_uid != second.frame_of_reference_uid
    assert first.study_date < second.study_date


@given(st.floats(-1e4, 1e4))
def test_decimal_strings_fit_their_sixteen_characters(value: float) -> None:
    (text,) = decimal_strings(value)
    assert len(text) <= 16
    assert abs(float(text) - value) <= 1e-9
