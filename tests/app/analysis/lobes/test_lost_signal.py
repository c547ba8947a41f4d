"""A live signal that is cut off: parked with the true reason, and back by itself.

The times asked for: half a second to park, a second to come back, by the time of the samples.
"""

from dataclasses import replace

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.lobes.analyser import Analyser
from app.analysis.results import Sign
from tests.app.analysis.running import BARE, BRISK, RAW, analyse, block_of, live, setup_for
from tests.synthesis import Signal, make

RATE_HZ = BRISK["rate_hz"]
CUT_S, BACK_S = 1.5, 2.5
SIGNAL = Signal(**BRISK, snr_db=40, turns=21.0, centre=0.21)
ENVELOPE = ("envelope", "index")


def during(time_s):
    return (time_s >= CUT_S) & (time_s < BACK_S)


def set_to(value, *columns):
    """Every sample of the columns is one value while the signal is cut off."""

    def change(samples, time_s):
        samples[np.ix_(during(time_s), columns)] = value
        return samples

    return change


def stuck(*columns):
    """A channel keeps the last value that it had."""

    def change(samples, time_s):
        cut = during(time_s)
        samples[np.ix_(cut, columns)] = samples[np.argmax(cut) - 1, columns]
        return samples

    return change


def torn(samples, time_s):
    """Of every lobe some milliseconds are no numbers."""
    samples[during(time_s) & (time_s % 0.05 < 0.005), :2] = np.nan
    return samples


def hiss(samples, time_s):
    cut = during(time_s)
    noise = np.random.default_rng(1).standard_normal((np.count_nonzero(cut), 2))
    samples[cut, :2] = 0.002 * noise
    return samples


def followed(change, names, signal=SIGNAL):
    made = make(signal)
    samples = made.columns(*names).astype(np.float64)
    time_s = np.arange(len(samples)) / RATE_HZ
    changed = change(samples, time_s)
    return made.balance, list(live(changed, RATE_HZ, names, block_s=0.02, from_s=CUT_S))


@pytest.mark.parametrize(
    ("change", "names", "reason"),
    [
        (set_to(0.0, 0, 1), RAW, messages.NO_SIGNAL),
        (set_to(0.0, 0, 1), BARE, messages.NO_SIGNAL),
        (set_to(0.0, 0, 1, 2), RAW, messages.NO_SIGNAL),
        (set_to(1.0, 0, 1), RAW, messages.NO_SIGNAL),
        (stuck(0, 1), RAW, messages.NO_SIGNAL),
        (set_to(0.0, 0), ENVELOPE, messages.NO_SIGNAL),
        (set_to(0.3, 0), ENVELOPE, messages.NO_SIGNAL),
        (set_to(np.nan, 0, 1), RAW, messages.NO_SAMPLES),
        (set_to(np.nan, 0), BARE, messages.NO_SAMPLES),
        (set_to(np.inf, 0, 1), RAW, messages.NO_SAMPLES),
        (set_to(np.nan, 0), ENVELOPE, messages.NO_SAMPLES),
        (torn, RAW, messages.GAPS),
        (hiss, RAW, messages.NO_CARRIER),
    ],
)
@pytest.mark.few(1)
def test_a_signal_that_is_cut_off_parks_the_needle_with_the_true_reason(change, names, reason):
    truth, found = followed(change, names)
    cut = [reading for time_s, reading in found if CUT_S + 0.5 < time_s < BACK_S]
    assert {reading.reasons for reading in cut} == {(reason,)}
    back = [reading for time_s, reading in found if time_s > BACK_S + 1.0]
    assert back
    assert all(reading.valid for reading in back)
    balances = np.array([reading.balance.value for reading in back])
    assert np.abs(balances) == pytest.approx(truth, abs=0.004)


def test_the_last_reading_does_not_stand_while_samples_are_missing():
    _, found = followed(torn, RAW)
    standing = [reading for time_s, reading in found if CUT_S + 0.4 < time_s < BACK_S]
    assert not any(reading.valid for reading in standing)


@pytest.mark.parametrize("columns", [(0,), (1,)])
@pytest.mark.few(1)
def test_one_phase_still_carries_the_pattern(columns):
    truth, found = followed(set_to(0.0, *columns), RAW)
    readings = [reading for time_s, reading in found if CUT_S + 0.5 < time_s < BACK_S]
    assert all(reading.valid for reading in readings)
    balances = np.array([reading.balance.value for reading in readings])
    assert balances == pytest.approx(truth, abs=0.004)


