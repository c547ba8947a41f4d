"""What is kept of a checked input: written, read, refused, and void where it does not hold."""

import contextlib
import sys
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from instruments.address import open_address
from instruments.kept import proof_for, proof_path, read_proof
from instruments.proof import DetectorProof, InputIdentity, InputProof
from instruments.proof_text import as_toml
from instruments.source import SourceRequest, SourceUnavailable, parse_roles
from tests.instruments.sound.fakesound import FakeDevice, FakeSound

LAW = DetectorProof(
    proved_hz=17_280.0,
    threshold=0.0475,
    threshold_u=2.5e-4,
    knee=0.0244,
    law_u=2.6e-4,
    corner_hz=7.01,
    corner_u_hz=0.014,
    out=(1e-3, 0.1, 0.3, 0.5),
    into=(0.03, 0.1472, 0.3475, 0.5475),
)
PROOF = InputProof(
    identity=InputIdentity('Line "A" (hw:1,0), ALSA', 48_000, "envelope,index", 0.0),
    made_on="2031-05-04",
    conditions="tones of 17.28 kHz up to 50 % of full scale on “Line A”",
    noise=2e-5,
    step=3.1e-5,
    fast_part=-4.2e-5,
    clock_u_part=6e-6,
    detector=LAW,
)
METERED = replace(
    PROOF, output="Line", level=0.5, gain=1.1, match=0.0, full_scale_v=1.84, full_scale_part=0.02,
    limit=0.71,
)  # fmt: skip
TODAY = date(2031, 5, 16)


@pytest.fixture(autouse=True)
def own_folder(monkeypatch, tmp_path):
    monkeypatch.setattr("instruments.kept.user_data_path", lambda *_, **__: tmp_path)


def written(proof=PROOF, text=None):
    path = proof_path(proof.identity.device)
    path.parent.mkdir(exist_ok=True)
    path.write_text(as_toml(proof) if text is None else text, encoding="utf-8")
    return path


@pytest.mark.parametrize("proof", [PROOF, METERED, replace(PROOF, detector=None)])
def test_what_is_written_is_read_again(proof):
    assert read_proof(written(proof)) == proof


def test_nothing_kept_is_nothing():
    assert proof_for(PROOF.identity, TODAY) == (None, ())


def test_it_is_used_with_its_age():
    written()
    # Where nothing was played there is nothing to look at again.
    assert "--quick" not in proof_for(PROOF.identity, TODAY)[1][0]
    written(METERED)
    proof, notes = proof_for(PROOF.identity, TODAY)
    assert proof == METERED
    assert "12 days ago" in notes[0]
    assert "--quick" in notes[0]
    assert "today" in proof_for(PROOF.identity, date(2031, 5, 4))[1][0]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"rate_hz": 96_000}, "the rate was 48000 and is 96000"),
        ({"columns": "envelope"}, "the columns were envelope,index and are envelope"),
        ({"volume": 0.5}, "the volume was 0 % and is 50 %"),
        ({"settings": "0.1 V/div"}, "the scope was set to  and is to 0.1 V/div"),
    ],
)
def test_it_is_void_where_rate_columns_or_volume_changed(change, words):
    written()
    proof, notes = proof_for(replace(PROOF.identity, **change), TODAY)
    assert proof is None
    assert words in notes[0]
    assert "check it again" in notes[0]


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("rate_hz = 48000", "rate_hz = 0", "rate_hz is 0; it must be"),
        ("noise = ", "nose = ", "noise is missing"),
        ("corner_hz = 7.01", "corner_hz = -1.0", "detector.corner_hz is -1.0"),
        ("  0.3,\n", "  0.05,\n", "rising numbers"),
        ("  0.3,\n", "  0.1,\n", "rising numbers"),
        ("  0.3,\n", "", "rising numbers"),
        ("[detector]", "[detector", "cannot be read"),
        ("step = ", "more = 1.0\nstep = ", "more is not a key"),
    ],
)
def test_a_damaged_file_is_said_and_not_used(before, after, words):
    text = as_toml(PROOF)
    assert before in text
    path = written(text=text.replace(before, after, 1))
    with pytest.raises(SourceUnavailable, match=words):
        read_proof(path)
    proof, notes = proof_for(PROOF.identity, TODAY)
    assert proof is None
    assert "check the input again" in notes[0]


