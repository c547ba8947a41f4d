"""An external detector's output: its low corner and its law undone."""

import numpy as np
import pytest
from scipy.signal import butter, lfilter

from app.analysis import messages
from app.analysis.lobes.analyser import Analyser
from tests.app.analysis.running import analyse, block_of, live, setup_for, texts
from tests.synthesis import Signal, make

RATE_HZ = 48e3
NAMES = ("envelope", "index")
LINEAR = {"detector_threshold_v": 0.0}


def captured(*, corner_hz=0.0, threshold_v=0.0, snr_db=35.0, seed=0, offset_v=0.0, **signal):
    """Return samples of an envelope behind a detector and a high-pass, and their truth.

    The high-pass is scipy's Butterworth of first order by the bilinear transform, settled over
    two seconds of the same pattern.
    """
    made = make(Signal(rate_hz=RATE_HZ, carrier_hz=15e3, turns=20.4, seed=seed, **signal))
    volts = np.maximum(made.envelope_v - threshold_v, 0.0) + offset_v
    if corner_hz:
        volts = lfilter(*butter(1, corner_hz, "high", fs=RATE_HZ), volts)
    sigma = max(made.tops_v) / np.sqrt(2.0) * 10.0 ** (-snr_db / 20.0)
    volts = volts + sigma * np.random.default_rng(seed).standard_normal(len(volts))
    samples = np.stack([volts, made.index_v], axis=1)[round(2.0 * RATE_HZ) :]
    return samples, made


@pytest.mark.parametrize("geometry", ["two-band", "boundary", "bell"])
@pytest.mark.parametrize("corner_hz", [0.5, 2.0, 7.0, 20.0])
@pytest.mark.few(4)
def test_the_low_corner_is_undone(corner_hz, geometry):
    samples, made = captured(corner_hz=corner_hz, geometry=geometry)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=corner_hz, **LINEAR)
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.005)
    assert reading.balance.value > 0.0
    assert reading.carrier_hz is None
    assert reading.snr_db is None


def test_a_dc_coupled_detector_is_taken_as_it_is():
    samples, made = captured()
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.002)
    assert reading.first_v.value == pytest.approx(made.tops_v[0], rel=0.005)


@pytest.mark.parametrize("corner_hz", [0.0, 7.0])
def test_of_a_block_longer_than_what_is_undone_at_once_every_turn_counts(corner_hz):
    samples, _ = captured(corner_hz=corner_hz)
    analyser = Analyser(setup_for(NAMES, RATE_HZ, low_corner_hz=corner_hz, **LINEAR), keep_all=True)
    assert len(samples) > 2.0 * RATE_HZ
    analyser.push(block_of(samples))
    analyser.finish()
    reading = analyser.summary()
    assert reading.valid
    assert not any("turns left out" in text for text in texts(reading.notes))


@pytest.mark.parametrize("threshold_v", [0.02, 0.1, 0.2])
def test_the_detector_law_is_undone(threshold_v):
    samples, made = captured(threshold_v=threshold_v)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, detector_threshold_v=threshold_v)
    assert reading.valid
    assert messages.DETECTOR_UNPROVED not in reading.notes
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.005)
    assert reading.first_v.value == pytest.approx(made.tops_v[0], rel=0.01)


def test_until_its_threshold_is_stated_the_detector_is_unproved():
    samples, _ = captured(threshold_v=0.1)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0)
    assert messages.DETECTOR_UNPROVED in reading.notes


def test_an_unknown_corner_is_asked_for_when_the_output_goes_below_zero():
    samples, _ = captured(corner_hz=7.0)
    reading = analyse(samples, RATE_HZ, NAMES, **LINEAR)
    assert not reading.valid
    assert reading.reasons == (messages.LOW_CORNER_UNKNOWN,)
    assert reading.ratio is None


def test_raw_samples_given_as_an_envelope_give_no_reading():
    made = make(Signal(rate_hz=250e3, carrier_hz=61e3, snr_db=30, turns=3.4))
    reading = analyse(made.columns("differential", "index"), 250e3, NAMES, **LINEAR)
    assert not reading.valid
    assert reading.ratio is None


