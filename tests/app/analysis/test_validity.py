"""What holds no pattern gives no number, and bad samples cost only the turns that they touch."""

import math

import numpy as np
import pytest
from scipy.signal import butter, lfilter

from app.analysis import messages
from app.analysis.lobes.analyser import Analyser
from tests.app.analysis.running import (
    BARE,
    BRISK,
    RAW,
    analyse,
    block_of,
    live,
    measured,
    setup_for,
)
from tests.synthesis import Signal, make

RATE_HZ = 250e3
FRAMES = 250_000
TIME = np.arange(FRAMES) / RATE_HZ
PULSE = np.where((5.0 * TIME + 0.1) % 1.0 < 0.02, 5.0, 0.0)
CARRIER = np.sin(2.0 * np.pi * 61e3 * TIME)


def noise(seed=1):
    return np.random.default_rng(seed).standard_normal(FRAMES)


def random_flux():
    """Flux changes 4, 6 or 8 µs apart at random, through a read amplifier's band."""
    gaps = np.random.default_rng(2).choice([2, 3, 4], FRAMES)
    changes = (np.cumsum(gaps) * 2e-6 * RATE_HZ).astype(int)
    changes = changes[changes < FRAMES]
    wave = np.zeros(FRAMES)
    wave[changes] = (-1.0) ** np.arange(len(changes))
    return lfilter(*butter(2, [40e3, 110e3], "band", fs=RATE_HZ), np.cumsum(wave) - 0.5)


NOTHING = {
    "zero": np.zeros(FRAMES),
    "a constant": np.full(FRAMES, 0.7),
    "noise": 0.1 * noise(),
    "hum": np.sin(2.0 * np.pi * 50.0 * TIME) + 1e-3 * noise(),
    "speech": lfilter(*butter(2, [300, 3000], "band", fs=RATE_HZ), noise()),
    "a steady carrier": CARRIER + 0.05 * noise(),
    "a carrier as loud as noise": CARRIER + noise(),
    "a carrier that swells at 3 Hz": (1.0 + 0.9 * np.sin(6.0 * np.pi * TIME)) * CARRIER
    + 0.02 * noise(),
    "a carrier that swells at 7 Hz": (1.0 + 0.9 * np.sin(14.0 * np.pi * TIME)) * CARRIER
    + 0.02 * noise(),
    "a carrier that swells twice a turn, half": (1.0 + 0.5 * np.sin(20.0 * np.pi * TIME)) * CARRIER
    + 0.02 * noise(),
    "a data track": random_flux() + 0.01 * noise(),
    "a data track that swells a little": random_flux() * (1.0 + 0.3 * np.cos(10.0 * np.pi * TIME))
    + 0.01 * noise(),
}


@pytest.mark.parametrize("names", [("differential", "index"), ("differential",)])
@pytest.mark.parametrize("kind", NOTHING)
def test_what_holds_no_pattern_gives_no_number(kind, names):
    samples = np.stack([NOTHING[kind], PULSE], axis=1)[:, : len(names)]
    reading = analyse(samples, RATE_HZ, names)
    assert not reading.valid
    assert reading.reasons
    for gone in ("ratio", "balance", "difference", "offset_um", "first_v", "set_limit"):
        assert getattr(reading, gone) is None


@pytest.mark.parametrize("names", [("envelope", "index"), ("envelope",)])
@pytest.mark.parametrize("kind", ["zero", "a constant", "noise", "hum", "a steady carrier"])
def test_an_envelope_without_lobes_gives_no_number(kind, names):
    samples = np.stack([NOTHING[kind], PULSE], axis=1)[:, : len(names)]
    reading = analyse(samples, RATE_HZ, names, low_corner_hz=0.0, detector_threshold_v=0.0)
    assert not reading.valid
    assert reading.ratio is None


@pytest.mark.few(2)
@pytest.mark.parametrize("names", [("envelope", "index"), ("envelope",)])
@pytest.mark.parametrize(("hum_hz", "part"), [(50.0, 0.4), (50.0, 0.15), (60.0, 0.35), (60.2, 0.2)])
def test_hum_on_a_constant_is_no_envelope_of_groups(hum_hz, part, names):
    time = np.arange(8000) / 8e3
    hum = 1.0 + part * np.sin(2.0 * np.pi * hum_hz * time + 0.3)
    hum += 0.01 * np.random.default_rng(3).standard_normal(len(time))
    samples = np.stack([hum, np.where((4.98 * time + 0.1) % 1.0 < 0.02, 5.0, 0.0)], axis=1)
    samples = samples[:, : len(names)]
    stated = {"low_corner_hz": 0.0, "detector_threshold_v": 0.0}
    assert not analyse(samples, 8e3, names, **stated).valid
    assert not any(shown.valid for _, shown in live(samples, 8e3, names, **stated))


def test_a_speed_that_only_the_pattern_could_tell_goes_with_it():
    for kind in ("a steady carrier", "a data track", "a carrier that swells at 3 Hz"):
        reading = analyse(NOTHING[kind][:, None], RATE_HZ, ("differential",))
        assert reading.speed_rpm is None


MADE = make(Signal(**BRISK, snr_db=30, turns=4.4))


def spoilt(value, *, columns=slice(None), spans=((1.3, 1.3002),)):
    samples = MADE.columns(*RAW)
    for start, end in spans:
        samples[(MADE.turns >= start) & (MADE.turns < end), columns] = value
    return samples


