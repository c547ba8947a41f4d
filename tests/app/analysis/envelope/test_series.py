"""Running medians and the like, against scipy."""

import numpy as np
import pytest
from scipy.signal import medfilt

from app.analysis.envelope.series import (
    Bins,
    EnvelopeSeries,
    median_of,
    middle_of_nine,
    quantile_of,
)


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


@pytest.mark.parametrize("count", [1, 2, 7, 100])
def test_a_quantile_is_that_of_numpy_to_the_last_bit(count):
    values = np.random.default_rng(count).standard_normal(count)
    before = values.copy()
    for part in (0.0, 0.02, 0.3, 0.5, 0.95, 1.0):
        assert quantile_of(values, part) == np.quantile(values, part)
    np.testing.assert_array_equal(values, before)
    values[0] = np.nan
    assert np.isnan(quantile_of(values, 0.3))


@pytest.mark.parametrize(("count", "strays"), [(1, []), (8, []), (9, [2, 3, 4]), (20, [2, 3, 4])])
def test_a_spike_stands_away_from_the_middle_of_nine_and_of_fewer_nothing_does(count, strays):
    series, some = EnvelopeSeries(1), np.ones(count)
    power_v2 = np.where(np.arange(count) == 3, 100.0, 1.0)
    series.append(Bins(0, power_v2, 1e-3 * some, 0.0 * some, some > 0.0))
    found = series.strays_and_edges()
    assert found.shape == (count,)
    assert np.flatnonzero(found).tolist() == strays
    assert np.flatnonzero(series.spikes()).tolist() == strays[1:2]