def test_levels_in_volts_and_the_corner_s_tolerance():
    law = LAW.times(2.0)
    assert law.threshold == pytest.approx(0.095)
    assert law.out[-1] == pytest.approx(1.0)
    assert law.corner_hz == LAW.corner_hz
    # A rectangle of ± its tolerance has that over the root of three as its u (JCGM 100, 4.3.7).
    assert law.corner_part * law.corner_hz / 3**0.5 == pytest.approx(law.corner_u_hz)


@pytest.fixture
def sound(monkeypatch):
    fake = FakeSound(devices=[FakeDevice("Bench (hw:1,0)")])
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    return fake


@contextlib.contextmanager
def opened(address, roles="envelope,index"):
    source = open_address(address, SourceRequest(roles=parse_roles(roles)))
    source.open()
    try:
        yield source
    finally:
        source.close()


def test_a_sound_input_is_known_again_by_its_name(sound):
    with opened("sound:bench?rate=48000") as source:
        identity = source.identity
        assert source.info.proof is None
    assert identity == InputIdentity("Bench (hw:1,0), ALSA", 48_000, "envelope,index", 0.0)
    written(replace(PROOF, identity=identity))
    with opened("sound:bench?rate=48000") as source:
        assert source.info.proof.detector == LAW
        assert source.info.low_corner_hz == LAW.corner_hz
        assert source.info.low_corner_part == pytest.approx(3**0.5 * 0.014 / 7.01)
        assert any("is used" in note for note in source.info.notes)
    with opened("sound:bench?rate=48000&low_corner_hz=9+-1%") as source:
        assert source.info.low_corner_hz == 9.0
        assert source.info.low_corner_part == 0.01
    with opened("sound:bench?rate=96000") as source:
        assert source.info.proof is None
        assert source.info.low_corner_hz is None
        assert any("the rate was 48000 and is 96000" in note for note in source.info.notes)
    with opened("sound:bench?rate=48000", "envelope,-") as source:
        assert any("are envelope,-" in note for note in source.info.notes)


@pytest.mark.parametrize(("level", "cut"), [(0.72, True), (0.65, False)])
def test_what_stands_where_the_input_cuts_is_told_as_clipped(sound, level, cut):
    with opened("sound:bench?rate=48000") as source:
        identity = source.identity
    written(replace(METERED, identity=identity))
    with opened("sound:bench?rate=48000") as source:
        samples = np.full((480, 2), 0.2)
        samples[100, 0] = level  # the signal's column
        samples[200, 1] = 0.9  # the index's
        for _ in range(12):
            sound.stream.deliver(samples)
        assert source.read(1.0).clipped == cut
        assert any("cuts tops off at 71 %" in note for note in source.info.notes)


def test_an_input_that_is_checked_anew_is_not_held_to_what_was_kept(sound):
    with opened("sound:bench?rate=48000") as source:
        identity = source.identity
    written(replace(METERED, identity=identity))
    roles = parse_roles("envelope,index")
    source = open_address("sound:bench?rate=48000", SourceRequest(roles=roles, fresh=True))
    source.open()
    for _ in range(12):
        sound.stream.deliver(np.full((480, 2), 0.8))
    assert source.info.proof is None
    assert not source.read(1.0).clipped
    source.close()


def test_a_meter_s_reading_gives_the_input_its_volts(sound):
    with opened("sound:bench?rate=48000") as source:
        identity = source.identity
    written(replace(METERED, identity=identity))
    with opened("sound:bench?rate=48000") as source:
        for _ in range(12):
            sound.stream.deliver(np.full((480, 2), 0.25))
        block = source.read(1.0)
        assert source.info.full_scale_v == 1.84
        assert not block.uncalibrated
        assert block.samples_v[0, 0] == pytest.approx(0.25 * 1.84)
        assert any("within ± 2 %" in note for note in source.info.notes)
        assert not any("relative" in note for note in source.info.notes)
    with opened("sound:bench?rate=48000&full_scale_v=3") as source:
        assert source.info.full_scale_v == 3.0
