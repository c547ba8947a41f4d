"""Running medians and the like, against scipy."""

import numpy as np
import pytest
from scipy.signal import medfilt

from app.analysis.envelope.series import median_of, middle_of_nine


@pytest.mark.parametrize("count", [9, 10, 57])
def test_the_middle_of_nine_is_that_of_a_running_median(count):
    random = np.random.default_rng(count)
    # Of few levels, so that many are alike.
    for values in (random.standard_normal(count), random.integers(0, 3, count).astype(float)):
        np.testing.assert_array_equal(middle_of_nine(values), medfilt(values, 9)[4:-4])


@pytest.mark.parametrize("count", [1, 2, 7, 8])
def test_the_median_is_that_of_numpy(count):
    values = np.random.default_rng(count).standard_normal(count).astype(np.float32)
    assert median_of(values) == np.median(values)
