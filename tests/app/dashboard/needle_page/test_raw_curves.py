"""Samples as curves: each one where there is room, otherwise the lowest and highest of a column."""

import numpy as np
import pytest

from app.dashboard.needle_page.raw_curves import channel_of, drawn
from instruments.source import Block

HEIGHTS_V = np.random.default_rng(0).standard_normal(200).astype(np.float32)
BLOCK = Block(HEIGHTS_V[:, None], 1000.0, 0, 0.0)


def drawn_in(columns):
    return drawn([BLOCK], channel_of("plus", ["plus"]), (0.0, 200.0), (0.0, 1.0), columns)


@pytest.mark.parametrize("columns", [400, 100])
def test_up_to_two_samples_a_column_each_is_drawn(columns):
    found = drawn_in(columns)
    np.testing.assert_allclose(found.curve.turns, np.arange(200) / 200)
    np.testing.assert_array_equal(found.curve.heights_v, HEIGHTS_V)
    assert found.edges is None


def test_of_more_the_lowest_and_highest_of_each_column_are():
    low, high = drawn_in(50).edges
    np.testing.assert_array_equal(low.heights_v[:49], HEIGHTS_V.reshape(50, 4).min(axis=1)[:49])
    np.testing.assert_array_equal(high.heights_v[:49], HEIGHTS_V.reshape(50, 4).max(axis=1)[:49])