@pytest.mark.parametrize("columns", [slice(0, 1), slice(0, 2), slice(None)])
def test_samples_that_are_no_numbers_cost_their_turn(columns):
    reading = analyse(spoilt(math.nan, columns=columns), RATE_HZ)
    assert reading.valid
    assert reading.revolutions == 3
    assert messages.fill(messages.TURNS_DROPPED, 1) in reading.notes
    assert reading.balance.value == pytest.approx(MADE.balance, abs=0.002)


@pytest.mark.parametrize(("span", "turns"), [((1.2, 2.8), 2), ((2.9, 9.0), 1), ((-1.0, 0.9), 1)])
def test_a_signal_that_is_gone_with_its_index_costs_turns_and_that_is_said(span, turns):
    reading = analyse(spoilt(0.0, spans=(span,)), RATE_HZ)
    assert reading.valid
    told = [messages.fill(messages.TURNS_DROPPED, turns)]
    assert [each for each in reading.notes if each.text == messages.TURNS_DROPPED.text] == told
    assert reading.balance.value == pytest.approx(MADE.balance, abs=0.002)


def test_samples_that_are_no_numbers_in_every_turn_leave_none():
    spans = tuple((turn + 0.3, turn + 0.3002) for turn in range(-1, 6))
    reading = analyse(spoilt(math.nan, spans=spans), RATE_HZ)
    assert not reading.valid
    assert reading.reasons == (messages.NO_WHOLE_TURN,)


def test_nothing_but_no_numbers_gives_no_reading():
    reading = analyse(spoilt(math.nan, spans=((-1.0, 9.0),)), RATE_HZ)
    assert not reading.valid
    assert reading.ratio is None


def test_without_an_index_too():
    reading = analyse(spoilt(math.nan)[:, :2], RATE_HZ, BARE)
    assert reading.valid
    assert reading.balance.value == pytest.approx(MADE.balance, abs=0.002)


def gapped(samples, cut, *, told, jump):
    """Return the summary with frames cut out: by a jump of the index, or by the flag alone."""
    analyser = Analyser(setup_for(RAW, RATE_HZ), keep_all=True)
    start, end = cut
    analyser.push(block_of(samples[:start].copy(), 0))
    analyser.push(block_of(samples[end:].copy(), end if jump else start, gap_before=told))
    analyser.finish()
    return analyser.summary()


@pytest.mark.parametrize(("told", "jump"), [(True, True), (False, True), (True, False)])
@pytest.mark.parametrize("cut_s", [0.001, 0.03, 0.5])
@pytest.mark.parametrize("at_s", [0.55, 0.62, 0.7])
@pytest.mark.few(4)
def test_a_gap_costs_the_turns_that_it_touches(at_s, cut_s, told, jump):
    made = make(Signal(**BRISK, snr_db=30, turns=8.4))
    cut = round(at_s * RATE_HZ), round((at_s + cut_s) * RATE_HZ)
    reading = gapped(made.columns(*RAW), cut, told=told, jump=jump)
    assert reading.valid
    assert reading.revolutions >= 4
    assert reading.balance.value == pytest.approx(made.balance, abs=0.002)
    assert reading.speed_rpm.value == pytest.approx(300.0, rel=2e-4)


def test_gaps_in_every_turn_leave_no_whole_turn():
    samples = MADE.columns(*RAW)
    analyser = Analyser(setup_for(RAW, RATE_HZ), keep_all=True)
    size = round(0.1 * RATE_HZ)
    for start in range(0, len(samples) - size, size):
        analyser.push(block_of(samples[start : start + size - 100].copy(), start))
    analyser.finish()
    reading = analyser.summary()
    assert not reading.valid
    assert reading.ratio is None


@pytest.mark.parametrize("snr_db", [-10.0, -5.0, 0.0, 10.0, 30.0, 60.0])
@pytest.mark.parametrize("turns", [1.4, 4.4])
@pytest.mark.few(4)
def test_at_any_noise_a_number_is_right_or_there_is_none(turns, snr_db):
    for names in (RAW, BARE):
        reading, made = measured(Signal(**BRISK, snr_db=snr_db, turns=turns), names)
        if reading.valid:
            assert 2.0 * reading.difference.u <= 0.10
            # Four standard uncertainties: one in 16 000 by chance.
            away = abs(abs(reading.balance.value) - made.balance)
            assert away < 4.0 * reading.balance.u


def test_no_sample_at_all_gives_no_reading():
    analyser = Analyser(setup_for(RAW, RATE_HZ), keep_all=True)
    analyser.finish()
    reading = analyser.summary()
    assert not reading.valid
    assert reading.reasons


def test_a_reading_is_complete_or_says_why():
    reading, _ = measured(Signal(**BRISK, snr_db=30, turns=3.4))
    assert reading.valid
    assert not reading.reasons
    ratio, difference = reading.ratio.value, reading.difference.value
    assert ratio + difference == pytest.approx(1.0)
    assert reading.offset_um.value == pytest.approx(178.0 * reading.balance.value)
    # The scale's own uncertainty of 18 µm belongs to the offset's.
    assert reading.offset_um.u >= 18.0 * abs(reading.balance.value)
    assert messages.UNCALIBRATED in reading.notes
