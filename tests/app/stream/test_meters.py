"""Levels against plain numpy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from app.stream.acquisition import LevelMeter, peaks
from tests.app.stream.fakes import block, info


def samples(value: float, count: int = 100) -> np.ndarray:
    return np.full((count, 2), value, np.float32)


def fed(full_scale_v: float | None, *values: float, clipped: bool = False) -> LevelMeter:
    """A meter after one block of a tenth of a second for each value."""
    meter = LevelMeter(info(full_scale_v=full_scale_v))
    for number, value in enumerate(values):
        samples_v = samples(value)
        made = block(100 * number, 100, samples_v=samples_v, clipped=clipped)
        meter.add(made, peaks(samples_v))
    return meter


@given(
    arrays.arrays(
        np.float32,
        st.tuples(st.integers(1, 300), st.integers(1, 3)),
        elements=st.floats(-1e6, 1e6, width=32) | st.just(np.nan),
        fill=st.just(np.float32(0.125)),
    )
)
@settings(deadline=None)
def test_peaks_are_numpys(samples_v):
    there = np.where(np.isnan(samples_v), 0, samples_v)
    np.testing.assert_array_equal(peaks(samples_v), np.abs(there).max(axis=0))


def test_peaks_of_nothing_and_of_no_numbers_are_nought():
    np.testing.assert_array_equal(peaks(samples(1.0, 0)), [0, 0])
    np.testing.assert_array_equal(peaks(samples(np.nan, 200)), [0, 0])


def test_a_peak_stands_for_half_a_second():
    values = (-3.0, 1.0, 1.0, 1.0, 1.0)
    assert [level.peak_v for level in fed(None, *values).levels()] == [3.0, 3.0]
    assert [level.peak_v for level in fed(None, *values, 1.0).levels()] == [1.0, 1.0]


def test_a_block_longer_than_half_a_second_is_taken_whole():
    meter, samples_v = LevelMeter(info()), samples(0.5, 5000)
    meter.add(block(0, 5000, samples_v=samples_v), peaks(samples_v))
    assert meter.levels()[0].peak_v == 0.5


@pytest.mark.parametrize(
    ("full_scale_v", "value", "said", "clipped"),
    [
        (None, 1.0, False, False),
        (None, 1.0, True, True),
        (1.0, 1.0, False, True),
        # 127/128: the largest value of an eight-bit converter, clipped only if the device says so
        (1.0, 127 / 128, False, False),
        (1.0, 127 / 128, True, True),
        (1.0, 0.5, False, False),
        # The device knows better than the full scale that it was given.
        (1.0, 0.5, True, True),
    ],
)
def test_clipping(full_scale_v, value, said, clipped):
    levels = fed(full_scale_v, value, clipped=said).levels()
    assert [level.clipped for level in levels] == [clipped, clipped]
