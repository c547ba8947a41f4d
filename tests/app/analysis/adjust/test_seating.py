"""Seatings: spread of scale told from spread of zero, and how many are needed."""

import math

import numpy as np
import pytest
from scipy.stats import t as student

from app.analysis.adjust.disk import (
    Seating,
    SpreadCause,
    grubbs_limit,
    outlier,
    seating_of,
    seatings_needed,
)
from app.analysis.results import Quantity

U = 0.3
SCALE_UM = 178.0


def seated(rng, count, *, offset_um, clamp_um=0.0, oval_um=0.0, u=U):
    """Return seatings of a two-band disk: b = x/(S - u), both lobes as high as S - u."""
    found = []
    for _ in range(count):
        along_um = clamp_um * rng.standard_normal()
        true_um = offset_um + oval_um * rng.standard_normal()
        balance = true_um / (SCALE_UM - along_um)
        read_um = SCALE_UM * balance + u * rng.standard_normal()
        height_v = 2.0 * (SCALE_UM - along_um) / SCALE_UM * (1.0 + 1e-4 * rng.standard_normal())
        found.append(Seating(Quantity(read_um, u), height_v, 0.25 + 1e-3 * rng.standard_normal()))
    return found


def causes(seed, trials=200, count=6, **what):
    rng = np.random.default_rng(seed)
    found = [seating_of(seated(rng, count, **what), 5.0).cause for _ in range(trials)]
    return {cause: found.count(cause) / trials for cause in SpreadCause}


def test_a_clamp_shift_far_off_the_line_is_scale():
    # S = 178, x = 25, u = ±10 read 26.49 and 23.67.
    found = seating_of(
        [
            Seating(Quantity(value, 0.1), total)
            for value, total in ((26.49, 168.0), (23.67, 188.0), (25.0, 178.0))
        ],
        1.0,
    )
    assert found.cause is SpreadCause.SCALE
    assert found.zero_sd_um < 0.1
    assert found.scale_sd_um == pytest.approx(found.sd_um, rel=0.01)
    assert found.sum_sd_percent == pytest.approx(100.0 * 10.0 / 178.0, rel=1e-6)
    shares = causes(1, offset_um=100.0, clamp_um=10.0)
    assert shares[SpreadCause.SCALE] > 0.9


def test_at_even_lobes_a_clamp_shift_is_nothing():
    shares = causes(2, offset_um=0.0, clamp_um=10.0)
    assert shares[SpreadCause.NOISE] > 0.9


@pytest.mark.parametrize("offset_um", [0.0, 60.0])
def test_an_oval_disk_shifts_the_zero(offset_um):
    shares = causes(3, offset_um=offset_um, oval_um=5.0, clamp_um=0.5)
    assert shares[SpreadCause.ZERO] > 0.9


def test_both_are_told():
    shares = causes(4, offset_um=120.0, oval_um=2.0, clamp_um=10.0, count=10)
    assert shares[SpreadCause.BOTH] > 0.9


def test_the_mean_keeps_its_promise():
    rng = np.random.default_rng(5)
    held = []
    for _ in range(2000):
        found = seating_of(seated(rng, 4, offset_um=30.0, oval_um=4.0), 5.0)
        held.append(abs(found.offset_um.value - 30.0) <= 2.0 * found.offset_um.u)
    # 2000 trials: the share's own standard deviation is 0.005.
    assert np.mean(held) == pytest.approx(0.95, abs=0.016)


def test_scatter_that_is_small_by_chance_does_not_make_the_mean_certain():
    alike = [Seating(Quantity(10.0, 1.0), 2.0)] * 4
    assert seating_of(alike, 1.0).offset_um.u == pytest.approx(0.5)


@pytest.mark.parametrize("ratio", [0.2, 0.5, 1.0, 3.0])
def test_seatings_needed_are_the_fewest(ratio):
    # t by scipy.stats.
    needed = seatings_needed(1.0, ratio)
    assert student.ppf(0.975, needed - 1) / math.sqrt(needed) <= ratio
    assert needed == 2 or student.ppf(0.975, needed - 2) / math.sqrt(needed - 1) > ratio


def test_more_than_a_thousand_seatings_are_not_asked_for():
    assert seatings_needed(100.0, 1.0) is None


def test_the_one_that_stands_out_is_named():
    seatings = [Seating(Quantity(value, U), 2.0) for value in (10.1, 9.8, 10.3, 22.0, 9.9, 10.2)]
    assert seating_of(seatings, 5.0).stands_out == 3
    assert seating_of(seatings[:3], 5.0).stands_out is None


def test_of_values_all_alike_none_stands_out():
    assert outlier(np.full(5, 3.0)) is None


@pytest.mark.parametrize("count", [3, 5, 12])
def test_one_stands_out_by_chance_in_twenty_sets(count):
    values = np.random.default_rng(count).standard_normal((4000, count))
    share = np.mean([outlier(row) is not None for row in values])
    # 4000 trials: the share's own standard deviation is 0.0034.
    assert share == pytest.approx(0.05, abs=0.012)
    assert grubbs_limit(count) < (count - 1) / math.sqrt(count)


def test_lobes_about_the_index_are_not_a_turn_apart():
    seatings = [Seating(Quantity(1.0, U), 2.0, place) for place in (0.999, 0.001, 0.0)]
    assert seating_of(seatings, 5.0).place_sd_turns == pytest.approx(0.001, rel=1e-6)


def test_two_seatings_tell_no_cause_and_one_tells_nothing():
    pair = [Seating(Quantity(1.0, U), 2.0), Seating(Quantity(9.0, U), 2.0)]
    found = seating_of(pair, 5.0)
    assert found.cause is SpreadCause.UNDETERMINED
    assert found.place_sd_turns is None
    with pytest.raises(ValueError, match="reseat"):
        seating_of(pair[:1], 5.0)


@pytest.mark.parametrize("u", [0.1, 1.0, 2.0])
@pytest.mark.parametrize("count", [3, 5])
@pytest.mark.few(2)
def test_what_the_newest_seating_is_off_the_mean_is_known_to_its_u(count, u):
    # A later reading of it, corrected, against the place that no seating shifts.
    rng = np.random.default_rng(11)
    held, beside_um, alone_um = [], [], []
    for _ in range(3000):
        shifts_um = 4.0 * rng.standard_normal(count)
        read_um = shifts_um + u * rng.standard_normal(count)
        newest = seating_of([Seating(Quantity(x, u), 2.0) for x in read_um], 1.0).newest_um
        if newest is not None:
            error_um = shifts_um[-1] + newest.value
            held.append(abs(error_um) <= student.isf(0.025, newest.dof) * newest.u)
            beside_um.append(error_um)
            alone_um.append(shifts_um[-1])
    assert len(held) > 1000
    assert np.mean(held) > 0.945
    assert np.std(beside_um) < 0.75 * np.std(alone_um)


def test_a_spread_that_may_be_noise_says_nothing_of_the_newest_seating():
    rng = np.random.default_rng(12)
    found = [seating_of(seated(rng, 5, offset_um=0.0), 1.0).newest_um for _ in range(500)]
    assert sum(each is not None for each in found) <= 5