def test_the_envelope_of_a_running_capture_agrees_with_the_raw_one():
    signal = Signal(rate_hz=250e3, carrier_hz=61e3, turns=4.4)
    made = make(signal)
    raw = analyse(made.columns("plus", "minus", "index"), 250e3)
    envelope = analyse(made.columns(*NAMES), 250e3, NAMES, low_corner_hz=0.0, **LINEAR)
    assert envelope.balance.value == pytest.approx(raw.balance.value, abs=0.001)
    assert envelope.first_v.value == pytest.approx(raw.first_v.value, rel=0.003)


def test_a_sample_that_is_no_number_costs_its_turn_behind_a_corner_too():
    samples, made = captured(corner_hz=7.0)
    samples[60_000, 0] = np.nan
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=7.0, **LINEAR)
    assert reading.valid
    assert messages.fill(messages.TURNS_DROPPED, 1) in reading.notes
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.005)


def test_behind_what_was_no_envelope_readings_come_back_at_once_and_none_of_it_counts():
    samples, made = captured()
    start, stop = (round(time_s * RATE_HZ) for time_s in (0.6, 0.9))
    random = np.random.default_rng(7)
    samples[start:stop, 0] = random.uniform(-1.0, 1.0, stop - start)
    found = live(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    shown = [(time_s, reading) for time_s, reading in found if time_s > 1.1 and reading.valid]
    assert shown[0][0] < 1.9
    assert len(shown) > 15
    for _, reading in shown:
        assert abs(reading.ratio.value - made.ratio) < 5.0 * reading.ratio.u + 0.003


def test_what_no_input_gives_is_no_sample():
    """A driver's largest float: kept as volts it would hide all else for as long as it is kept."""
    samples, _ = captured()
    samples[20_000, 0] = 3e38
    found = live(samples[: round(2.0 * RATE_HZ)], RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    shown = [reading.valid for time_s, reading in found if time_s > 1.5]
    assert len(shown) > 30
    assert all(shown)


@pytest.mark.parametrize("corner_hz", [0.5, 2.0, 7.0])
def test_a_corner_stated_as_none_is_not_believed_when_the_output_goes_below_zero(corner_hz):
    samples, _ = captured(corner_hz=corner_hz)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    assert not reading.valid
    assert reading.ratio is None


def test_what_comes_later_leaves_the_noise_of_what_came_before_as_it_was():
    samples, _ = captured()
    analyser = Analyser(setup_for(NAMES, RATE_HZ, low_corner_hz=0.0, **LINEAR))
    step, count = round(0.01 * RATE_HZ), 100

    def push(number, column_v):
        block = samples[number * step : (number + 1) * step].copy()
        block[:, 0] = block[:, 0] if column_v is None else column_v
        analyser.push(block_of(block, number * step))
        series = analyser._path.series
        return series.sigma_v[series.bins_between(0.1 * RATE_HZ, count * step)].copy()

    rng = np.random.default_rng(5)
    before = [push(number, None) for number in range(count)][-1]
    noisy = [push(count + number, rng.choice((0.0, 1.0), step)) for number in range(9)][-1]
    # No number: all that came before it is looked at once more.
    after = push(count + 9, np.nan)
    assert len(before) > 500
    for each in (noisy, after):
        np.testing.assert_array_equal(each[: len(before)], before)


def test_a_live_envelope_that_goes_below_zero_says_so_from_null_to_null():
    # A block of 10 ms holds a top or a null: what it lacks the ones before have shown.
    samples, _ = captured(corner_hz=2.0)
    found = [reading for _, reading in live(samples[: len(samples) // 2], RATE_HZ, NAMES, **LINEAR)]
    assert len(found) > 90
    assert {reading.reasons for reading in found[10:]} == {(messages.LOW_CORNER_UNKNOWN,)}


def test_a_sample_that_is_missing_hides_nothing_that_goes_below_zero():
    samples, _ = captured(corner_hz=2.0)
    samples = samples[: len(samples) // 2]
    missing = len(samples) // 20
    samples[missing, 0] = np.nan
    found = [reading for _, reading in live(samples, RATE_HZ, NAMES, **LINEAR)]
    assert {reading.reasons for reading in found[20:]} == {(messages.LOW_CORNER_UNKNOWN,)}


@pytest.mark.parametrize("floor", [0.02, 0.03])
def test_a_floor_under_the_nulls_enters_the_uncertainty(floor):
    # Offset of the detector or filled nulls: one cannot tell, so u must hold both.
    samples, made = captured(offset_v=floor * 0.4, snr_db=45.0)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    assert abs(reading.ratio.value - made.ratio) < 2.0 * reading.ratio.u


def test_a_floor_that_leaves_too_much_open_is_refused_for_that():
    samples, _ = captured(offset_v=0.05 * 0.4, snr_db=45.0)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    assert messages.TOO_UNCERTAIN in reading.reasons


@pytest.mark.parametrize("threshold_v", [0.05, 0.15])
def test_a_threshold_behind_a_corner_is_undone(threshold_v):
    samples, made = captured(threshold_v=threshold_v, corner_hz=7.0, snr_db=40.0)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=7.0, detector_threshold_v=threshold_v)
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.01)


@pytest.mark.parametrize("offset", [-0.01, -0.02])
def test_an_offset_that_shows_below_zero_is_taken_out(offset):
    samples, made = captured(offset_v=offset * 0.43, snr_db=45.0, ratio=0.5)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.002)


@pytest.mark.parametrize(("stated", "threshold_v"), [(None, 0.04), (0.05, 0.045), (0.0, 0.01)])
def test_what_the_detector_keeps_and_nobody_states_is_held_by_u(stated, threshold_v):
    samples, made = captured(threshold_v=threshold_v, ratio=0.6)
    said = {} if stated is None else {"detector_threshold_v": stated}
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **said)
    if reading.valid:
        assert abs(reading.ratio.value - made.ratio) < 3.0 * reading.ratio.u


def test_the_tolerance_of_a_threshold_enters_u():
    samples, _ = captured(threshold_v=0.2)
    u = [
        analyse(
            samples,
            RATE_HZ,
            NAMES,
            low_corner_hz=0.0,
            detector_threshold_v=0.2,
            detector_threshold_part=part,
        ).ratio.u
        for part in (0.0, 0.5)
    ]
    # JCGM 100, 4.3.7: a rectangle's half width over the root of three, times (1 − r)/A.
    assert u[1] ** 2 - u[0] ** 2 == pytest.approx((0.1 / np.sqrt(3) * 0.15 / 0.432) ** 2, rel=0.1)


def test_a_live_envelope_is_back_two_seconds_after_what_was_below_zero():
    made = make(Signal(rate_hz=RATE_HZ, carrier_hz=15e3, turns=26.0))
    rng = np.random.default_rng(4)
    samples = np.stack([made.envelope_v, made.index_v], axis=1)
    samples[:, 0] += 1e-3 * rng.standard_normal(len(samples))
    spoilt = slice(round(1.5 * RATE_HZ), round(2.5 * RATE_HZ))
    samples[spoilt, 0] = rng.uniform(-1.0, 1.0, spoilt.stop - spoilt.start)
    found = list(live(samples, RATE_HZ, NAMES, from_s=1.4, low_corner_hz=0.0, **LINEAR))
    assert any(reading.valid for time_s, reading in found if time_s < 1.5)
    assert not any(reading.valid for time_s, reading in found if 1.9 <= time_s < 2.5)
    back = [reading for time_s, reading in found if time_s > 4.5]
    assert back
    assert all(reading.valid for reading in back)
    assert back[-1].ratio.value == pytest.approx(made.ratio, abs=0.005)
    # Of a capture all counts: what was below zero there is not forgotten.
    assert not analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR).valid


@pytest.mark.slow
def test_a_live_envelope_that_is_cut_after_it_was_whole_is_clipped_and_comes_back():
    made = make(Signal(rate_hz=RATE_HZ, carrier_hz=15e3, turns=30.0, ratio=0.5))
    rng = np.random.default_rng(4)
    samples = np.stack([made.envelope_v, made.index_v], axis=1)
    samples[:, 0] += 1e-3 * rng.standard_normal(len(samples))
    cut = slice(round(1.8 * RATE_HZ), round(4.0 * RATE_HZ))
    samples[cut, 0] = np.minimum(samples[cut, 0], 0.885 * max(made.tops_v))
    found = list(live(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR))
    assert any(reading.valid for time_s, reading in found if time_s < 1.8)
    wrong = [
        (time_s, reading.ratio.value)
        for time_s, reading in found
        if 1.8 <= time_s < 4.0 and reading.valid and abs(reading.ratio.value - 0.5) > 0.03
    ]
    assert not wrong, wrong[:5]
    parked = [reading for time_s, reading in found if 2.3 <= time_s < 4.0]
    assert all(messages.CLIPPED in reading.reasons for reading in parked)
    assert all(reading.valid for time_s, reading in found if time_s > 5.5)


@pytest.mark.parametrize("snr_db", [40.0, 35.0])
def test_points_between_lobes_leave_no_floor_in_u(snr_db):
    samples, made = captured(geometry="boundary", ratio=0.5, snr_db=snr_db)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    # Nor does the detector's knee, of 1.5 % of the top for both lobes where nothing shows of it.
    assert reading.ratio.u < 0.01 * (1.0 - made.ratio)
    assert abs(reading.ratio.value - made.ratio) < 2.0 * reading.ratio.u


@pytest.mark.parametrize("limit", [0.8, 0.9])
def test_groups_that_all_stand_at_a_rail_are_clipped(limit):
    samples, made = captured(geometry="alternating", pairs=4, ratio=0.95)
    samples[:, 0] = np.minimum(samples[:, 0], limit * max(made.tops_v))
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    assert messages.CLIPPED in reading.reasons


@pytest.mark.parametrize(("codes", "snr_db"), [(12, 25.0), (40, 35.0), (24, 30.0)])
def test_an_envelope_in_coarse_steps_is_not_called_clipped(codes, snr_db):
    samples, made = captured(snr_db=snr_db)
    samples[:, 0] = in_steps(samples[:, 0], max(made.tops_v) / codes)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    assert reading.valid
    assert abs(reading.ratio.value - made.ratio) < 3.0 * reading.ratio.u


@pytest.mark.parametrize("place", [0.1, 0.3, 0.5])
def test_steps_are_in_the_uncertainty_of_flat_groups(place):
    samples, made = captured(geometry="alternating", pairs=3, ratio=0.96, snr_db=48.0)
    samples[:, 0] = in_steps(samples[:, 0], max(made.tops_v) / 20.0, place)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    assert reading.valid
    # Rectangular of a step's width, of either height (JCGM 100, 4.3.7), and of them the ratio.
    assert reading.ratio.u > 0.9 * np.sqrt(2.0 / 12.0) / 20.0
    assert abs(reading.ratio.value - made.ratio) < 3.0 * reading.ratio.u


def in_steps(values, step, place=0.3):
    return step * (np.round(values / step + place) - place)


@pytest.mark.parametrize(("offset_v", "snr_db"), [(-0.012, 45.0), (-0.025, 17.0)])
def test_an_offset_that_points_and_noise_hide_is_in_the_uncertainty(offset_v, snr_db):
    samples, made = captured(geometry="boundary", ratio=0.7, offset_v=offset_v, snr_db=snr_db)
    reading = analyse(samples, RATE_HZ, NAMES, low_corner_hz=0.0, **LINEAR)
    assert reading.valid
    assert abs(reading.ratio.value - made.ratio) < 4.0 * reading.ratio.u
