"""Sampling: seams, noise, hum, harmonics and resolution."""

from dataclasses import replace
from itertools import pairwise
from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments.source import Role
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.sampling import digitiser_for, simulate

PHASES = (Role.PLUS, Role.MINUS, Role.INDEX)
QUIET = VirtualParams(snr_db=inf, hum_v=0.0, third_harmonic=0.0, mismatch_percent=0.0)
LOUD = VirtualParams(
    snr_db=10.0, hum_v=0.4, third_harmonic=0.1, mismatch_percent=5.0, wow_percent=1.0, dc_v=0.1
)


def digitiser(params, roles=PHASES):
    return digitiser_for(params, VirtualDrive(params), roles, params.rate)


def tone(volts, frequency_hz, rate_hz):
    """Return the amplitude of a sine by projection on it: a textbook Fourier sum."""
    angle = 2 * np.pi * frequency_hz * np.arange(volts.size) / rate_hz
    return 2 * np.abs(np.mean(volts * np.exp(-1j * angle)))


@st.composite
def cuts(draw, frames):
    places = draw(st.lists(st.integers(0, frames), max_size=12))
    edges = sorted({0, frames, *places})
    return list(pairwise(edges))


@settings(max_examples=40)
@given(
    pieces=cuts(90000),
    recording=st.sampled_from(["two-band", "boundary", "alternating", "beat"]),
    rate=st.sampled_from([48e3, 192e3, 1e6, 9.9e6]),
    place=st.sampled_from(["fixed", "random"]),
)
def test_blocks_of_any_sizes_join_without_a_seam(pieces, recording, rate, place):
    params = replace(LOUD, recording=recording, rate=rate, drop_outs=3, drop_out_place=place)
    whole, _ = digitiser(params).take(0, 90000)
    split = digitiser(params)
    parts = [split.take(begin, end - begin)[0] for begin, end in pieces]
    assert np.array_equal(np.concatenate(parts), whole)


def test_after_days_the_samples_still_join():
    params = replace(LOUD, snr_db=inf, rate=10e6)
    late = 3 * 86400 * 10_000_000 + 12345
    whole, _ = digitiser(params).take(late, 60000)
    split = digitiser(params)
    parts = [split.take(late + begin, 20000)[0] for begin in (0, 20000, 40000)]
    assert np.array_equal(np.concatenate(parts), whole)
    # No jump anywhere larger than the carrier's own slope, and a good part of its amplitude.
    steepest_v = 0.6 * 0.5 * (1 + 3 * 0.1) * 2 * np.pi * 126e3 / 10e6
    assert np.abs(np.diff(whole[:, 0])).max() < steepest_v


@settings(max_examples=15)
@given(pieces=cuts(40000), rate=st.sampled_from([48e3, 1e6]))
def test_an_envelope_behind_a_coupling_joins_without_a_seam(pieces, rate):
    params = replace(LOUD, rate=rate, low_corner_hz=7.0, detector_threshold_v=0.05)
    whole, _ = digitiser(params, (Role.ENVELOPE,)).take(0, 40000)
    split = digitiser(params, (Role.ENVELOPE,))
    parts = [split.take(begin, end - begin)[0] for begin, end in pieces]
    assert np.abs(np.concatenate(parts) - whole).max() < 1e-6


def test_columns_are_the_roles_in_their_order():
    frames = 30000
    named = dict(zip(PHASES, digitiser(LOUD).take(0, frames)[0].T, strict=True))
    turned = (Role.INDEX, Role.MINUS, Role.PLUS)
    for role, column in zip(turned, digitiser(LOUD, turned).take(0, frames)[0].T, strict=True):
        assert np.array_equal(column, named[role])


def test_the_differential_is_plus_less_minus():
    params = replace(LOUD, snr_db=inf)
    phases, _ = digitiser(params).take(0, 50000)
    alone, _ = digitiser(params, (Role.DIFFERENTIAL,)).take(0, 50000)
    assert np.abs(phases[:, 0] - phases[:, 1] - alone[:, 0]).max() < 1e-6


@pytest.mark.parametrize("rate", [192e3, 1e6, 10e6])
def test_interpolation_is_within_a_ten_thousandth_of_the_peak(rate):
    # The slow quantities are straight between the corners of cells: against the model itself,
    # sample by sample and in double precision.
    params = replace(QUIET, rate=rate, carrier_hz=60e3, offset_um=40.0, wow_percent=1.0)
    drive = VirtualDrive(params)
    frames = round(0.21 * rate)
    samples_v, _ = digitiser(params, (Role.DIFFERENTIAL,)).take(0, frames)
    signal = drive.signal(np.arange(frames) / rate)
    exact_v = signal.along_v * np.sin(2 * np.pi * np.remainder(signal.carrier_turns, 1.0))
    error = np.abs(samples_v[:, 0] - exact_v) / 0.4
    # Where a lobe meets a dead zone the model has a corner: not smooth, and next to nothing.
    assert np.quantile(error, 0.995) < 1e-4
    assert error.max() < 5e-4


