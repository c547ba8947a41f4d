"""A signal that is said to be mixed down: the option of each kind of source, and the recording."""

from __future__ import annotations

import sys

import numpy as np
import pytest
import soundfile

from app.live.measurement import EnvelopeOptions, setup_for
from app.profiles import load_profile
from instruments.address import open_address
from instruments.file.description import Description, describe, understand
from instruments.source import AddressError, Role, SourceRequest, parse_roles
from tests.instruments.sound.fakesound import FakeSound

PROFILE = load_profile("130mm-48tpi")


@pytest.fixture
def capture(tmp_path):
    path = tmp_path / "mixed.wav"
    soundfile.write(path, np.zeros((1000, 2), dtype=np.float32), 96_000, subtype="FLOAT")
    return path


def opened(address, roles="differential,index"):
    source = open_address(address, SourceRequest(roles=parse_roles(roles)))
    source.open()
    source.close()
    return source.info


def test_a_file_says_it_by_its_address(capture):
    assert opened(f"{capture}").mixed_hz is None
    info = opened(f"{capture}?mixed_hz=96000")
    assert info.mixed_hz == 96e3
    assert setup_for(info, PROFILE, EnvelopeOptions()).mixed_hz == 96e3


def test_a_sound_input_and_a_pipe_say_it_too(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", FakeSound())
    assert opened("sound:?mixed_hz=96000").mixed_hz == 96e3
    address = "pipe:?rate=96000&dtype=int16&channels=2&mixed_hz=98000"
    source = open_address(address, SourceRequest(roles=parse_roles("differential,index")))
    assert source.info.mixed_hz == 98e3


def test_a_recording_keeps_it():
    told = Description(roles=(Role.DIFFERENTIAL,), mixed_hz=96e3)
    assert understand(describe(told), 1) == (told, ())


@pytest.mark.parametrize("text", ["0", "-96000", "much", "19e3", "2e7"])
def test_what_is_no_frequency_of_a_mixer(capture, text):
    with pytest.raises(AddressError, match=f"“mixed_hz” is “{text}”; it must"):
        open_address(f"file:{capture}?mixed_hz={text}")


def test_an_envelope_is_not_mixed(capture):
    info = opened(f"{capture}?mixed_hz=96000", "envelope,index")
    with pytest.raises(AddressError, match="an envelope has no carrier that could be mixed down"):
        EnvelopeOptions().check(info)
