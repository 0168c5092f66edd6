"""Published data sets that several statistics are checked against."""

from __future__ import annotations

import numpy as np
import pytest

from meniscal_measure.cohort.agreement.estimates import FloatArray


@pytest.fixture
def judges() -> FloatArray:
    """Six targets rated by four judges: Shrout and Fleiss, Psychol Bull 1979;86:420-428."""
    return np.array(
        [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]],
        dtype=np.float64,
    )


@pytest.fixture
def wright_first() -> FloatArray:
    """Peak flow, l/min, large meter, first reading: Bland and Altman, Lancet 1986;i:307-310."""
    return np.array(
        [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0]
    )


@pytest.fixture
def wright_second() -> FloatArray:
    """The same meter, second reading."""
    return np.array(
        [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421.0]
    )


@pytest.fixture
def mini_first() -> FloatArray:
    """The same subjects, mini meter, first reading."""
    return np.array(
        [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0]
    )


@pytest.fixture
def mini_second() -> FloatArray:
    """The mini meter, second reading."""
    return np.array(
        [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443.0]
    )
