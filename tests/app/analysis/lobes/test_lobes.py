"""Heights of lobes, with and without drop-outs, against the formula's own tops."""

import numpy as np
import pytest

from app.analysis.lobes.heights import LobeFits, measure_heights
from tests.app.analysis.running import BARE, BRISK, RAW, analyse, measured
from tests.synthesis import Signal, make

GEOMETRIES = ("two-band", "boundary", "bell", "squared")


@pytest.mark.parametrize("geometry", GEOMETRIES)
@pytest.mark.parametrize("ratio", [1.0, 0.85, 0.5])
@pytest.mark.few(6)
def test_the_heights_are_the_tops_of_the_differential(geometry, ratio):
    reading, made = measured(Signal(**BRISK, geometry=geometry, ratio=ratio, snr_db=40, turns=4.4))
    for found, top in zip((reading.first_v, reading.second_v), made.tops_v, strict=True):
        assert found.value == pytest.approx(top, rel=0.004)
        assert found.u < 0.003 * top


@pytest.mark.parametrize("geometry", GEOMETRIES)
@pytest.mark.few(1)
def test_noise_does_not_raise_the_heights(geometry):
    errors = []
    for seed in range(12):
        signal = Signal(**BRISK, geometry=geometry, snr_db=10, turns=3.4, seed=seed)
        reading, made = measured(signal)
        if reading.valid:
            errors.append(reading.first_v.value / made.tops_v[0] - 1.0)
    assert len(errors) >= 9
    # The mean's own scatter, three times, and one part in a hundred for the choice of window.
    scatter = np.std(errors, ddof=1) / np.sqrt(len(errors))
    assert abs(np.mean(errors)) < 0.01 + 3.0 * scatter


TURNS, PART = 200, 0.05


def balances(pairs, wander):
    """Measure 40 draws of even lobes in white noise of a part; each turn's balance wanders."""
    count, found = 2 * pairs * TURNS, []
    none, first = np.zeros(count), np.where(np.arange(count) % 2 == 0, 1.0, -1.0)
    for seed in range(40):
        rng = np.random.default_rng(seed)
        heights_v = 1.0 + PART * rng.standard_normal(count)
        heights_v += first * np.repeat(wander * rng.standard_normal(TURNS), 2 * pairs)
        fits = LobeFits(
            1000.0 * np.arange(count), heights_v, np.full(count, PART), none, none, none == 0.0
        )
        heights, _ = measure_heights(fits, pairs)
        found.append(heights.balance)
    return found


@pytest.mark.parametrize("pairs", [1, 2])
def test_noise_that_is_white_from_lobe_to_lobe_is_in_u_once(pairs):
    """Of n heights apart the mean has the root of n less (GUM 4.2.3), and a balance half of two."""
    noise_u = PART / np.sqrt(2.0 * pairs * TURNS)
    # The median, for in one of some thirty such noise looks like a step of the head.
    assert np.median([each.u for each in balances(pairs, 0.0)]) == pytest.approx(noise_u, rel=0.05)


@pytest.mark.parametrize("pairs", [1, 2, 5])
@pytest.mark.parametrize("wander", [0.0, 0.05])
def test_what_turns_differ_by_is_in_u_as_well(pairs, wander):
    found = balances(pairs, wander)
    assert 0.7 < np.std([each.value / each.u for each in found]) < 1.25


@pytest.mark.parametrize("names", [RAW, BARE], ids=["index", "no index"])
@pytest.mark.parametrize("drops", [1, 3, 6])
def test_random_drop_outs_do_not_matter(drops, names):
    signal = Signal(**BRISK, snr_db=30, turns=6.4, drops=drops)
    reading, made = measured(signal, names)
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.003 + 4.0 * made.bound(6))


@pytest.mark.parametrize("place", [0.15, 0.2, 0.25, 0.28, 0.5, 0.75, 0.8])
def test_a_drop_out_fixed_on_the_disk_does_not_matter(place):
    # One degree of the turn, four fifths of the amplitude gone.
    made = make(Signal(**BRISK, snr_db=30, turns=4.4))
    samples = made.columns(*RAW)
    samples[np.abs((made.turns - place + 0.5) % 1.0 - 0.5) < 0.5 / 360.0, :2] *= 0.2
    reading = analyse(samples, 250e3)
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.002 + 4.0 * made.bound(4))


@pytest.mark.parametrize("third", [0.02, 0.1])
def test_a_third_harmonic_does_not_matter(third):
    reading, made = measured(Signal(**BRISK, snr_db=30, turns=4.4, third=third))
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.001 + 4.0 * made.bound(4))


@pytest.mark.parametrize("place", [0.22, 0.25, 0.3, 0.75])
@pytest.mark.parametrize("length", [0.01, 0.02, 0.05])
@pytest.mark.parametrize("left", [0.05, 0.9])
@pytest.mark.few(6)
def test_a_long_drop_out_fixed_on_a_lobe_does_no_harm(left, length, place):
    made = make(Signal(**BRISK, snr_db=30, turns=3.4))
    samples = made.columns(*RAW)
    samples[np.abs((made.turns - place + 0.5) % 1.0 - 0.5) < 0.5 * length, :2] *= left
    reading = analyse(samples, 250e3)
    if reading.valid:
        away = abs(reading.ratio.value - made.ratio)
        assert away < 0.003 + 4.0 * made.bound(3) + 2.0 * reading.ratio.u
        assert reading.balance.value > 0.0
