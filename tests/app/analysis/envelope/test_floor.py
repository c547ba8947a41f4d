"""What noise adds to min/max pairs: the floor, and what is left of it on a carrier."""

import numpy as np
import pytest

from app.analysis.envelope.peakdetect import Floor, bounded, floor_of, quiet_floor

SIGMA = 4.0
"""Of each of the two channels, in codes."""
# Mean range of n normal values in standard deviations (Tippett 1925, from memory), twice the mean
# of the highest.
TIPPETT = {100: 5.015, 500: 6.073, 1000: 6.483}


def pairs_of(amplitudes, samples, seed=1, sigma=SIGMA, inputs=2):
    """Half the difference within the min/max pairs that samples of the signal show.

    Every sample of a pair falls on a phase of its own, in each channel with its own noise. Two
    channels carry opposite phases, one alone the differential.
    """
    random = np.random.default_rng(seed)
    phase = np.arange(samples) * 2 * np.pi * 0.618034
    shown = []
    for amplitude in amplitudes:
        carrier = amplitude / inputs * np.cos(phase + random.uniform(0, 7))
        size = 0.0
        for _ in range(inputs):
            size += 0.5 * np.ptp(carrier + sigma * random.standard_normal(samples))
        shown.append(size)
    return np.array(shown)


def lobes(count, gap, low=0.7, turns=2.5):
    """Envelope of a record in codes: lobes of 130 and `low` of it, with gaps between."""
    place = np.arange(count) / count * 2 * turns
    within = (place % 1.0 - 0.5) / (1.0 - gap)
    height = np.where(place.astype(int) % 2, low, 1.0) * 130.0
    return np.where(np.abs(within) < 0.5, height * np.cos(np.pi * within), 0.0)


@pytest.mark.parametrize("samples", TIPPETT)
@pytest.mark.parametrize("inputs", [1, 2])
def test_floor_of_noise_alone(inputs, samples):
    floor = floor_of(pairs_of(np.zeros(1200), samples, inputs=inputs), inputs)
    assert floor.height_v == pytest.approx(0.5 * inputs * SIGMA * TIPPETT[samples], rel=0.02)
    # Half or twice as many samples change what is left on a carrier by less than 0.04.
    assert floor.log2_samples == pytest.approx(np.log2(samples), abs=1.5)
    assert floor.known


@pytest.mark.parametrize("samples", [43, 405, 4050])
@pytest.mark.parametrize("amplitude", [30.0, 130.0, 500.0])
@pytest.mark.few(3)
def test_a_carrier_is_found_beneath_its_noise(samples, amplitude):
    shown = pairs_of(np.full(400, amplitude), samples)
    floor = Floor(pairs_of(np.zeros(400), samples, seed=2).mean(), log2_samples=np.log2(samples))
    # Noise adds 3 to 24 codes here: known to a tenth of one channel's standard deviation.
    assert shown.mean() > amplitude + 3.0
    assert floor.taken_from(shown.mean(keepdims=True))[0] == pytest.approx(amplitude, abs=0.4)


@pytest.mark.parametrize("samples", [43, 405, 4050])
@pytest.mark.parametrize("gap", [0.0, 0.2])
@pytest.mark.parametrize("inputs", [1, 2])
@pytest.mark.few(4)
def test_lobes_of_a_record_keep_their_ratio(inputs, samples, gap):
    truth = lobes(600, gap)
    shown = pairs_of(truth, samples, inputs=inputs)
    found = floor_of(shown, inputs).taken_from(shown)
    high, low = truth > 125.0, (truth > 85.0) & (lobes(600, gap, 0.0) == 0.0)
    true = truth[low].mean() / truth[high].mean()
    assert found[low].mean() / found[high].mean() == pytest.approx(true, abs=0.006)
    # Of one channel there is half the noise.
    assert shown[low].mean() / shown[high].mean() > true + 0.0075 * inputs


def test_no_noise_no_floor():
    truth = lobes(600, 0.2)
    floor = floor_of(truth)
    assert floor.height_v == 0.0
    assert floor.u_v == 0.0
    assert (floor.taken_from(truth) == truth).all()


