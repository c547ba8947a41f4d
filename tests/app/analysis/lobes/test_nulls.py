"""The carrier's way through the nulls of a boundary, from signals made of their formulas."""

import numpy as np
import pytest

from tests.app.analysis.lobes.test_spoilers import (
    beat,
    bells,
    boundary,
    drawn,
    groups,
    holds,
    read,
)

DEGREES = np.pi / 180.0


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("degrees", [45, 135])
def test_rest_hidden_in_noise(seed, degrees):
    # At 12 dB its power in the nulls is a tenth of the noise's there.
    rest = 0.02 * np.exp(1j * DEGREES * degrees)
    reading = read(drawn(boundary(0.05, rest), snr_db=12.0, seed=seed, turns=8.4))
    holds(reading, 0.05)


def test_no_rest_costs_little():
    balances = [
        read(drawn(boundary(0.05), snr_db=12.0, seed=seed, turns=8.4)).balance for seed in range(8)
    ]
    errors = np.array([balance.value - 0.05 for balance in balances])
    u = np.array([balance.u for balance in balances])
    assert np.all(np.abs(errors) < 3.0 * u)
    assert np.median(u) < 0.004


def test_beat_hidden_in_noise():
    # A beat's lobes are even wherever the head is: u must reach as far as it may be off.
    reading = read(drawn(beat(0.02), snr_db=12.0, turns=8.4))
    assert not reading.valid or 3.0 * reading.balance.u > 0.02


@pytest.mark.parametrize("fill", [0.03j, -0.03j])
def test_rest_across_is_no_beat(fill):
    reading = read(drawn(boundary(0.02, fill), snr_db=20.0, turns=6.4))
    holds(reading, 0.02)


def test_two_bands_that_touch():
    # Their carriers have nothing to do with one another: no line leads from one to the other.
    def envelope(turns):
        wave = np.cos(2.0 * np.pi * turns)
        return np.where(wave > 0.0, 1.02 * wave, -0.98 * wave * np.exp(1j * DEGREES * 80.0))

    reading = read(drawn(envelope, snr_db=30.0, turns=6.4))
    holds(reading, 0.02)
    assert reading.balance.u < 0.005


@pytest.mark.parametrize("pairs", [1, 6])
def test_rest_between_groups(pairs):
    # As much as a seventh of the mean height stands level in the gaps: they are gaps all the same.
    rest = 0.14 * np.exp(1j * DEGREES * 60)

    def envelope(turns):
        flat = groups(0.2, pairs, 0.7)(turns)
        # The two bands' carriers stand against one another: what is added moves them apart.
        first = flat > 0.0
        return np.where(first & (flat < 1.0), -flat, flat) + rest

    reading = read(drawn(envelope, snr_db=40.0, turns=6.4))
    assert not reading.valid or abs(reading.balance.value - 0.2) < 3.0 * reading.balance.u


def test_rest_between_lobes_hidden_in_noise():
    rest = 0.015 * np.exp(1j * DEGREES * 60)
    lobes = bells(0.1, width=0.05)
    reading = read(drawn(lambda turns: lobes(turns) + rest, snr_db=18.0, turns=10.4))
    holds(reading, 0.1)


@pytest.mark.parametrize("balance", [0.003, 0.006])
def test_both_tops_cut_a_little(balance):
    # A head of 0.97 of the taller lobe: even lobes lose all but the same.
    most = 0.97 * (1.0 + balance)

    def envelope(turns):
        return np.clip(np.cos(2.0 * np.pi * turns) + balance, -most, most)

    holds(read(drawn(envelope, snr_db=36.0, turns=8.4)), balance)
