"""A sample clock by the arrivals of its blocks."""

import numpy as np
import pytest

from app.analysis.frontend.clock import clock_of

RATE_HZ = 48_000.0


def arrivals(fast_ppm, seconds, seed, period_s=0.01):
    """Blocks of a clock that is fast by so much, each handed on late by what a computer does."""
    rng = np.random.default_rng(seed)
    frames = np.arange(1, round(seconds / period_s)) * period_s * RATE_HZ
    left_s = frames / (RATE_HZ * (1 + fast_ppm * 1e-6))
    late_s = rng.exponential(2e-3, len(frames)) + 5e-3 * rng.random(len(frames))
    late_s += np.where(rng.random(len(frames)) < 0.002, 0.3 * rng.random(len(frames)), 0.0)
    # Nothing overtakes: what waited comes at once.
    return frames, np.maximum.accumulate(left_s + late_s)


def test_it_is_found_within_five_parts_in_a_million_in_three_minutes():
    errors, us = [], []
    for seed in range(40):
        fast_ppm = np.random.default_rng(1000 + seed).uniform(-200, 200)
        found = clock_of(*arrivals(fast_ppm, 180.0, seed), RATE_HZ)
        errors.append(1e6 * found.fast_part - fast_ppm)
        us.append(1e6 * found.u_part)
    assert np.abs(errors).max() < 5.0
    held = np.mean(np.abs(errors) < 2 * np.array(us))
    assert held >= 0.85
    assert max(us) < 5.0


def test_a_short_look_says_how_little_it_knows():
    found = clock_of(*arrivals(100.0, 8.0, 1), RATE_HZ)
    assert found.fast_part == pytest.approx(1e-4, abs=2 * found.u_part + 1e-5)
    assert found.u_part > 3e-6
    assert found.true_u_part(58e-6) == pytest.approx(np.hypot(found.u_part, 58e-6))


def test_few_arrivals_tell_nothing():
    assert clock_of(np.arange(5.0), np.arange(5.0), RATE_HZ) is None
    assert clock_of(*arrivals(0.0, 1.0, 1), RATE_HZ) is None
