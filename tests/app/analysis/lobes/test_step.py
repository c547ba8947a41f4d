"""A step in a run of balances is found at its size and place, and told from what is none."""

import numpy as np
import pytest

from app.analysis.lobes.step import step_in

U = 0.002


def run_of(*levels, seed=1):
    """Return balances, their u, sums and numbers of two lobes a turn, by levels and how many."""
    level = np.concatenate([np.full(count, value) for value, count in levels])
    noise = U * np.random.default_rng(seed).standard_normal(len(level))
    return level + noise, np.full(len(level), U), np.ones(len(level)), np.arange(len(level)) % 2


@pytest.mark.parametrize("early", [4, 10, 14])
@pytest.mark.parametrize("size", [0.03, -0.1])
def test_a_step_is_found_and_so_are_both_places(early, size):
    balance, *others = run_of((0.05, early), (0.05 + size / 2, 2), (0.05 + size, 18 - early))
    step = step_in(balance, *others)
    assert step is not None
    assert step.at == early
    # The mean of m comparisons scatters by u/sqrt(m) at least; 4 of them are the fewest here.
    assert step.before == pytest.approx(0.05, abs=4 * U / 2)
    assert step.after == pytest.approx(0.05 + size, abs=4 * U / 2)
    # Either place may be asked for: a rectangular distribution (JCGM 100, 4.3.7).
    assert step.u == pytest.approx(abs(step.after - step.before) / 12**0.5)
    assert np.std(step.taken_from(balance)) < 2 * U


@pytest.mark.parametrize("seed", range(20))
def test_noise_has_no_step(seed):
    assert step_in(*run_of((0.05, 20), seed=seed)) is None


@pytest.mark.parametrize("early", [0, 1, 2, 8])
def test_two_comparisons_across_a_jump_of_the_gain_are_no_step(early):
    balance, u, total, lobe = run_of((0.05, early), (0.08, 2), (0.05, 8))
    # Of a gain that jumps by g the two comparisons have a quarter and three quarters of it, and
    # are off by a quarter.
    gain = np.concatenate([np.zeros(early), [0.03, 0.09], np.full(8, 0.12)])
    assert step_in(balance, u, total + gain, lobe) is None


def test_one_comparison_that_is_left_of_a_jump_is_no_step():
    assert step_in(*run_of((0.08, 1), (0.05, 8))) is None


def test_groups_that_differ_by_their_places_have_no_step():
    balance, u, total, _ = run_of((0.05, 36))
    lobe = np.arange(36) % 6
    assert step_in(balance + 0.02 * np.cos(lobe), u, total, lobe) is None


def test_five_comparisons_are_enough_and_three_too_few():
    step = step_in(*run_of((0.0, 1), (0.05, 2), (0.1, 2)))
    assert step is not None
    assert step.at == 1
    assert step_in(*run_of((0.0, 1), (0.05, 1), (0.1, 1))) is None


def test_a_step_of_five_times_what_the_noise_leaves_is_found():
    # Of means of eight comparisons, which share lobes, the difference has an u of about 0.8 of one.
    assert step_in(*run_of((0.05, 8), (0.0545, 2), (0.059, 8))) is not None
