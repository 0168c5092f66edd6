from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from meniscal_measure.errors import GeometryError
from meniscal_measure.report.images import SeriesImages
from tests.handmade_readings import Case


def test_an_image_without_a_plane_is_refused(case: Case) -> None:
    grids = case[1].grids
    image = np.zeros((grids[0].rows, grids[0].columns))
    with pytest.raises(GeometryError, match=r"image for slice 7, but planes for slices 0 to 6"):
        SeriesImages({7: image}, grids)


def test_an_image_of_another_size_than_its_plane_is_refused(case: Case) -> None:
    grid = replace(case[1].grids[0], rows=10, columns=20)
    with pytest.raises(GeometryError, match=r"slice 0 has shape \(20, 10\), its plane \(10, 20\)"):
        SeriesImages({0: np.zeros((20, 10))}, (grid,))
