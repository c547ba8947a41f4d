"""Samples as curves: each one where there is room, otherwise the lowest and highest of a column."""

import numpy as np
import pytest

from app.dashboard.needle_page.raw_curves import CARRIER, channel_of, drawn
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


def test_a_gap_is_drawn_where_a_block_does_not_go_on_with_the_one_before():
    """What is seen begins and ends within blocks."""
    for late in (0, 3):
        next_one = Block(HEIGHTS_V[:, None], 1000.0, 200 + late, 0.2)
        channel = channel_of("plus", ["plus"])
        found = drawn([BLOCK, next_one], channel, (0.0, 400.0), (0.25, 0.75), 400).curve
        shown_v = np.concatenate([HEIGHTS_V[100:], HEIGHTS_V[: 101 - late]])
        assert np.flatnonzero(np.isnan(found.heights_v)).tolist() == ([100, 101] if late else [])
        np.testing.assert_array_equal(found.heights_v[~np.isnan(found.heights_v)], shown_v)
        if late:
            np.testing.assert_allclose(found.turns[100:102] * 400.0, [200.0, 203.0])


def test_of_more_the_lowest_and_highest_of_each_column_are():
    low, high = drawn_in(50).edges
    np.testing.assert_array_equal(low.heights_v[:49], HEIGHTS_V.reshape(50, 4).min(axis=1)[:49])
    np.testing.assert_array_equal(high.heights_v[:49], HEIGHTS_V.reshape(50, 4).max(axis=1)[:49])


@pytest.mark.parametrize(
    ("name", "roles", "min_max", "made_v"),
    [
        ("minus", ["plus", "minus", "index"], False, [0.5, 1.5]),
        (CARRIER, ["plus", "minus", "index"], False, [0.5, 2.5]),
        # Of extremes it lies between the lowest less the highest, and the highest less the lowest.
        (CARRIER, ["plus", "minus", "index"], True, [-0.5, 3.5]),
        (CARRIER, ["index", "plus", "minus"], False, [-1.0, -1.5]),
        (CARRIER, ["index", "differential", "envelope"], False, [0.5, 1.5]),
        (CARRIER, ["envelope", "index", "plus"], False, [1.0, 4.0]),
    ],
)
def test_a_carrier_is_plus_less_minus_or_what_stands_for_it(name, roles, min_max, made_v):
    rows = np.array([[1.0, 0.5, 1.5], [4.0, 1.5, 3.0]], np.float32)
    made = channel_of(name, roles)(Block(rows, 1000.0, 0, 0.0, min_max=min_max))
    assert made.tolist() == made_v


@pytest.mark.parametrize("first", [-300, 250])
def test_what_lies_beside_the_turn_is_not_drawn(first):
    beside = Block(HEIGHTS_V[:, None], 1000.0, first, 0.0)
    channel = channel_of("plus", ["plus"])
    found = drawn([beside], channel, (0.0, 200.0), (0.0, 1.0), 50)
    assert (found.curve.turns.size, found.curve.heights_v.size, found.edges) == (0, 0, None)
    both = sorted([beside, BLOCK], key=lambda block: block.first_index)
    whole = drawn(both, channel, (0.0, 200.0), (0.0, 1.0), 400).curve
    np.testing.assert_array_equal(whole.heights_v, HEIGHTS_V)
