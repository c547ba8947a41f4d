"""Drop-outs of the disk."""

import numpy as np
import pytest

from instruments.virtual.disk import DropOuts


def lost(drop_outs, turns):
    amplitude = np.ones_like(turns)
    drop_outs.apply(turns, amplitude)
    return 1.0 - amplitude


def test_fixed_drop_outs_come_again_each_turn_at_full_depth():
    flaws = DropOuts(np.array([0.1, 0.999]), 2, 0.01, 0.8, seed=1)
    turns = np.linspace(3.0, 5.0, 20001)
    loss = lost(flaws, turns)
    assert loss[:10000] == pytest.approx(loss[10000:20000], abs=1e-9)
    assert loss.max() == pytest.approx(0.8)
    touched = turns[loss > 0] % 1.0
    near = np.minimum(np.abs(touched - 0.1), np.abs((touched - 0.999 + 0.5) % 1.0 - 0.5))
    assert near.max() <= 0.005 + 1e-9
    assert np.count_nonzero(loss) == pytest.approx(2 * 2 * 0.01 * 10000, abs=8)


def test_random_drop_outs_differ_from_turn_to_turn_but_not_with_the_asking():
    flaws = DropOuts(None, 3, 0.01, 0.8, seed=1)
    turns = np.linspace(0.0, 4.0, 40001)
    loss = lost(flaws, turns)
    assert not np.allclose(loss[:10000], loss[10000:20000])
    pieces = np.concatenate([lost(flaws, part) for part in np.array_split(turns, 37)])
    assert np.array_equal(pieces, loss)


def test_random_drop_outs_do_not_come_again_and_turns_before_the_start_have_theirs():
    flaws = DropOuts(None, 3, 0.01, 0.8, seed=1)
    turn = np.linspace(0.0, 1.0, 10001)
    lost_in = [tuple(lost(flaws, number + turn) > 0.4) for number in (-2, -1, *range(70))]
    assert len(set(lost_in)) == 72


def test_a_drop_out_across_the_index_is_whole_in_any_pieces():
    flaws = DropOuts(np.array([0.001, 0.998]), 2, 0.02, 0.8, seed=1)
    turns = np.linspace(0.5, 3.5, 30001)
    pieces = np.concatenate([lost(flaws, part) for part in np.array_split(turns, 301)])
    assert np.array_equal(pieces, lost(flaws, turns))
    assert pieces[4900:5000].max() > 0.5


def test_no_drop_outs_leave_the_amplitude_alone():
    assert not lost(DropOuts(np.array([]), 0, 0.01, 0.8, seed=1), np.linspace(0, 2, 100)).any()
