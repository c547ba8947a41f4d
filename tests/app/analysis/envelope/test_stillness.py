"""Samples that do not move, block by block at 1000 frames a second."""

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.envelope.stillness import StillnessWatch

NAN = float("nan")


def watched(*blocks, columns=(0, 1)):
    """Push blocks of 100 frames, each row after row of the same values, or an array."""
    watch = StillnessWatch(columns, 1000.0)
    for block in blocks:
        values = np.asarray(block, np.float32)
        watch.push(values if values.ndim == 2 else np.tile(values, (100, 1)))
    return watch


def moving(*columns):
    """A block in which only the columns named move, and only once."""
    values = np.zeros((100, 3), np.float32)
    values[61, list(columns)] = 1.0
    return values


STILL = (0.0, 0.0, 0.0)


def test_less_than_a_turn_may_stand_still():
    assert watched(moving(0), STILL, STILL).fault is None
    assert watched(moving(0), STILL, STILL, STILL).fault is messages.NO_SIGNAL


def test_the_length_counts_in_seconds():
    watch = StillnessWatch((0,), 1000.0)
    watch.push(moving(0))
    for frames, fault in ((299, None), (1, messages.NO_SIGNAL), (1, messages.NO_SIGNAL)):
        watch.push(np.zeros((frames, 3), np.float32))
        assert watch.fault is fault


@pytest.mark.parametrize(("column", "fault"), [(0, None), (1, None), (2, messages.NO_SIGNAL)])
def test_any_column_of_the_signal_may_move_and_the_index_does_not_count(column, fault):
    blocks = [moving(column)] * 5
    assert watched(*blocks).fault is fault


def test_a_step_between_two_blocks_is_a_move():
    assert watched(STILL, STILL, STILL, (0.5, 0.0, 0.0)).fault is None
    assert watched(STILL, STILL, STILL, (0.5, 0, 0), (0.5, 0, 0), (0.5, 0, 0)).fault is None
    assert watched(STILL, *[(0.5, 0.0, 0.0)] * 4).fault is messages.NO_SIGNAL


@pytest.mark.parametrize("value", [NAN, float("inf"), -float("inf")])
def test_what_is_no_number_is_told_apart(value):
    assert watched(moving(0), *[(value, value, 0.0)] * 3).fault is messages.NO_SAMPLES
    # The difference of a number and none is none.
    one = [np.where(np.arange(3) == 1, value, moving(0)) for _ in range(3)]
    assert watched(moving(0), *one).fault is messages.NO_SAMPLES


def test_a_few_numbers_among_others_are_samples():
    torn = moving(0, 1)
    torn[:61, :2] = NAN
    assert watched(*[torn] * 5).fault is None
    assert watched(*[torn] * 2, *[(NAN, NAN, 0.0)] * 2, torn).fault is None


def test_the_signal_ends_it_at_once():
    assert watched(*[STILL] * 9, moving(1)).fault is None


def test_long_blocks_are_looked_at_whole():
    block = np.zeros((100_000, 3), np.float32)
    assert watched(STILL, block).fault is messages.NO_SIGNAL
    block[54_321, 0] = 1e-3
    assert watched(STILL, block).fault is None