def test_groups_without_gaps_are_no_floor():
    groups = np.where(np.arange(600) // 20 % 2 == 1, 130.0, 100.0)
    shown = pairs_of(groups, 405)
    # What noise adds cannot be told from them: 20 codes of 130.
    assert not floor_of(shown, 2).known
    assert floor_of(groups) == Floor()


def test_what_lies_below_the_floor_goes_on_straight():
    floor = Floor(10.0)
    below = floor.taken_from(np.array([4.0, 7.0, 10.0]))
    assert below.tolist() == pytest.approx([-6.0, -3.0, 0.0])
    far = floor.taken_from(np.array([1e4, 1e4 + 1.0]))
    assert np.diff(far)[0] == pytest.approx(1.0)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("pairs", "sigma"), [(3200, 0.5), (3200, 2.5), (1600, 1.0), (640, 3.0)])
@pytest.mark.few(4)
def test_the_floor_of_a_sharp_null_is_within_its_uncertainty(pairs, sigma, seed):
    # Where the carrier only passes through zero, hardly a pair is without it.
    place = (np.arange(pairs) + 0.37) / pairs * 5.0
    carrier = 130.0 * np.abs(np.sin(np.pi * place)) * np.where(place.astype(int) % 2, 0.45, 1.0)
    true = pairs_of(np.zeros(3000), 80, seed=99, sigma=sigma, inputs=1).mean()
    floor = floor_of(pairs_of(carrier, 80, seed=seed, sigma=sigma, inputs=1))
    assert abs(floor.height_v - true) < 2.0 * floor.u_v
    assert floor.u_v < 0.8 * true


def test_a_quiet_floor_is_within_what_groups_without_gaps_leave_open():
    groups = np.where(np.arange(600) // 20 % 2 == 1, 130.0, 100.0)
    quiet = quiet_floor([pairs_of(np.zeros(1200), 405, seed=9)])
    shown = pairs_of(groups, 405)
    floor = bounded(floor_of(shown, 2), shown, quiet)
    # The lowest pairs have a carrier: they bound the floor from far above, and that is said.
    assert not floor.known
    true = pairs_of(np.zeros(1200), 405, seed=3).mean()
    assert abs(floor.height_v - true) < 2.0 * floor.u_v


@pytest.mark.parametrize("added", [0.0, 0.1])
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.few(2)
def test_a_quiet_floor_bounds_that_of_a_sharp_null(seed, added):
    place = (np.arange(3200) + 0.37) / 3200 * 5.0
    carrier = 130.0 * np.abs(np.sin(np.pi * place))
    quiet = quiet_floor([pairs_of(np.zeros(2000), 80, seed=9, sigma=2.5, inputs=1)])
    sigma = 2.5 * (1.0 + added)
    true = pairs_of(np.zeros(3000), 80, seed=99, sigma=sigma, inputs=1).mean()
    shown = pairs_of(carrier, 80, seed=seed, sigma=sigma, inputs=1)
    alone, floor = floor_of(shown, 1), bounded(floor_of(shown, 1), shown, quiet)
    assert abs(floor.height_v - true) < 2.0 * floor.u_v
    assert floor.u_v < 0.6 * alone.u_v


def test_a_quiet_floor_of_another_range_is_not_used():
    shown = pairs_of(lobes(600, 0.2), 405)
    alone = floor_of(shown, 2)
    assert bounded(alone, shown, (40.0, 35.0)) == alone
    assert bounded(alone, shown, None) == alone


def groups(low, samples, sigma):
    """Half of the pairs at 40 codes and half at `low` of them, in one channel's noise."""
    place = np.arange(1500) // 15 % 2 == 1
    return pairs_of(np.where(place, 40.0, 40.0 * low), samples, sigma=sigma, inputs=1)


@pytest.mark.parametrize("samples", [64, 405])
@pytest.mark.parametrize(("low", "sigma"), [(0.3, 2.0), (0.6, 2.0), (0.6, 4.0)])
def test_the_lower_of_groups_without_gaps_is_no_floor_in_noise_either(samples, low, sigma):
    assert not floor_of(groups(low, samples, sigma)).known


@pytest.mark.parametrize("samples", [64, 405])
def test_as_much_room_between_groups_as_they_fill_shows_the_floor(samples):
    floor = floor_of(groups(0.0, samples, 2.0))
    assert floor.known
    true = pairs_of(np.zeros(1500), samples, seed=3, sigma=2.0, inputs=1).mean()
    assert floor.height_v == pytest.approx(true, rel=0.05)
