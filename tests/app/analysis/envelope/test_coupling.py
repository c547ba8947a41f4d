"""An AC-coupled envelope whose corner is not exact: told from the nulls, or held by u.

The high-passes are scipy's Butterworth of first order by the bilinear transform.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, lfilter

from app.analysis import messages
from app.analysis.envelope.coupling import _middles, straighten
from tests.app.analysis.running import analyse, live
from tests.synthesis import Signal, make

RATE_HZ = 8e3
NAMES = ("envelope", "index")
CORNER_HZ = 7.0


def coupled(signal, *corners_hz, sense=1.0, offset_v=0.0, snr_db=45.0):
    """Return samples behind high-passes, their first ten turns left out, and their truth."""
    made = make(signal)
    volts = sense * made.envelope_v
    for corner_hz in corners_hz:
        volts = lfilter(*butter(1, corner_hz, "high", fs=RATE_HZ), volts)
    sigma = max(made.tops_v) / np.sqrt(2.0) * 10.0 ** (-snr_db / 20.0)
    noise = sigma * np.random.default_rng(signal.seed).standard_normal(len(volts))
    samples = np.stack([volts + offset_v + noise, made.index_v], axis=1)
    return samples[round(2.0 * RATE_HZ) :], made


def pattern(geometry, ratio, **more):
    return Signal(
        rate_hz=RATE_HZ, carrier_hz=2e3, turns=16.4, geometry=geometry, ratio=ratio, **more
    )


def read(samples, stated_hz, part=0.2):
    return analyse(
        samples,
        RATE_HZ,
        NAMES,
        low_corner_hz=stated_hz,
        low_corner_part=part,
        detector_threshold_v=0.0,
    )


@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
@pytest.mark.parametrize("ratio", [0.4, 0.85])
@pytest.mark.parametrize("stated_hz", [5.7, 7.0, 8.3])
def test_a_corner_a_fifth_off_is_told_by_the_nulls(stated_hz, ratio, geometry):
    samples, made = coupled(pattern(geometry, ratio), CORNER_HZ)
    reading = read(samples, stated_hz)
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.006)
    assert abs(reading.ratio.value - made.ratio) < 3.0 * reading.ratio.u


@pytest.mark.parametrize("second_hz", [0.05, 0.5, 1.0])
@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
def test_a_second_corner_is_told_too(geometry, second_hz):
    samples, made = coupled(pattern(geometry, 0.6), CORNER_HZ, second_hz)
    reading = read(samples, CORNER_HZ)
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.008)
    assert abs(reading.ratio.value - made.ratio) < 3.0 * reading.ratio.u


@pytest.mark.parametrize("offset_v", [0.004, -0.04])
def test_an_offset_behind_the_coupling_is_no_signal(offset_v):
    samples, made = coupled(pattern("two-band", 0.6), CORNER_HZ, offset_v=offset_v)
    reading = read(samples, CORNER_HZ)
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.005)


@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
@pytest.mark.parametrize("ratio", [0.94, 0.98])
def test_an_envelope_upside_down_gives_no_reading(ratio, geometry):
    samples, _ = coupled(pattern(geometry, ratio), CORNER_HZ, sense=-1.0)
    reading = read(samples, CORNER_HZ)
    assert reading.reasons == (messages.UPSIDE_DOWN,)
    assert reading.ratio is None


@pytest.mark.parametrize("rounded", [0.2, 0.25])
def test_tops_that_are_flat_for_a_while_are_no_lobes(rounded):
    """On their head two bands have round nulls, and tops that are flat between straight flanks."""
    level = np.cos(2.0 * np.pi * (np.arange(round(2.2 * RATE_HZ)) / RATE_HZ * 5.0 - 0.21))
    volts = -(np.maximum(level - rounded, 0.0) + 0.98 * np.maximum(-level - rounded, 0.0))
    volts = lfilter(*butter(1, CORNER_HZ, "high", fs=RATE_HZ), volts)
    volts = volts + 1e-3 * np.random.default_rng(4).standard_normal(len(volts))
    index = np.where((np.arange(len(volts)) / RATE_HZ * 5.0) % 1.0 < 0.01, 5.0, 0.0)
    reading = read(np.stack([volts, index], axis=1)[round(0.5 * RATE_HZ) :], CORNER_HZ)
    assert reading.reasons == (messages.UPSIDE_DOWN,)


@pytest.mark.parametrize(("groups", "ratio"), [(12.0, 0.4), (12.0, 0.65), (8.0, 0.4)])
def test_the_gaps_of_groups_on_their_head_are_no_spikes(groups, ratio):
    """What is as short as a spike is left out of an averaged turn: then even groups are left."""
    turn = np.arange(round(2.2 * RATE_HZ)) / RATE_HZ * 5.0
    place = turn * groups % 1.0
    level = np.where(np.floor(turn * groups) % 2.0 == 0.0, 1.0, ratio)
    volts = -level * np.clip((0.45 - np.abs(place - 0.5)) / 0.02, 0.0, 1.0)
    volts = lfilter(*butter(1, 3.0, "high", fs=RATE_HZ), volts)
    volts = volts + 1e-3 * np.random.default_rng(4).standard_normal(len(volts))
    index = np.where(turn % 1.0 < 0.01, 5.0, 0.0)
    reading = read(np.stack([volts, index], axis=1)[round(0.5 * RATE_HZ) :], 3.0)
    assert reading.reasons == (messages.UPSIDE_DOWN,)


@pytest.mark.parametrize("geometry", ["two-band", "boundary", "bell", "squared", "alternating"])
def test_one_that_stands_upright_is_not_called_upside_down(geometry):
    for ratio in (0.5, 0.96):
        samples, _ = coupled(pattern(geometry, ratio), CORNER_HZ)
        assert messages.UPSIDE_DOWN not in read(samples, CORNER_HZ).reasons


def test_bins_that_go_on_are_those_undone_over_the_whole_run():
    samples, _ = coupled(pattern("boundary", 0.7), CORNER_HZ, 0.5)
    bins = samples[:6400, 0].reshape(-1, 4).mean(axis=1)
    rate = 2.0 * np.pi * CORNER_HZ * 4.0 / RATE_HZ
    whole = straighten(bins, rate, 0.1 * rate, 1e-3, 2000)
    begun = replace(whole, value_v=whole.value_v[:1300])
    assert begun.going_on(bins[:1300], bins[1300:]) == pytest.approx(whole.value_v[1300:], abs=1e-9)


def test_a_live_envelope_behind_two_corners_is_followed():
    samples, made = coupled(pattern("boundary", 0.7), CORNER_HZ, 0.5)
    readings = [
        reading
        for time_s, reading in live(
            samples, RATE_HZ, NAMES, from_s=0.9, low_corner_hz=6.3, detector_threshold_v=0.0
        )
        if time_s > 0.95
    ]
    assert len(readings) > 20
    for reading in readings:
        assert reading.valid
        assert abs(reading.ratio.value - made.ratio) < 5.0 * reading.ratio.u


def test_a_null_that_the_run_cuts_has_no_middle():
    null = np.zeros(400, dtype=bool)
    for middle in (0, 100, 200, 300, 399):
        null[max(middle - 2, 0) : middle + 3] = True
    assert _middles(null, np.zeros(400), stretch=100).tolist() == [100.0, 200.0, 300.0]


def slowly(envelope_v, decay_s):
    """Return what a detector gives whose capacitor falls no faster than so."""
    left, held = np.exp(-1.0 / (decay_s * RATE_HZ)), envelope_v.copy()
    for place in range(1, len(held)):
        held[place] = max(held[place], left * held[place - 1])
    return held


@pytest.mark.parametrize(
    ("corners_hz", "decay_s"),
    [((5.8, 6.6), 0.04), ((14.0, 9.0), 0.0), ((9.0,), 0.0)],
    ids=["slow", "another corner", "plain"],
)
def test_nulls_that_come_back_to_no_level_give_no_reading(corners_hz, decay_s):
    ratio, pairs = (0.95, 9) if decay_s else (0.6, 3)
    made = make(pattern("alternating", ratio, pairs=pairs))
    volts = slowly(made.envelope_v, decay_s) if decay_s else made.envelope_v
    for corner_hz in corners_hz:
        volts = lfilter(*butter(1, corner_hz, "high", fs=RATE_HZ), volts)
    noise = 0.003 * np.random.default_rng(1).standard_normal(len(volts))
    samples = np.stack([volts + noise, made.index_v], axis=1)[round(2.0 * RATE_HZ) :]
    reading = read(samples, corners_hz[-1])
    assert (messages.NULLS_NOT_LEVEL in reading.reasons) == (len(corners_hz) > 1)
    assert reading.valid == (len(corners_hz) == 1)


@pytest.mark.parametrize(
    ("behind", "geometry"),
    [(np.abs, "boundary"), (lambda volts: np.maximum(volts, 0.0), "alternating")],
    ids=["a rectifier", "a threshold"],
)
def test_what_is_rectified_behind_its_capacitor_is_no_coupled_envelope(behind, geometry):
    samples, _ = coupled(pattern(geometry, 0.85), CORNER_HZ)
    assert read(samples, CORNER_HZ).valid
    samples[:, 0] = behind(samples[:, 0])
    assert read(samples, CORNER_HZ).reasons == (messages.NULLS_NOT_LEVEL,)


@pytest.mark.parametrize(("apart", "last"), [(12, [306.0]), (13, [300.0, 313.0])])
def test_nulls_so_near_that_a_bin_is_of_both_their_flanks_are_one(apart, last):
    """A flank is read up to six bins out: on one bin no level can both rise and fall."""
    null = np.zeros(400, dtype=bool)
    null[[50, 100, 200, 300, 300 + apart]] = True
    assert _middles(null, np.zeros(400), stretch=100).tolist() == [50.0, 100.0, 200.0, *last]
