"""The index: any level, polarity, coupling and width; the leading edge, and nothing else."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.signal import butter, lfilter

from app.analysis import messages
from app.analysis.lobes.analyser import Analyser
from app.analysis.lobes.index import IndexDetector
from app.analysis.results import Sign
from tests.app.analysis.running import BRISK, RAW, analyse, block_of, measured, setup_for
from tests.synthesis import Signal, make

RATE_HZ = 250e3
SIGNAL = Signal(**BRISK, snr_db=30, turns=4.4)
MADE = make(SIGNAL)
NOISE = np.random.default_rng(5).standard_normal(len(MADE.turns))
TIME = np.arange(len(MADE.turns)) / RATE_HZ


def pulse(width, at=0.0):
    return 5.0 * ((MADE.turns - at) % 1.0 < width)


def high_passed(volts, corner_hz):
    return lfilter(*butter(1, corner_hz, "high", fs=RATE_HZ), volts - volts[0])


def with_index(volts):
    samples = MADE.columns(*RAW)
    samples[:, 2] = volts
    return analyse(samples, RATE_HZ)


USABLE = {
    "high": pulse(0.02),
    "low": 5.0 - pulse(0.02),
    "a millivolt": 2e-4 * pulse(0.02),
    "a millivolt in noise": 2e-4 * pulse(0.02) + 1e-4 * NOISE,
    "offset far below": pulse(0.02) - 12.0,
    "small on a large offset": 0.2 * pulse(0.02) + 100.0,
    "AC-coupled at 5 Hz": high_passed(pulse(0.02), 5.0),
    "AC-coupled at 5 Hz, low": high_passed(5.0 - pulse(0.02), 5.0),
    "AC-coupled at 20 Hz": high_passed(pulse(0.02), 20.0),
    "saturated": np.clip(pulse(0.02) - 2.5, -0.05, 0.05),
    "in noise": pulse(0.02) + 0.5 * NOISE,
    "in hum": pulse(0.02) + 1.5 * np.sin(2.0 * np.pi * 50.0 * TIME),
    "with the carrier across": pulse(0.02) + (MADE.plus_v - MADE.minus_v),
    "0.3 ms": pulse(0.0015),
    "0.3 ms, low": 5.0 - pulse(0.0015),
    "30 % of the turn": pulse(0.3),
    "30 % of the turn, low": 5.0 - pulse(0.3),
    "slow edges": np.convolve(pulse(0.02), np.ones(500) / 500.0, "same"),
}


@pytest.mark.parametrize("kind", USABLE)
def test_an_index_of_any_kind_tells_the_sign(kind):
    reading = with_index(USABLE[kind])
    assert reading.valid
    assert reading.sign is Sign.KNOWN
    assert reading.balance.value == pytest.approx(MADE.balance, abs=0.002)
    assert reading.speed_rpm.value == pytest.approx(300.0, rel=2e-4)


def test_the_second_lobe_taller_turns_the_sign():
    reading, made = measured(Signal(**BRISK, snr_db=30, turns=4.4, first_taller=False))
    assert made.balance < 0.0
    assert reading.balance.value == pytest.approx(made.balance, abs=0.002)
    assert reading.first_v.value < reading.second_v.value


def test_a_profile_may_swap_the_sides():
    reading, made = measured(SIGNAL, first_lobe_outward=False)
    assert reading.balance.value == pytest.approx(-made.balance, abs=0.002)
    # The lobes stay in the order of the turn.
    assert reading.first_v.value > reading.second_v.value


@pytest.mark.parametrize("centre", [0.05, 0.2, 0.35, 0.45, 0.55, 0.7, 0.95])
def test_the_sign_is_that_of_the_first_lobe_after_the_index(centre):
    # Whichever lobe comes first after the index: the taller one, or that half a turn on.
    reading, made = measured(Signal(**BRISK, snr_db=30, turns=4.4, centre=centre))
    sign = 1.0 if centre < 0.5 else -1.0
    assert reading.balance.value == pytest.approx(sign * made.balance, abs=0.002)


SILENT = {
    "flat": np.full(len(TIME), 3.3),
    "noise alone": NOISE,
    "hum alone": np.sin(2.0 * np.pi * 50.0 * TIME),
}


@pytest.mark.parametrize("kind", SILENT)
def test_without_pulses_there_is_no_sign_but_a_reading(kind):
    reading = with_index(SILENT[kind])
    assert reading.valid
    assert reading.sign is Sign.UNKNOWN
    assert reading.balance.value == pytest.approx(abs(MADE.balance), abs=0.002)
    told = messages.INDEX_CROWDED if kind == "hum alone" else messages.INDEX_SILENT
    assert told in reading.notes
    assert messages.SIGN_UNKNOWN in reading.notes


@pytest.mark.parametrize("sectors", [10, 13, 16])
def test_holes_of_sectors_make_no_turns_and_are_not_called_silent(sectors):
    """A hard-sectored disk has an index hole amid two of its sector holes (common practice)."""
    made = make(Signal(**BRISK, snr_db=30, turns=9.0))
    holes = [*(number / sectors for number in range(sectors)), 0.5 / sectors]
    samples = made.columns(*RAW)
    samples[:, 2] = 5.0 * sum((made.turns - at) % 1.0 < 0.004 for at in holes)
    analyser = Analyser(setup_for(RAW, RATE_HZ))
    size = round(0.01 * RATE_HZ)
    told = []
    for start in range(0, len(samples) - size, size):
        analyser.push(block_of(samples[start : start + size].copy(), start))
        told.append(analyser.reading)
        age = (start + size - analyser.reading.end_index) / RATE_HZ
        assert age < 0.4  # or it would be called stale, as of a source that gives no samples
    assert told[-1].valid
    assert told[-1].sign is Sign.UNKNOWN
    assert messages.INDEX_CROWDED in told[-1].notes
    assert messages.INDEX_SILENT not in told[-1].notes


@pytest.mark.parametrize(
    ("width", "answer"),
    [(0.02, messages.TEACH_KNOWN), (0.5, messages.TEACH_MEND_INDEX)],
)
def test_with_an_index_there_is_nothing_to_teach_and_that_is_said(width, answer):
    samples = MADE.columns(*RAW)
    samples[:, 2] = pulse(width)
    analyser = Analyser(setup_for(RAW, RATE_HZ))
    for start in range(0, len(samples), 1 << 14):
        analyser.push(block_of(samples[start : start + (1 << 14)], start))
    assert analyser.reading.valid
    assert analyser.begin_teaching() is answer
    assert not analyser.teaching


@pytest.mark.parametrize("low", [False, True])
def test_samples_that_are_no_numbers_are_no_pulse(low):
    """Of a pulse that is low, what is not there would else look like one, and a wide one."""
    volts = 5.0 - pulse(0.02) if low else pulse(0.02)
    volts[(MADE.turns > 1.3) & (MADE.turns < 1.38)] = np.nan
    edges = [each.edge_frame for each in found_pulses(volts, 10**9)]
    truth = np.flatnonzero(np.diff(np.floor(MADE.turns)) > 0)
    assert len(edges) == len(truth)
    assert np.all(np.abs(np.array(edges) - truth - 0.5) <= 0.5)


@pytest.mark.parametrize("width", [0.4, 0.5, 0.59])
@pytest.mark.parametrize("low", [False, True])
def test_of_a_pulse_of_about_half_a_turn_either_edge_may_be_the_index(width, low):
    reading = with_index(5.0 - pulse(width) if low else pulse(width))
    assert reading.valid
    assert reading.sign is Sign.UNKNOWN
    assert messages.INDEX_LONG in reading.notes
    assert reading.balance.value == pytest.approx(abs(MADE.balance), abs=0.002)
    assert reading.speed_rpm.value == pytest.approx(300.0, rel=2e-4)


@pytest.mark.parametrize("at", [0.72, 0.75, 0.8])
def test_of_two_pulses_a_turn_the_way_that_comes_again_is_the_turn(at):
    """From the index to the other pulse is as long as a turn may be, and is none."""
    other = (MADE.turns - at) % 1.0 < 0.02
    reading = with_index(np.where(other, 5.0, pulse(0.02)))
    assert messages.INDEX_DOUBLED in reading.notes
    assert reading.valid
    assert reading.speed_rpm.value == pytest.approx(300.0, rel=2e-4)


def test_a_contact_that_bounces_for_half_a_millisecond_begins_with_its_first_edge():
    rng = np.random.default_rng(7)
    volts = np.zeros(len(MADE.turns))
    for edge in np.flatnonzero(np.diff(np.floor(MADE.turns)) > 0) + 1:
        volts[edge : edge + 5] = 5.0
        for bounce in edge + rng.integers(12, 125, 8):
            volts[bounce : bounce + 6] = 5.0
        volts[edge + 150 : edge + 400] = 5.0
    truth = np.flatnonzero(np.diff(np.floor(MADE.turns)) > 0)
    edges = np.array([each.edge_frame for each in found_pulses(volts)])
    assert len(edges) == len(truth)
    assert np.all(np.abs(edges - truth - 0.5) <= 0.5)


@pytest.mark.parametrize(("missing", "turns"), [([2], 2), ([1, 4], 3), ([], 0)])
def test_a_missing_pulse_costs_its_turns_only_and_that_is_said(missing, turns):
    reading = with_index(np.where(np.isin(np.floor(MADE.turns), missing), 0.0, pulse(0.02)))
    told = [messages.fill(messages.INDEX_MISSED, turns)] if turns else []
    assert [each for each in reading.notes if each.text == messages.INDEX_MISSED.text] == told
    assert reading.sign is Sign.KNOWN
    assert reading.balance.value == pytest.approx(MADE.balance, abs=0.002)
    assert reading.speed_rpm.value == pytest.approx(300.0, rel=2e-4)


@pytest.mark.parametrize("at", [0.1, 0.3, 0.5, 0.7, 0.9, 0.95])
@pytest.mark.parametrize("every", [1, 10])
def test_glitches_do_not_take_the_index_place(at, every):
    glitch = (MADE.turns - at) % 1.0 < 0.0025
    glitch &= np.floor(MADE.turns) % every == 1 % every
    reading = with_index(np.where(glitch, 5.0, pulse(0.02)))
    assert reading.sign is Sign.KNOWN
    assert reading.balance.value == pytest.approx(MADE.balance, abs=0.002)
    assert reading.speed_rpm.value == pytest.approx(300.0, rel=2e-4)


def found_pulses(volts, chunk=20000):
    detector = IndexDetector(RATE_HZ)
    pulses = []
    for start in range(0, len(volts), chunk):
        pulses += detector.push(volts[start : start + chunk].astype(np.float32), start)
    return [*pulses, *detector.flush()]


@pytest.mark.parametrize("low", [False, True])
@pytest.mark.parametrize("chunk", [777, 20000, 10**9])
def test_the_leading_edge_is_the_beginning_of_the_shorter_state(low, chunk):
    volts = 5.0 - pulse(0.02) if low else pulse(0.02)
    pulses = found_pulses(volts, chunk)
    whole = np.floor(MADE.turns)
    truth = np.flatnonzero(np.diff(whole) > 0)
    edges = [each.edge_frame for each in pulses]
    assert len(edges) == len(truth)
    # The crossing lies between the last sample before and the first one within the pulse.
    assert np.all(np.abs(np.array(edges) - truth - 0.5) <= 0.5)
    assert np.allclose([each.frames for each in pulses], 0.004 * RATE_HZ, rtol=0.0, atol=2.0)


def test_the_levels_are_learned_before_an_edge_is_told():
    """In the first piece the pulse is the state that lasts the longer."""
    frames = np.arange(round(RATE_HZ))
    volts = 5.0 * ((frames - 200) % 50_000 < 1000)
    edges = [each.edge_frame for each in found_pulses(volts, 777)]
    assert edges == pytest.approx([199.5 + 50_000 * turn for turn in range(5)])


def test_a_slow_edge_is_placed_between_samples():
    ramp = np.convolve(pulse(0.02), np.ones(101) / 101.0, "same")
    truth = np.flatnonzero(np.diff(np.floor(MADE.turns)) > 0)
    edges = [each.edge_frame for each in found_pulses(ramp)]
    # The mean of 101 samples passes the middle where the step stood, to half a sample.
    assert np.all(np.abs(np.array(edges) - truth - 0.5) <= 0.5)


def test_an_index_that_was_swamped_is_found_again():
    """For as long as the levels remember a burst of noise, no level of the index is passed."""
    rng = np.random.default_rng(3)
    detector, found = IndexDetector(RATE_HZ), []
    step = round(0.01 * RATE_HZ)
    volts = (5.0 * (np.arange(round(4.0 * RATE_HZ)) / RATE_HZ * 5.0 % 1.0 < 0.02)).astype(
        np.float32
    )
    volts[: round(RATE_HZ)] = rng.uniform(-100.0, 100.0, round(RATE_HZ))
    for start in range(0, len(volts), step):
        found += detector.push(volts[start : start + step], start)
    assert len([each for each in found if each.edge_frame > 2.5 * RATE_HZ]) >= 6


@pytest.mark.parametrize("noisy_s", [0.05, 0.3, 1.5])
def test_noise_on_the_channel_leaves_the_levels_as_they_were(noisy_s):
    # Pulses of 4 ms once in 200 ms, from 0.05 to 0.8 V; noise of ±1 V for a while.
    times_s = np.arange(round(4.0 * RATE_HZ)) / RATE_HZ
    volts = np.where(times_s % 0.2 < 4e-3, 0.8, 0.05).astype(np.float32)
    noisy = (times_s >= 1.07) & (times_s < 1.07 + noisy_s)
    volts[noisy] = np.random.default_rng(2).uniform(-1.0, 1.0, np.count_nonzero(noisy))
    detector, step = IndexDetector(RATE_HZ), round(0.02 * RATE_HZ)
    found = [
        pulse
        for start in range(0, len(volts), step)
        for pulse in detector.push(volts[start : start + step], start)
    ]
    edges_s = np.array([each.edge_frame for each in found]) / RATE_HZ
    # The first pulse whole behind the noise is found, and each edge where it is.
    after = edges_s[edges_s > 1.07 + noisy_s + 0.01]
    wanted = np.arange(0.0, 3.9, 0.2)
    wanted = wanted[wanted > 1.07 + noisy_s + 0.01]
    assert after == pytest.approx(wanted, abs=2.0 / RATE_HZ)


def test_a_slow_edge_is_found_where_it_crossed_the_middle_before_the_samples_in_hand():
    times_s = np.arange(round(1.6 * RATE_HZ)) / RATE_HZ
    slow = np.clip((times_s - 0.1) % 0.2 / 3e-3, 0.0, 1.0)
    volts = np.where((times_s - 0.1) % 0.2 < 10e-3, slow, 0.0).astype(np.float32)
    detector = IndexDetector(RATE_HZ)
    cuts = [*range(0, len(volts), round(0.0505 * RATE_HZ)), len(volts)]
    cuts = sorted({*cuts, round((0.9 + 1.7e-3) * RATE_HZ)})
    found = [
        pulse for start, end in pairwise(cuts) for pulse in detector.push(volts[start:end], start)
    ]
    edges_s = np.array([each.edge_frame for each in found]) / RATE_HZ
    assert edges_s == pytest.approx(0.1 + 1.5e-3 + 0.2 * np.arange(len(edges_s)), abs=4e-5)
    assert np.any(np.abs(edges_s - 0.9015) < 4e-5)


def test_the_edge_on_which_a_record_begins_is_not_counted_again():
    # Its trigger has counted it; the last sample below the middle is in the record.
    volts = np.where(np.arange(round(0.7 * RATE_HZ)) / RATE_HZ % 0.2 < 4e-3, 5.0, 0.0)
    volts[0] = 2.4
    detector = IndexDetector(RATE_HZ)
    found = [*detector.push(volts.astype(np.float32), 0), *detector.flush()]
    edges_s = [each.edge_frame / RATE_HZ for each in found]
    assert edges_s == pytest.approx([0.2, 0.4, 0.6], abs=2.0 / RATE_HZ)
