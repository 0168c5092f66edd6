"""Names that examples in docstrings use without making them."""

from __future__ import annotations

from typing import Any

import pytest


@pytest.fixture(autouse=True)
def examples(request: pytest.FixtureRequest, doctest_namespace: dict[str, Any]) -> None:
    """Give examples a `reading` and its `images`, the folder of a `sample` and its `study`.

    The reading is of a right knee: medial 4.5 mm on the right of the image, lateral 1.0 mm on its
    left. The sample is a left knee whose medial extrusion is exactly 3 mm.
    """
    if isinstance(request.node, pytest.DoctestItem) and "reading" not in doctest_namespace:
        from meniscal_measure.series.scan import open_study
        from tests.conftest import REPOSITORY
        from tests.handmade_readings import made

        doctest_namespace["reading"], doctest_namespace["images"] = made()
        doctest_namespace["sample"] = sample = REPOSITORY / "sample_phantoms" / "exactly-3mm"
        doctest_namespace["study"] = open_study(sample)
