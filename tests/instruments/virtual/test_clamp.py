"""Seatings: drawn anew, of the size that was asked for, in every direction alike."""

import numpy as np
import pytest

from instruments.virtual.mechanics import Clamp, ClampSeating


def draw(count, seed=3):
    clamp = Clamp(8.0, 0.5, np.random.default_rng(seed), np.random.default_rng((seed, 1)))
    seatings = [clamp.seating]
    for _ in range(count - 1):
        clamp.reseat()
        seatings.append(clamp.seating)
    return seatings


def test_each_seating_is_another_and_the_same_seed_repeats_them():
    seatings = draw(20)
    assert len(set(seatings)) == 20
    assert draw(20) == seatings
    assert draw(20, seed=4) != seatings


def test_seatings_have_the_size_that_was_asked_for():
    # Root mean square of n draws: standard error of about 1/(2·sqrt(n)), here 0.8 %.
    seatings = draw(4000)
    shifts_um = np.array([seating.shift_um for seating in seatings])
    ovals_um = np.array([seating.oval_um for seating in seatings])
    assert np.sqrt(np.mean(shifts_um**2)) == pytest.approx(8.0, rel=0.03)
    assert np.sqrt(np.mean(ovals_um**2)) == pytest.approx(0.5, rel=0.03)


def test_no_direction_is_preferred():
    seatings = draw(4000)
    for directions in (
        np.array([seating.shift_turns for seating in seatings]),
        np.array([seating.spindle_turns for seating in seatings]),
    ):
        assert abs(np.exp(2j * np.pi * directions).mean()) < 0.05


def test_runout_is_largest_where_the_seating_says():
    turns = np.arange(3600) / 3600
    runout_um = ClampSeating(shift_um=10.0, shift_turns=0.3).runout_um(turns)
    assert turns[runout_um.argmax()] == pytest.approx(0.3)
    assert runout_um.max() == pytest.approx(10.0)
    oval_um = ClampSeating(oval_um=5.0, oval_turns=0.1).runout_um(turns)
    assert oval_um[[360, 360 + 1800]] == pytest.approx([5.0, 5.0])
    assert oval_um[[360 + 900, 360 + 2700]] == pytest.approx([-5.0, -5.0])


def test_a_perfect_clamp_seats_truly():
    clamp = Clamp(0.0, 0.0, np.random.default_rng(1), np.random.default_rng(2))
    assert clamp.seating.shift_um == clamp.seating.oval_um == 0.0