@pytest.mark.parametrize("level_v", [0.0, 5.0])
@pytest.mark.few(1)
def test_an_index_that_stops_leaves_the_pattern_to_be_read_without_a_side(level_v):
    def stop(samples, time_s):
        samples[(time_s >= 1.0) & (time_s < BACK_S), 2] = level_v
        return samples

    # As long as it takes for the index to be believed again.
    truth, found = followed(stop, RAW, replace(SIGNAL, turns=24.5))
    late = [reading for time_s, reading in found if BACK_S - 0.3 < time_s < BACK_S]
    assert all(reading.valid and reading.sign is Sign.UNKNOWN for reading in late)
    assert all(messages.INDEX_SILENT in reading.notes for reading in late)
    assert late[-1].balance.value == pytest.approx(truth, abs=0.004)
    assert found[-1][1].sign is Sign.KNOWN


def test_a_capture_of_nothing_says_so():
    nothing = np.zeros((round(RATE_HZ), 3))
    for names in (RAW, ("envelope", "-", "index")):
        used = tuple(name for name in names if name != "-")
        reading = analyse(nothing[:, : len(used)], RATE_HZ, used)
        assert messages.NO_SIGNAL in reading.reasons
        assert not reading.valid
    reading = analyse(nothing * np.nan, RATE_HZ)
    assert messages.NO_SAMPLES in reading.reasons


def test_few_codes_and_no_noise_are_a_signal():
    # Between the lobes every sample is the same, but never for a whole turn.
    signal = Signal(**BRISK, bits=4, turns=12.0, centre=0.21)
    found = list(live(make(signal).columns(*RAW), RATE_HZ, from_s=1.0))
    reasons = {reason for time_s, reading in found if time_s > 1.0 for reason in reading.reasons}
    assert messages.NO_SIGNAL not in reasons


@pytest.mark.parametrize("names", [ENVELOPE, ENVELOPE[:1]])
def test_hours_that_a_machine_slept_are_counted_and_not_gone_through(names):
    """A sound input counts what was lost: eight hours of bins would fill the memory."""
    rate_hz = 20e3
    signal = Signal(rate_hz=rate_hz, turns=20.0, centre=0.21)
    samples = make(signal).columns(*names).astype(np.float64)
    samples += 2e-3 * np.random.default_rng(2).standard_normal(samples.shape)
    before, after = samples[: round(2.0 * rate_hz)], samples[round(2.6 * rate_hz) :]
    analyser = Analyser(setup_for(names, rate_hz), keep_all=False)
    slept = round(8 * 3600.0 * rate_hz)
    step = round(0.01 * rate_hz)
    for part, first in ((before, 0), (after, len(before) + slept)):
        for start in range(0, len(part), step):
            block = block_of(part[start : start + step], first + start, gap_before=start == 0)
            analyser.push(block)
    series = analyser._path.series
    assert (series.end - series.first) * series.frames_a_bin < 10.0 * rate_hz
    assert analyser.reading.valid
    assert 0 <= len(before) + slept + len(after) - analyser.reading.end_index < 0.2 * rate_hz


@pytest.mark.few(2)
@pytest.mark.parametrize("lost_turns", [0.13, 0.4, 0.61, 0.87])
def test_a_pattern_is_not_read_on_over_a_gap_of_unknown_length(lost_turns):
    """A sound input that overflows says that frames are lost, and not how many."""
    rate_hz = 20e3
    made = make(Signal(rate_hz=rate_hz, ratio=0.5, turns=14.0, centre=0.21))
    samples = made.columns("envelope").astype(np.float64)
    samples += 2e-3 * np.random.default_rng(2).standard_normal(samples.shape)
    turn = round(0.2 * rate_hz)
    cut, back = 6 * turn, 6 * turn + round(lost_turns * turn)
    samples = np.concatenate([samples[:cut], samples[back:]])
    setup = setup_for(("envelope",), rate_hz, detector_threshold_v=0.0)
    analyser = Analyser(setup, keep_all=False)
    step, seen = round(0.01 * rate_hz), []
    for start in range(0, len(samples), step):
        part = samples[start : start + step]
        analyser.push(block_of(part, start, gap_before=start == cut))
        if start >= cut and analyser.reading.valid:
            seen.append((start, analyser.reading.ratio.value))
    assert [ratio for _, ratio in seen] == pytest.approx([0.5] * len(seen), abs=0.01)
    assert cut < seen[0][0] < cut + 6 * turn
