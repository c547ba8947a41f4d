"""An amplifier that bends its tops, with a carrier near a quarter of the sample rate."""

import numpy as np
import pytest

from app.analysis.envelope.aliased import Ripple
from app.analysis.envelope.series import Bins
from app.analysis.results import Geometry
from tests.app.analysis.lobes.test_spoilers import (
    FIRST,
    bells,
    boundary,
    drawn,
    groups,
    holds,
    read,
)

QUARTER_HZ = 62.8e3
"""Of 250 kS/s it lies at 0.2512: the third harmonic comes back at 0.2464."""


def bent(envelope, part, *, seed=1, carrier_hz=QUARTER_HZ, turns=6.4):
    """Return a signal whose taller top has lost so much, by the cube."""
    samples = drawn(envelope, snr_db=38.0, seed=seed, turns=turns, carrier_hz=carrier_hz)
    top = np.quantile(np.abs(samples[:, 0]), 0.9999)
    wave = samples[:, 0] / top
    samples[:, 0] = top * (wave - 4.0 / 3.0 * part * wave**3)
    return samples


@pytest.mark.parametrize(
    "envelope",
    [bells(0.35), boundary(0.25), groups(0.3, 6, 0.7)],
    ids=["bells", "boundary", "groups"],
)
@pytest.mark.parametrize("part", [0.01, 0.02])
def test_what_it_takes_off_is_in_u(envelope, part):
    whole = read(bent(envelope, 0.0))
    reading = read(bent(envelope, part))
    away = abs(reading.balance.value - whole.balance.value)
    assert away > 5.0 * whole.balance.u
    assert not reading.valid or away < 3.0 * reading.balance.u


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_whole_signal_pays_little(seed):
    reading = read(bent(bells(0.35), 0.0, seed=seed))
    assert reading.valid
    assert reading.geometry is Geometry.TWO_BAND
    assert reading.balance.u < 0.001


@pytest.mark.parametrize("carrier_hz", [62.5e3, 62.5e3 + 0.02])
def test_a_carrier_locked_to_the_sampling_is_read(carrier_hz):
    reading = read(bent(bells(0.15), 0.0, carrier_hz=carrier_hz))
    assert reading.valid
    assert abs(reading.balance.value - 0.15) < 3.0 * reading.balance.u + 5e-4


@pytest.mark.parametrize(
    ("envelope", "balance", "carrier_hz"),
    [
        (bells(0.35, width=0.1), 0.35, 62.6e3),
        (boundary(0.1), 0.1, 62.6e3),
        (groups(0.1, 6, 0.7), 0.1, QUARTER_HZ),
    ],
    ids=["bells", "boundary", "groups"],
)
@pytest.mark.parametrize(("part", "phase"), [(0.08, 0.0), (0.16, 2.0)])
def test_a_recorded_harmonic_leaves_no_ripple(part, phase, envelope, balance, carrier_hz):
    def harmonic(time):
        of_third = part * np.cos(6.0 * np.pi * carrier_hz * time + phase)
        return envelope(5.0 * time - 0.1 - FIRST) * of_third

    holds(read(drawn(envelope, hit=harmonic, turns=6.4, carrier_hz=carrier_hz)), balance)


@pytest.mark.parametrize("seed", [6, 9, 15, 20])
def test_noise_between_lobes_shows_no_ripple(seed):
    """What comes first may be noise alone, whose phase is anything."""
    frames, rate_hz, sigma_v = 64, 100e3, 1.3e-3
    rng = np.random.default_rng(seed)
    bins = np.arange(600)
    amplitude_v = 0.077 * np.exp(-(((bins % 157 - 80.0) / 22.0) ** 2))
    drift = np.exp(2j * np.pi * 0.01 * bins)
    noise_v = sigma_v * (rng.standard_normal(600) + 1j * rng.standard_normal(600))
    phasor_v = amplitude_v * drift + noise_v
    power_v2 = np.abs(phasor_v) ** 2 - 2.0 * sigma_v**2
    ripple = Ripple(frames, rate_hz)
    for first in range(0, 600, 15):
        part = slice(first, first + 15)
        carrier_hz = np.full(15, rate_hz / 4.0 * (1.0 + 0.04 / frames))
        sigma = np.full(15, sigma_v)
        there = np.ones(15, dtype=np.bool_)
        block = Bins(first, power_v2[part], sigma, carrier_hz, there, phasor_v[part])
        assert ripple.taken_out(block) is block
