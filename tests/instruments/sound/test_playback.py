"""A sound output: which one, what is played on it, and which one never."""

import sys

import numpy as np
import pytest

from instruments.sound.playback import Playback
from instruments.sound.portaudio import PortAudio
from instruments.source import SourceUnavailable
from tests.instruments.sound.fakesound import FakeDevice, FakeSound


@pytest.fixture
def sound(monkeypatch):
    devices = [
        FakeDevice("Bench (hw:1,0)", inputs=2, outputs=2),
        FakeDevice("Headphones", inputs=0, outputs=2, default_rate=48_000.0),
        FakeDevice("Microphone"),
    ]
    fake = FakeSound(devices, default_input=0, default_output=1)
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    return fake


def ramp(rate_hz):
    return lambda frames: np.arange(frames, dtype=np.float32) / np.float32(rate_hz)


@pytest.mark.parametrize("wanted", ["", "1", "head", "Headphones"])
def test_both_channels_play_what_is_made(sound, wanted):
    playback = Playback(wanted, ramp, portaudio=PortAudio())
    assert playback.name == "Headphones"
    stream = sound.stream
    assert stream.settings["device"] == 1
    assert stream.settings["blocksize"] == 480  # 10 ms, so that the tone follows the hand
    played = stream.played(480)
    assert np.array_equal(played[:, 0], ramp(48_000.0)(480))
    assert np.array_equal(played[:, 0], played[:, 1])
    playback.close()
    assert stream.closed


@pytest.mark.parametrize("measured", ["sound:", "sound:Bench?rate=48000", "sound:0"])
def test_nothing_is_played_into_what_is_measured(sound, measured):
    with pytest.raises(SourceUnavailable, match=r"this is the device that is measured; name anoth"):
        Playback("Bench", ramp, measured, PortAudio())
    assert not sound.streams
    Playback("Head", ramp, measured, PortAudio()).close()
    Playback("Bench", ramp, "sound:Microphone", PortAudio()).close()


@pytest.mark.parametrize(
    ("wanted", "why"),
    [
        ("Micro", "it is not there"),
        ("7", "it is not there"),
        ("e", "several have that in their name"),
    ],
)
def test_an_output_that_is_not_there_is_told_with_those_that_are(sound, wanted, why):
    told = (
        rf"“{wanted}”: {why}; type a name or a number: 0 is “Bench \(hw:1,0\)”; 1 is “Headphones”"
    )
    with pytest.raises(SourceUnavailable, match=told):
        Playback(wanted, ramp, portaudio=PortAudio())


def test_no_output_and_one_that_refuses(sound):
    sound.refuses = True
    with pytest.raises(SourceUnavailable, match="it cannot be started"):
        Playback("", ramp, portaudio=PortAudio())
    sound.devices = []
    with pytest.raises(SourceUnavailable, match="sound output: there is none; plug one in"):
        Playback("", ramp, portaudio=PortAudio())
