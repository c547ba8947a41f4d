"""Turns that are half of noise: no pattern is learned of them, and no lobe of them is read."""

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.envelope.series import Bins, EnvelopeSeries
from app.analysis.lobes.roughness import roughness_of
from tests.app.analysis.running import BARE, BRISK, RAW, live
from tests.synthesis import Signal, make

BINS = 400
RATE_HZ = BRISK["rate_hz"]
SMALL_V = 0.002


def lobes(noise_v=SMALL_V, seed=1):
    angle = np.pi * np.arange(BINS) / (BINS // 2)
    noise = np.random.default_rng(seed).standard_normal(BINS)
    return np.abs(np.sin(angle)) + noise_v * noise


def roughness(values):
    series = EnvelopeSeries(1)
    none = np.zeros(len(values))
    series.append(Bins(0, values * np.abs(values), none, none, np.isfinite(values)))
    return roughness_of(series, 0.0, float(len(values)))


def with_noise(start, end, noise_v=0.3):
    values = lobes()
    values[start:end] = np.abs(lobes(noise_v, seed=2)[start:end])
    return roughness(values)


@pytest.mark.parametrize("noise_v", [0.0, SMALL_V, 0.02, 0.3])
def test_noise_that_is_there_throughout_belongs_to_the_turn(noise_v):
    assert roughness(lobes(noise_v)).is_same_throughout


@pytest.mark.parametrize(("start", "end"), [(0, 200), (200, 400), (150, 200), (0, 350)])
def test_a_turn_in_which_noise_begins_or_ends_is_of_two_kinds(start, end):
    assert not with_noise(start, end).is_same_throughout
    assert not with_noise(start, end).is_like(roughness(lobes()))


def test_what_is_no_noise_is_none():
    values = lobes()
    values[100:106] = 0.0  # a drop-out
    values[300] = 3.0  # a click
    values[350:360] = np.nan  # samples that are missing
    assert roughness(values).is_same_throughout
    assert roughness(values).is_like(roughness(lobes()))
    groups = np.where(np.arange(BINS) // 20 % 2, 1.0, 0.5) + SMALL_V * lobes()
    assert roughness(groups).is_same_throughout
    # More noise than before, and still nothing beside the lobes.
    assert roughness(lobes(6 * SMALL_V)).is_like(roughness(lobes()))
    # A gain takes noise and lobes along.
    assert roughness(10.0 * lobes(0.02)).is_like(roughness(lobes(0.02)))


def test_of_too_few_bins_nothing_is_told():
    few = roughness(lobes()[::4])
    assert few.is_same_throughout
    assert few.is_like(roughness(lobes()))
    assert few.is_as_rough_as(with_noise(0, 200))


def test_turns_of_other_heights_make_no_mean():
    assert roughness(lobes()).goes_with(roughness(1.2 * lobes()))
    assert not roughness(lobes()).goes_with(roughness(2.0 * lobes()))
    assert not roughness(lobes()).goes_with(with_noise(0, 100))


def garbled(names, start_s, end_s):
    """Return lobes of a ratio of 0.7, white noise as strong as they are for a while."""
    made = make(Signal(**BRISK, ratio=0.7, snr_db=35, turns=21.0))
    samples = made.columns(*names).astype(np.float64)
    times_s = np.arange(len(samples)) / RATE_HZ
    noisy = (times_s >= start_s) & (times_s < end_s)
    noise = np.random.default_rng(3).uniform(-1.0, 1.0, samples.shape)
    samples[noisy] = noise[noisy]
    return samples


@pytest.mark.parametrize("names", [RAW, BARE], ids=["index", "no index"])
@pytest.mark.parametrize("start_s", [1.53, 1.58])
@pytest.mark.few(2)
def test_garbage_parks_at_once_and_no_reading_behind_it_is_wrong(names, start_s):
    end_s = start_s + 1.0
    found = list(live(garbled(names, start_s, end_s), RATE_HZ, names, from_s=1.3))
    assert any(reading.valid for time_s, reading in found if time_s < start_s)
    for time_s, reading in found:
        if reading.valid:
            assert abs(reading.ratio.value - 0.7) < 5.0 * reading.ratio.u + 0.002, time_s
            assert abs(reading.speed_rpm.value - 300.0) < 5.0 * reading.speed_rpm.u, time_s
    parked = [reading for time_s, reading in found if start_s + 0.2 < time_s < end_s]
    assert not any(reading.valid for reading in parked)
    said = [each for time_s, reading in found if time_s > start_s for each in reading.reasons]
    assert messages.NOISE_WITHIN in said
    # Within two seconds of the source's return, by the time of the samples.
    assert any(reading.valid for time_s, reading in found if end_s < time_s < end_s + 1.6)


def test_a_signal_that_has_become_noisier_is_read_again():
    made = make(Signal(**BRISK, ratio=0.7, snr_db=35, turns=16.0))
    samples = made.columns(*BARE).astype(np.float64)
    noise = np.random.default_rng(3).standard_normal(samples.shape)
    from_frame = round(1.5 * RATE_HZ)
    samples[from_frame:] += 0.35 * noise[from_frame:] * np.abs(samples).max()
    *_, (_, last) = live(samples, RATE_HZ, BARE, from_s=2.9)
    assert messages.NOISE_WITHIN not in last.reasons
    assert last.ratio is None or abs(last.ratio.value - 0.7) < 5.0 * last.ratio.u
