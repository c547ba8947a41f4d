"""A detector of which nothing is stated is read where the lobes show its law, and only there."""

import numpy as np
import pytest

from app.analysis import messages
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
