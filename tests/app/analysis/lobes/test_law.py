"""A detector of which nothing is stated is read where the lobes show its law, and only there."""

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.lobes.heights import TURN_BINS, MeanTurn
from app.analysis.lobes.law import bend_of
from tests.app.analysis.running import analyse
from tests.synthesis import Signal, make

RATE_HZ = 16e3
NAMES = ("envelope", "index")


def unproved(geometry, ratio, law):
    """Return the reading of an envelope behind a law of amplitudes over the taller lobe's."""
    signal = Signal(geometry=geometry, ratio=ratio, rate_hz=RATE_HZ, carrier_hz=5e3, turns=5.4)
    made = make(signal)
    volts = law(made.envelope_v / max(made.tops_v))
    volts = volts + 0.005 * np.random.default_rng(2).standard_normal(len(volts))
    samples = np.stack([volts, made.index_v], axis=1)
    return analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0), made


def logarithm(decades):
    """Return a logarithmic detector: 1 at the top, and nothing from so many decades below on."""
    return lambda part: 1.0 + np.log10(np.maximum(part, 10.0**-decades)) / decades


def threshold(part):
    return np.maximum(part - 0.1, 0.0)


def linear(part):
    return part


@pytest.mark.parametrize("decades", [0.8, 1.5, 3.0])
@pytest.mark.parametrize("geometry", ["two-band", "boundary", "alternating"])
def test_a_logarithm_is_not_read(geometry, decades):
    reading, _ = unproved(geometry, 0.7, logarithm(decades))
    assert not reading.valid
    wanted = {messages.LAW_UNKNOWN, messages.TOPS_LEVEL, messages.NO_PATTERN}
    assert wanted & set(reading.reasons)


@pytest.mark.parametrize("law", [linear, threshold])
@pytest.mark.parametrize("geometry", ["two-band", "boundary", "bell"])
def test_lobes_show_a_linear_law(geometry, law):
    reading, made = unproved(geometry, 0.7, law)
    assert reading.valid
    assert abs(reading.ratio.value - made.ratio) < 3 * reading.ratio.u
    # A tenth of the taller lobe, kept of both (a sixth, rectangular), moves b by b(1 + b)/10.
    balance = abs(reading.balance.value)
    assert reading.balance.u < 0.11 * balance * (1.0 + balance)


def test_flat_groups_show_none():
    reading, _ = unproved("alternating", 0.7, linear)
    assert reading.reasons == (messages.LAW_UNKNOWN,)


@pytest.mark.parametrize("law", [linear, logarithm(2.0)])
def test_even_lobes_are_even_behind_any_law(law):
    reading, made = unproved("alternating", 0.99, law)
    assert reading.valid
    assert abs(reading.ratio.value - made.ratio) < 2 * reading.ratio.u


def square_foot(part):
    """Return what a diode detector gives: a square below a fifth of the top, straight above."""
    return np.where(part < 0.2, part**2 / 0.4, part - 0.1)


def exponential_foot(part):
    """Return a foot that is an exponential, as of a diode's current."""
    return 0.04 * np.logaddexp(0.0, (part - 0.1) / 0.04) - 0.04 * np.logaddexp(0.0, -2.5)


def stated_linear(geometry, law, ratio=0.5, noise=0.005, **signal):
    """Return the reading of an envelope behind a law, the detector stated to keep nothing."""
    made = make(Signal(geometry=geometry, ratio=ratio, rate_hz=RATE_HZ, carrier_hz=5e3, turns=5.4))
    volts = law(made.envelope_v / max(made.tops_v)) * max(made.tops_v)
    volts = volts + noise * np.random.default_rng(3).standard_normal(len(volts))
    samples = np.stack([volts, made.index_v], axis=1)
    stated = {"low_corner_hz": 0.0, "detector_threshold_v": 0.0, **signal}
    return analyse(samples, RATE_HZ, NAMES, **stated), made


@pytest.mark.parametrize("law", [square_foot, exponential_foot])
@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
def test_a_rounded_foot_is_in_the_uncertainty(geometry, law):
    reading, made = stated_linear(geometry, law)
    away = abs(reading.ratio.value - made.ratio)
    assert away > 0.02
    assert not reading.valid or away < 3.0 * reading.ratio.u


def test_flanks_that_end_in_one_place_show_that_nothing_is_kept():
    sharp, made = stated_linear("boundary", linear)
    assert sharp.valid
    assert abs(sharp.ratio.value - made.ratio) < 2.0 * sharp.ratio.u
    # 1.5 % of the top, of a detector of which no foot shows, moves a ratio of a half by 0.0075.
    assert sharp.ratio.u < 0.005


def test_a_threshold_that_is_stated_is_known_less_well_than_none():
    reading, made = stated_linear("two-band", threshold, detector_threshold_v=0.02)
    away = abs(reading.ratio.value - made.ratio)
    assert 0.02 < away < 5.0 * reading.ratio.u


@pytest.mark.parametrize("bend", [0.0, 5.0, 7.0])
def test_a_top_that_hardly_falls_is_level_as_far_as_it_shows(bend):
    angle = 2.0 * np.pi * ((np.arange(TURN_BINS) + 0.5) / TURN_BINS - 0.5)
    fall = 0.02 * (np.cos(angle) - 1.0)
    shape = 1.0 + fall - 0.5 * bend * fall**2
    rng, found = np.random.default_rng(4), []
    for _ in range(100):
        amplitude_v = shape + 0.004 * rng.standard_normal(TURN_BINS)
        turn = MeanTurn(amplitude_v**2, np.full(TURN_BINS, 0.008), 0.0, None, ())
        found.append(bend_of(turn, 0.5))
    level = [each for each in found if each.value == 8.0]
    assert len(level) > 20
    assert all(8.0 - bend <= 3.0 * each.u for each in level)
