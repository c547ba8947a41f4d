"""When which chime is heard."""

import pytest

from app.ear.guide import AudibleNeedle, Guide
from app.ear.voice import Chime, Voice

LIMIT = 0.08


class Listening(Voice):
    """A voice that notes its chimes."""

    def __init__(self):
        super().__init__(48_000)
        self.heard = []

    def chime(self, chime):
        self.heard.append(chime)


@pytest.fixture
def voice():
    return Listening()


def at(balance, **more):
    return AudibleNeedle(balance, 0.005, LIMIT, **more)


def shown(voice, *needles, apart_s=1.0):
    guide = Guide(voice)
    for number, needle in enumerate(needles):
        guide.show(needle, number * apart_s)
    return voice.heard


def test_coming_even_and_leaving_are_told_once(voice):
    needles = [at(0.3), at(0.2), at(0.05), at(0.02), at(0.0), at(0.2), at(0.3)]
    assert shown(voice, *needles) == [Chime.ARRIVED, Chime.LEFT]


def test_parking_is_told_and_silence_follows(voice):
    assert shown(voice, at(0.3), None, None) == [Chime.PARKED]
    assert voice.tone is None


def test_a_needle_that_never_stood_is_silent(voice):
    assert shown(voice, None, None) == []


def test_the_limit_is_not_crossed_by_a_needle_that_moves(voice):
    needles = [at(0.3), at(0.0, moving=True), at(0.2, moving=True), at(0.3)]
    assert shown(voice, *needles) == [Chime.SETTLED]


def test_a_needle_at_the_limit_does_not_ring_without_end(voice):
    needles = [at(0.07), at(0.08)] * 50
    heard = shown(voice, *needles, apart_s=0.05)
    assert len(heard) <= 5.0 / 0.7 + 1


def test_the_tone_follows_the_needle_that_moves(voice):
    guide = Guide(voice)
    guide.show(at(0.3), 0.0)
    far = voice.tone
    guide.show(at(0.1, moving=True), 0.016)
    assert voice.tone.pitch_hz < far.pitch_hz
    guide.silence()
    assert voice.tone is None
