"""Names that examples in docstrings use without making them."""

from __future__ import annotations

from typing import Any

import pytest


@pytest.fixture(autouse=True)
def example_reading(request: pytest.FixtureRequest, doctest_namespace: dict[str, Any]) -> None:
    """Give examples a `reading` and the `images` it was taken on.

    A right knee: medial 4.5 mm on the right of the image, lateral 1.0 mm on its left.
    """
    if isinstance(request.node, pytest.DoctestItem) and "reading" not in doctest_namespace:
        from tests.handmade_readings import made

        doctest_namespace["reading"], doctest_namespace["images"] = made()