@pytest.mark.parametrize("snr_db", [30.0, 10.0, 0.0])
@pytest.mark.parametrize("roles", [PHASES, (Role.DIFFERENTIAL,)])
def test_noise_is_a_sines_power_below_the_lobes_top(snr_db, roles):
    params = replace(QUIET, snr_db=snr_db)
    loud, _ = digitiser(params, roles).take(0, 200000)
    calm, _ = digitiser(QUIET, roles).take(0, 200000)
    noise_v = loud - calm
    if len(roles) > 1:
        both = noise_v[:, 0] - noise_v[:, 1]
        assert abs(np.corrcoef(noise_v[:, 0], noise_v[:, 1])[0, 1]) < 0.01
    else:
        both = noise_v[:, 0]
    # 200 000 samples: the standard error of the power is 0.3 %, 0.014 dB.
    sine_power = 0.4**2 / 2
    assert 10 * np.log10(sine_power / np.mean(both**2)) == pytest.approx(snr_db, abs=0.06)
    lag_one = np.mean(both[1:] * both[:-1]) / np.mean(both**2)
    assert abs(lag_one) < 0.01, "the noise is white"


def test_hum_is_common_to_both_phases():
    params = replace(QUIET, hum_v=0.3, hum_hz=60.0)
    samples_v, _ = digitiser(params).take(0, 1000000)
    plus, minus = samples_v[:, 0].astype(float), samples_v[:, 1].astype(float)
    assert tone(plus, 60.0, 1e6) == pytest.approx(0.3, rel=1e-3)
    assert tone(plus + minus, 60.0, 1e6) == pytest.approx(0.6, rel=1e-3)
    assert tone(plus - minus, 60.0, 1e6) < 1e-4


def test_mismatch_lets_hum_through_and_leaves_the_signal_alone():
    params = replace(QUIET, hum_v=0.3, mismatch_percent=5.0)
    samples_v, _ = digitiser(params).take(0, 1000000)
    calm, _ = digitiser(QUIET).take(0, 1000000)
    both = (samples_v[:, 0] - samples_v[:, 1]).astype(float)
    left_v = both - (calm[:, 0] - calm[:, 1])
    assert tone(left_v, 50.0, 1e6) == pytest.approx(0.05 * 0.3, rel=1e-3)
    assert np.abs(left_v).max() == pytest.approx(0.05 * 0.3, rel=1e-3)


def test_dc_is_on_the_plus_phase():
    samples_v, _ = digitiser(replace(QUIET, dc_v=0.25)).take(0, 1000000)
    assert samples_v[:, :2].mean(axis=0, dtype=float) == pytest.approx([0.25, 0.0], abs=1e-4)


@pytest.mark.parametrize(("recording", "place"), [("alternating", "top"), ("beat", "null")])
def test_third_harmonic_is_the_stated_part_of_the_carrier(recording, place):
    steady = {"wow_percent": 0.0, "drift_percent": 0.0, "recording": recording}
    params = replace(QUIET, third_harmonic=0.1, carrier_hz=50e3, offset_um=60.0, **steady)
    samples_v, _ = digitiser(params, (Role.DIFFERENTIAL,)).take(0, 300000)
    envelope_v = VirtualDrive(params).signal(np.arange(5000, 295000) / 1e6).envelope_v
    middle = 5000 + int(envelope_v.argmax() if place == "top" else envelope_v.argmin())
    # 1 ms, in which whole periods of both fit; the null of a beat is filled by the head's offset.
    volts = samples_v[middle - 500 : middle + 500, 0].astype(float)
    assert tone(volts, 50e3, 1e6) > 0.05
    assert tone(volts, 150e3, 1e6) / tone(volts, 50e3, 1e6) == pytest.approx(0.1, rel=0.02)


def test_off_the_track_noise_and_hum_remain():
    params = replace(LOUD, third_harmonic=0.0, dc_v=0.0)
    drive = VirtualDrive(params)
    drive.step(1)
    samples_v, _ = digitiser_for(params, drive, PHASES, params.rate).take(0, 1000000)
    plus, minus = samples_v[:, 0].astype(float), samples_v[:, 1].astype(float)
    assert tone(plus - minus, 125e3, 1e6) < 1e-3
    assert tone(plus, 50.0, 1e6) == pytest.approx(0.4 * 1.025, rel=0.01)
    expected_v = 0.4 / 2**0.5 * 10 ** (-10 / 20)
    residue = plus - minus
    assert np.sqrt(np.mean(residue**2) - (0.05 * 0.4) ** 2 / 2) == pytest.approx(
        expected_v, rel=0.01
    )
    assert samples_v[:, 2].max() == 5.0


