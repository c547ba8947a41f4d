"""The carrier is found wherever it is, and not where there is none."""

import numpy as np
import pytest
from scipy.signal import butter, lfilter

from app.analysis import messages
from app.analysis.envelope.carrier import find_carrier
from tests.app.analysis.running import analyse, measured
from tests.synthesis import Signal

RATE_HZ = 400e3


def sine(frequency_hz, seconds=0.1, rate_hz=RATE_HZ, noise=0.1):
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    hiss = np.random.default_rng(1).standard_normal(len(time)) * noise
    return (np.sin(2.0 * np.pi * frequency_hz * time + 0.3) + hiss).astype(np.float32)


@pytest.mark.parametrize("part", [0.06, 0.11, 0.2, 0.25, 1 / 3, 0.4, 0.449])
def test_a_sine_is_found_to_a_tenth_of_a_bin(part):
    found = find_carrier(sine(part * RATE_HZ), RATE_HZ)
    assert found is not None
    # Segments of 1024 samples at this rate: a bin is 391 Hz.
    assert found.frequency_hz == pytest.approx(part * RATE_HZ, abs=39.1)


def test_white_noise_holds_no_carrier():
    rng = np.random.default_rng(2)
    for _ in range(20):
        noise = rng.standard_normal(round(0.3 * RATE_HZ)).astype(np.float32)
        assert find_carrier(noise, RATE_HZ) is None


@pytest.mark.parametrize("level", [0.0, 0.7])
def test_a_constant_holds_no_carrier(level):
    assert find_carrier(np.full(round(0.1 * RATE_HZ), level, dtype=np.float32), RATE_HZ) is None


def test_hum_and_its_harmonics_are_no_carrier():
    time = np.arange(round(0.3 * RATE_HZ)) / RATE_HZ
    hum = np.sin(2.0 * np.pi * 50.0 * time) + 0.3 * np.sin(2.0 * np.pi * 250.0 * time)
    hiss = 1e-3 * np.random.default_rng(3).standard_normal(len(time))
    assert find_carrier((hum + hiss).astype(np.float32), RATE_HZ) is None


def test_less_than_a_segment_holds_no_carrier():
    assert find_carrier(sine(50e3, seconds=1e-4), RATE_HZ) is None


@pytest.mark.parametrize(
    ("rate_hz", "carrier_hz"),
    [
        (48e3, 20.6e3),
        (96e3, 43.1e3),
        (192e3, 86.2e3),
        (250e3, 50e3),
        (1e6, 20e3),
        (1e6, 449e3),
        (5e6, 250e3),
    ],
)
def test_carriers_from_20_khz_to_045_of_the_rate_are_measured(rate_hz, carrier_hz):
    signal = Signal(rate_hz=rate_hz, carrier_hz=carrier_hz, snr_db=30, turns=2.4)
    reading, made = measured(signal)
    assert reading.valid
    assert abs(reading.carrier_hz.value - carrier_hz) < max(2.0 * reading.carrier_hz.u, 1.0)
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.001 + 4.0 * made.bound(2))


@pytest.mark.parametrize("part", [0.46, 0.48])
def test_a_carrier_beyond_the_bandwidth_gives_no_reading(part):
    signal = Signal(rate_hz=RATE_HZ, carrier_hz=part * RATE_HZ, snr_db=30, turns=2.4)
    reading, _ = measured(signal)
    assert not reading.valid
    assert messages.CARRIER_BEYOND in reading.reasons
    assert reading.ratio is None


def test_a_carrier_beyond_what_the_source_states_gives_no_reading():
    signal = Signal(rate_hz=RATE_HZ, carrier_hz=100e3, snr_db=30, turns=2.4)
    reading, _ = measured(signal, bandwidth_hz=80e3)
    assert reading.reasons == (messages.CARRIER_BEYOND,)


def test_a_carrier_below_20_khz_is_none():
    reading, _ = measured(Signal(rate_hz=RATE_HZ, carrier_hz=15e3, snr_db=30, turns=2.4))
    assert reading.reasons == (messages.NO_CARRIER,)


def test_a_carrier_off_the_profile_is_reported_not_refused():
    signal = Signal(rate_hz=RATE_HZ, carrier_hz=80e3, snr_db=30, turns=2.4)
    reading, _ = measured(signal, carrier_hz=125e3)
    assert reading.valid
    assert messages.fill(messages.OFF_CARRIER, "125") in reading.notes


def test_a_carrier_that_the_rate_cannot_hold_may_be_an_image():
    signal = Signal(rate_hz=192e3, carrier_hz=67e3, snr_db=30, turns=2.4)
    reading, _ = measured(signal, carrier_hz=125e3)
    assert messages.fill(messages.IMAGE, "125") in reading.notes


def test_speech_is_no_carrier_that_could_be_read():
    rng = np.random.default_rng(7)
    frames = round(0.7 * RATE_HZ)
    speech = lfilter(*butter(2, [300, 3000], "band", fs=RATE_HZ), rng.standard_normal(frames))
    time = np.arange(frames) / RATE_HZ
    index = np.where(5.0 * time % 1.0 < 0.02, 5.0, 0.0)
    reading = analyse(np.stack([speech, index], axis=1), RATE_HZ, ("differential", "index"))
    assert not reading.valid
    assert reading.ratio is None
