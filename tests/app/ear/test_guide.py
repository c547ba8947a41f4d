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
    needles = [at(0.3), at(0.05), at(0.046), at(0.048), at(0.2), at(0.194)]
    assert shown(voice, *needles) == [Chime.ARRIVED, Chime.LEFT]


def test_a_needle_that_stands_elsewhere_is_told_though_nobody_saw_it_move(voice):
    # Between two readings more than what noise explains: U of 0.005 in either.
    assert shown(voice, at(0.3), at(0.291), at(0.289), at(0.285)) == [Chime.SETTLED]


def test_parking_is_told_and_silence_follows(voice):
    assert shown(voice, at(0.3), None, None) == [Chime.PARKED]
    assert voice.tone is None


def test_a_needle_that_never_stood_is_silent(voice):
    assert shown(voice, None, None) == []


def test_the_limit_is_not_crossed_by_a_needle_that_moves(voice):
    needles = [at(0.3), at(0.0, moving=True), at(0.2, moving=True), at(0.3)]
    assert shown(voice, *needles) == [Chime.SETTLED]


def test_noise_that_looks_like_a_move_is_not_told_to_have_settled(voice):
    needles = [at(0.3), at(0.302, moving=True), at(0.301)] * 5
    assert shown(voice, *needles) == []
    crept = [at(0.3 + 0.004 * n, moving=n % 2 == 0) for n in range(5)]
    voice.heard.clear()
    assert shown(voice, *crept) == [Chime.SETTLED]


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
