"""What is heard, by the ear of another: Praat's pitch tracker (P. Boersma, Accurate short-term
analysis of the fundamental frequency, IFA Proceedings 17, 1993), by way of parselmouth."""

import itertools

import numpy as np
import parselmouth
import pytest

from app.ear.tone import REFERENCE_HZ, Tone, tone_for
from app.ear.voice import Chime, Voice

RATE_HZ = 48_000
LIMIT = 0.0811  # 15 % of difference
PLACES = (-0.08, -0.02, -0.005, 0.0, 0.005, 0.02, 0.08)


def rendered(tone, seconds=2.0, block=480):
    voice = Voice(RATE_HZ)
    voice.tone = tone
    return np.concatenate([voice.render(block) for _ in range(int(seconds * RATE_HZ / block))])


def pitches(samples):
    """Pitch where there is one, in Hz."""
    sound = parselmouth.Sound(samples.astype(np.float64), RATE_HZ)
    track = sound.to_pitch_ac(time_step=0.005, pitch_floor=150.0, pitch_ceiling=2000.0)
    found = track.selected_array["frequency"]
    return found[found > 0.0]


def heard_pitch(samples):
    """The pitch that tells the balance: what is not the reference, if anything is."""
    found = pitches(samples)
    other = found[np.abs(found / REFERENCE_HZ - 1.0) > 0.01]
    return float(np.median(other)) if len(other) > 0.2 * len(found) else float(np.median(found))


def pulse_rate(samples):
    """How often a second the loudness comes and goes."""
    loud = np.abs(samples[: len(samples) // 480 * 480]).reshape(-1, 480).max(axis=1)
    spectrum = np.abs(np.fft.rfft(loud - loud.mean(), 4096))
    rates_hz = np.fft.rfftfreq(4096, 0.01)
    band = (rates_hz > 0.5) & (rates_hz < 30.0)
    return float(rates_hz[band][np.argmax(spectrum[band])])


def test_each_place_has_a_pitch_of_its_own():
    """At least 3 % apart, some five times the least difference that is noticed."""
    found = [heard_pitch(rendered(tone_for(each, 0.001, LIMIT))) for each in PLACES]
    assert all(above / below >= 1.03 for below, above in itertools.pairwise(found))
    assert found[3] == pytest.approx(REFERENCE_HZ, rel=0.005)
    for each, pitch_hz in zip(PLACES, found, strict=True):
        assert pitch_hz == pytest.approx(tone_for(each, 0.001, LIMIT).pitch_hz, rel=0.01)


def test_within_the_limit_the_tone_is_steady_and_beyond_it_beats():
    steady = rendered(tone_for(0.02, 0.001, LIMIT))[4800:]
    loud = np.abs(steady[: len(steady) // 480 * 480]).reshape(-1, 480).max(axis=1)
    assert np.ptp(loud) < 0.05 * loud.max()
    rates = [tone_for(each, 0.001, LIMIT).pulses_hz for each in (0.09, 0.15, 0.3, 0.9)]
    assert all(nearer >= 1.2 * farther for nearer, farther in itertools.pairwise(rates[:3]))
    # The tone and the reference by turns: each sounds once a beat.
    for place in (0.09, 0.15, 0.3):
        tone = tone_for(place, 0.001, LIMIT)
        samples = rendered(tone, 4.0)
        assert pulse_rate(samples) in (
            pytest.approx(tone.pulses_hz, rel=0.1),
            pytest.approx(2.0 * tone.pulses_hz, rel=0.1),
        )
        found = pitches(samples)
        assert np.any(np.abs(found / REFERENCE_HZ - 1.0) < 0.01)


def test_an_uncertain_reading_within_the_limit_has_not_arrived():
    assert tone_for(0.06, 0.01, LIMIT).pulses_hz == 0.0
    assert tone_for(0.06, 0.03, LIMIT).pulses_hz > 0.0


def test_an_unknown_side_is_heard_on_both_sides_of_the_reference():
    found = pitches(rendered(tone_for(0.05, 0.001, LIMIT, mirrored=True), 4.0))
    above, below = found[found > 1.02 * REFERENCE_HZ], found[found < 0.98 * REFERENCE_HZ]
    assert len(above) == pytest.approx(len(below), rel=0.2)
    assert np.median(above) * np.median(below) == pytest.approx(REFERENCE_HZ**2, rel=0.01)


def test_parked_is_silent():
    assert not rendered(None).any()
    voice = Voice(RATE_HZ)
    voice.tone = Tone(440.0, 0.0)
    voice.render(480)
    voice.tone = None
    voice.render(480)
    assert not voice.render(480).any()


def test_no_click_where_the_tone_changes():
    """A step from one sample to the next is no greater than a sine of its own makes it."""
    voice = Voice(RATE_HZ)
    samples = []
    for number in range(200):
        balance = 0.3 * np.sin(number / 7.0)
        voice.tone = None if number % 50 > 40 else tone_for(balance, 0.001, LIMIT)
        voice.level = 0.5 if number % 30 < 15 else 0.1
        samples.append(voice.render(480))
    steps = np.abs(np.diff(np.concatenate(samples)))
    # Slopes of three partials of the highest pitch, of a gain and of an edge.
    highest_hz = tone_for(0.3, 0.0, LIMIT).pitch_hz
    slope = 2.0 * np.pi * highest_hz * (1 + 0.6 + 0.45) / 1.45 / RATE_HZ
    assert steps.max() < 0.5 * slope + 2.0 / 480 + 1.0 / (0.008 * RATE_HZ)


@pytest.mark.parametrize("chime", Chime)
def test_a_chime_is_heard_once_and_is_its_own(chime):
    voice = Voice(RATE_HZ)
    voice.chime(chime)
    samples = np.concatenate([voice.render(480) for _ in range(100)])
    assert 0.1 < np.abs(samples).max() <= 1.0
    assert not voice.render(480).any()
    sound = parselmouth.Sound(samples[:4800].astype(np.float64), RATE_HZ)
    track = sound.to_pitch_ac(time_step=0.005, pitch_floor=300.0, pitch_ceiling=3000.0)
    found = track.selected_array["frequency"]
    first_hz = 2.0 * REFERENCE_HZ * 2.0 ** (chime.value[0] / 12.0)
    assert np.median(found[found > 0.0]) == pytest.approx(first_hz, rel=0.01)


def test_what_is_played_never_leaves_the_range():
    voice = Voice(RATE_HZ)
    voice.level = 1.0
    voice.tone = tone_for(0.0, 0.0, LIMIT)
    peaks = []
    for chime in Chime:
        voice.chime(chime)
        peaks += [np.abs(voice.render(480)).max() for _ in range(60)]
    assert max(peaks) <= 1.25  # a chime over a ducked tone, at a level that the window never sets
    voice.level = 0.7
    voice.chime(Chime.ARRIVED)
    assert max(np.abs(voice.render(480)).max() for _ in range(60)) <= 1.0