def test_a_carrier_above_half_the_rate_does_not_arrive():
    # A filter ahead of the converter takes it out, where sampling alone would fold it down.
    samples_v, _ = digitiser(replace(QUIET, rate=192e3, carrier_hz=125e3)).take(0, 40000)
    assert np.abs(samples_v[:, :2]).max() < 1e-5


def test_a_carrier_within_the_band_arrives_whole():
    params = replace(QUIET, rate=192e3, carrier_hz=0.35 * 192e3, clamp_um=0.0, oval_um=0.0)
    samples_v, truth = simulate(params, (Role.DIFFERENTIAL,), seconds=0.5)
    assert samples_v.max() == pytest.approx(truth.first_v, rel=1e-3)


@pytest.mark.parametrize(("bits", "snr_db"), [(8, 49.9), (12, 74.0)])
def test_resolution_gives_the_quantisation_snr(bits, snr_db):
    # IEEE 1241: 6.02 N + 1.76 dB for a sine of full scale, here one of 0.9 of it.
    still = {"offset_um": 0.0, "clamp_um": 0.0, "oval_um": 0.0, "recording": "alternating"}
    exact = replace(QUIET, amplitude_v=0.9, **still)
    coarse = replace(exact, bits=bits, full_scale_v=1.0)
    calm, _ = digitiser(exact, (Role.DIFFERENTIAL,)).take(0, 200000)
    stepped, clipped = digitiser(coarse, (Role.DIFFERENTIAL,)).take(0, 200000)
    # The flat tops alone: between them the sine is smaller.
    error = (stepped - calm).astype(float)[np.abs(calm) > 0.0]
    assert np.unique(stepped).size <= 2**bits
    assert np.abs(error).max() <= 0.501 / 2 ** (bits - 1)
    assert 10 * np.log10(0.5 / np.mean(error**2)) == pytest.approx(snr_db, abs=0.3)
    assert not clipped


def test_clipping_is_told_for_the_signal_and_not_for_the_index():
    samples_v, clipped = digitiser(replace(QUIET, full_scale_v=1.0)).take(0, 400000)
    assert samples_v.max() == 1.0, "the index is cut off"
    assert not clipped
    samples_v, clipped = digitiser(replace(QUIET, full_scale_v=0.1)).take(0, 400000)
    assert clipped
    assert np.abs(samples_v).max() == pytest.approx(0.1)


@pytest.mark.parametrize("dc_v", [0.3, -0.3])
def test_clipping_at_either_rail_is_told(dc_v):
    params = replace(QUIET, full_scale_v=0.4, dc_v=dc_v)
    samples_v, clipped = digitiser(params, (Role.PLUS, Role.MINUS)).take(0, 400000)
    assert clipped
    assert np.abs(samples_v[:, 1]).max() < 0.4


def test_an_envelope_is_the_detectors_output():
    params = replace(QUIET, detector_threshold_v=0.1, rate=48e3)
    samples_v, truth = simulate(params, (Role.ENVELOPE, Role.INDEX), seconds=0.5)
    assert samples_v[:, 0].max() == pytest.approx(truth.first_v - 0.1, rel=1e-3)
    assert samples_v[:, 0].min() == 0.0


def test_an_envelope_behind_a_coupling_starts_settled():
    params = replace(QUIET, low_corner_hz=7.0, rate=48e3, wow_percent=0.0, drift_percent=0.0)
    samples_v, _ = simulate(params, (Role.ENVELOPE,), seconds=1.0)
    # Each turn of 200 ms is like the one before, the very first too; the mean is gone.
    assert np.abs(samples_v[:9600] - samples_v[9600:19200]).max() < 1e-4
    assert abs(samples_v[:9600].mean()) < 1e-4


def test_a_change_of_the_drive_shows_from_the_next_frame():
    params = replace(QUIET, recording="alternating", clamp_um=0.0, oval_um=0.0)
    drive = VirtualDrive(params)
    sampler = digitiser_for(params, drive, (Role.DIFFERENTIAL,), params.rate)
    before, _ = sampler.take(0, 12345)
    drive.step(1)
    after, _ = sampler.take(12345, 5000)
    assert np.array_equal(before, digitiser(params, (Role.DIFFERENTIAL,)).take(0, 12345)[0])
    assert not after.any()
