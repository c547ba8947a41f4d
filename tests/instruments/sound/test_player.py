"""The sound output against a scripted PortAudio."""

import sys

import numpy as np
import pytest

from instruments.sound.player import SoundPlayer
from instruments.source import SourceUnavailable
from tests.instruments.sound.fakesound import FakeDevice, FakeSound


@pytest.fixture
def sound(monkeypatch):
    fake = FakeSound(devices=[FakeDevice("Bench (hw:1,0)", inputs=2, outputs=6), FakeDevice("Mic")])
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    return fake


def test_it_is_silent_until_it_is_given_something_and_after(sound):
    player = SoundPlayer("bench", 48_000)
    assert player.outputs == 2
    assert not sound.stream.played(10).any()
    sent = np.linspace(0.1, 0.5, 30, dtype=np.float32).reshape(15, 2)
    player.play(sent)
    np.testing.assert_array_equal(
        np.concatenate([sound.stream.played(10), sound.stream.played(5)]), sent
    )
    assert not sound.stream.played(10).any()
    player.close()
    assert sound.stream.closed


def test_pieces_follow_one_another_and_stay_within_full_scale(sound):
    player = SoundPlayer("bench", 48_000)
    player.play(np.full((3, 2), 0.5, np.float32))
    player.play(np.full((3, 2), 7.0, np.float32))
    assert sound.stream.played(8)[:, 0].tolist() == [0.5] * 3 + [1.0] * 3 + [0.0] * 2
    player.close()
    player.close()


def test_falling_silent_drops_what_waits(sound):
    player = SoundPlayer("0", 48_000)
    player.play(np.full((100, 2), 0.5, np.float32))
    assert sound.stream.played(10).all()
    player.silence()
    assert not sound.stream.played(10).any()
    player.close()


def test_what_is_no_output_is_refused(sound):
    with pytest.raises(
        SourceUnavailable, match=r"sound output “mic”: it is not there.*0 is “Bench"
    ):
        SoundPlayer("mic", 48_000)
    sound.refuses = True
    with pytest.raises(SourceUnavailable, match=r"sound output “Bench.*cannot be started"):
        SoundPlayer("bench", 48_000)
