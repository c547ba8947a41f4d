"""The command check-source, on captures and on a live source whose clock is off."""

import io
import json
import re
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from app.cli import main
from app.cli.source_check import recheck_before_job
from app.live.loop_check import LoopFault
from app.live.source_check import HeardFrames, _time_is_kept, listen, quiet_check_of
from app.profiles import load_profile
from instruments.kept import read_proof
from instruments.proof import InputIdentity
from instruments.source import Block, Role, Source, SourceInfo, SourceTimeout
from tests.app.live.test_generator_check import Bench
from tests.virtualprobe.card import VirtualCard
from tests.virtualprobe.circuit import Parts

RATE_HZ = 48_000
PARTS = Parts(gains=(0.6,))


def write(path, columns):
    soundfile.write(path, np.column_stack(columns), RATE_HZ, subtype="PCM_24")


@pytest.fixture
def quiet_capture(tmp_path):
    noise = np.random.default_rng(1).standard_normal((2, 3 * RATE_HZ))
    hum = 0.01 * np.sin(2 * np.pi * 50.0 * np.arange(3 * RATE_HZ) / RATE_HZ)
    path = tmp_path / "quiet.wav"
    write(path, [0.99e-3 * noise[0] + hum, 1e-3 * noise[1] + 0.98 * hum])
    return path


def test_a_quiet_capture_is_told_in_words(quiet_capture, capsys):
    assert main.run(["check-source", f"{quiet_capture}?full_scale_v=1", "--seconds", "3"]) == 0
    told = capsys.readouterr().out
    noise_uv = float(re.search(r"plus +noise ([\d.]+) µV rms", told)[1])
    assert noise_uv == pytest.approx(990.0, rel=0.01)
    assert "minus has 0.98" in told
    assert "noise limits" in told
    assert "not told: a live source" in told


def test_its_object_is_what_was_put_in(quiet_capture, capsys):
    words = ["check-source", f"{quiet_capture}?full_scale_v=1", "--json"]
    assert main.run(words) == 0
    told = json.loads(capsys.readouterr().out)
    plus, minus = told["channels"]
    assert plus["role"] == "plus"
    assert minus["noise_v"] == pytest.approx(1e-3, rel=0.02)
    assert plus["hum_v"] == pytest.approx(0.01 / np.sqrt(2), rel=0.02)
    assert told["common"]["match"] == pytest.approx(0.98, abs=1e-3)
    # log2 of the range over √12 times the noise: the definition of effective bits.
    assert plus["noise_bits"] == pytest.approx(np.log2(2 / np.sqrt(12) / 0.99e-3), abs=0.05)
    assert told["clock"] is None
    # The amplitude of a sine of 1 V (two phases of half the full scale) in n samples of noise σ is
    # known within σ·√(2/n) (Kay, Fundamentals of Statistical Signal Processing, from memory).
    samples = 10 * 0.2 * RATE_HZ / 8
    balance_u = 1e-3 * np.sqrt(2) * np.sqrt(2 / samples) / np.sqrt(2)
    assert told["limits_um"]["noise"] == pytest.approx(190.0 * balance_u, rel=0.03)


@pytest.mark.slow
def test_a_turning_drive_is_no_quiet_input(capsys):
    assert main.run(["check-source", "sim:", "--seconds", "1"]) == 3
    assert "stop the drive's motor" in capsys.readouterr().out


def test_too_short_a_capture_is_said(tmp_path, capsys):
    write(tmp_path / "short.wav", [np.zeros(100)])
    assert main.run(["check-source", str(tmp_path / "short.wav")]) == 3
    assert "listen longer" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words",
    [
        ["nowhere.wav"],
        ["sim:", "--roles", "left"],
        [],
        ["sim:", "--seconds", "1", "--play", "nobody"],
        ["sim:", "--at-most", "101"],
    ],
)
def test_bad_input_is_one_line(words, capsys):
    assert main.run(["check-source", *words]) == 2
    assert capsys.readouterr().err.count("\n") == 1


class Ticking(Source):
    """A live input whose clock is fast, and the clock that its reader looks at."""

    def __init__(self, fast_part):
        self._fast_part = fast_part
        self._at = 0
        self.now_s = 0.0

    def open(self):
        self._info = SourceInfo(
            name="ticking", roles=(Role.ENVELOPE,), roles_from="given",
            sample_rate_hz=float(RATE_HZ), bandwidth_hz=2e4, live=True,
        )  # fmt: skip

    def read(self, timeout_s):
        if self._at == RATE_HZ:
            self._at += 1
            raise SourceTimeout("nothing for a moment")
        first, self._at = self._at, self._at + RATE_HZ // 50
        self.now_s = self._at / (RATE_HZ * (1 + self._fast_part)) + 1e-3 * (self._at % 7)
        samples_v = 1e-4 * np.random.default_rng(first).standard_normal((RATE_HZ // 50, 1))
        return Block(samples_v.astype(np.float32), RATE_HZ, first, self.now_s, uncalibrated=True)

    def close(self):
        pass


class Pieces(Source):
    """Two pieces with a gap between them; `said` is told of one."""

    info = SourceInfo("pieces", (Role.ENVELOPE,), "given", float(RATE_HZ), 2e4)

    def __init__(self, **said):
        samples_v = np.zeros((100, 1), np.float32)
        pieces = [Block(samples_v, RATE_HZ, 0, 0.0), Block(samples_v, RATE_HZ, 200, 0.1, **said)]
        self._pieces = iter(pieces)

    def open(self):
        pass

    def read(self, timeout_s):
        return next(self._pieces)

    def close(self):
        pass


@pytest.mark.parametrize("said", ["uncalibrated", "min_max", "clipped"])
def test_what_is_said_of_a_piece_is_said_of_all_that_was_heard(said):
    heard = listen(Pieces(**{said: True}), 200 / RATE_HZ)
    assert [len(each) for each in heard.stretches] == [100, 100]
    told = {name: getattr(heard, name) for name in ("uncalibrated", "min_max", "clipped")}
    assert told == {name: name == said for name in told}


def test_pairs_of_extremes_have_offset_and_hum_in_their_middle():
    time_s = np.arange(RATE_HZ) / RATE_HZ
    middle_v = 0.03 + 0.02 * np.sin(2.0 * np.pi * 50.0 * time_s)
    half_v = 0.004 * (1.0 + np.random.default_rng(1).random(len(time_s)))
    pairs_v = np.stack([middle_v - half_v, middle_v + half_v], axis=1).reshape(-1, 1)
    heard = HeardFrames([pairs_v.astype(np.float32)], [], [], False, min_max=True, clipped=False)
    info = replace(Pieces.info, sample_rate_hz=2.0 * RATE_HZ)
    channel = quiet_check_of(info, heard).channels[Role.ENVELOPE]
    assert channel.offset_v == pytest.approx(0.03, abs=1e-4)
    assert channel.hum_hz == pytest.approx(50.0, abs=0.5)
    assert channel.hum_v == pytest.approx(0.02 / np.sqrt(2.0), rel=0.02)


def test_the_clock_of_a_live_input_is_told():
    source = Ticking(80e-6)
    source.open()
    heard = listen(source, 60.0, clock=lambda: source.now_s)
    found = quiet_check_of(source.info, heard)
    assert found.is_quiet
    assert found.full_scale_v == 1.0  # relative volts: parts of full scale
    assert found.clock is not None
    assert 1e6 * found.clock.fast_part == pytest.approx(80.0, abs=2e6 * found.clock.u_part + 5.0)
    assert found.system_u_part > 0.0


@pytest.mark.parametrize(
    ("told", "kept"), [("yes", True), ("no", False), (None, False), ("late", False)]
)
def test_whether_a_time_service_keeps_the_clock_is_asked_of_the_system(
    told, kept, monkeypatch, tmp_path
):
    monkeypatch.setenv("PATH", str(tmp_path))
    if told is not None:
        # The system's bus may hang: the check does not wait for it.
        says = "/bin/sleep 6; echo yes" if told == "late" else f"echo {told}"
        (tmp_path / "timedatectl").write_text(f"#!/bin/sh\n{says}\n")
        (tmp_path / "timedatectl").chmod(0o755)
    assert _time_is_kept() is kept


@pytest.fixture
def card(monkeypatch, tmp_path):
    """A card with a probe in its loop, for the command as input and as output."""
    made = VirtualCard(PARTS, 16_000)
    made.identity = InputIdentity("Bench", 16_000, "envelope", 0.0)
    monkeypatch.setattr("app.cli.source_check.open_address", lambda *_: made)
    monkeypatch.setattr("app.cli.source_check.SoundPlayer", lambda *_: made)
    monkeypatch.setattr("instruments.kept.user_data_path", lambda *_, **__: tmp_path)
    return made


CHECK = ["check-source", "sound:bench", "--seconds", "2"]
PLAY = [*CHECK, "--play", "bench"]


def test_what_is_played_and_found_is_told_and_kept(card, capsys, tmp_path):
    assert main.run([*PLAY, "--yes", "--quick"]) == 0
    told = capsys.readouterr()
    assert "plays 0.195 % of full scale, 5.76 kHz" in told.err
    assert re.search(r"detector +keeps [\d.]+ ± [\d.]+ mV", told.out)
    assert re.search(r"low corner +(6.9|7.0)\d+ ± 0.0\d+ Hz, the input's alone", told.out)
    assert "at 125 kHz the law is taken as the same" in told.out
    assert re.search(r"resolves .* µm .* limits", told.out)
    kept = tmp_path / "inputs" / "Bench.toml"
    assert f"{kept}: used from now on" in told.out
    assert read_proof(kept).identity == card.identity
    assert card.silenced


@pytest.mark.slow
def test_a_second_look_says_whether_it_still_holds(card, capsys, tmp_path):
    assert main.run([*PLAY, "--yes", "--quick"]) == 0
    kept = tmp_path / "inputs" / "Bench.toml"
    card._info = replace(card.info, proof=read_proof(kept))
    assert main.run([*PLAY, "--yes", "--quick"]) == 0
    assert "still holds" in capsys.readouterr().out
    card.changes_to(Parts(gains=(0.6,), input_corner_hz=9.0))
    assert main.run([*PLAY, "--yes", "--quick"]) == 0
    assert "nothing any more: the low corner was 7 Hz and is 9 Hz" in capsys.readouterr().out
    assert not kept.exists()


def at_a_terminal(monkeypatch, text):
    """Stand for a terminal at which each line is typed once it was asked for."""
    monkeypatch.setattr("app.cli.prompting._drop_typed", lambda: None)
    typed = io.StringIO(text)
    typed.isatty = lambda: True
    monkeypatch.setattr("sys.stdin", typed)


def meter_of(parts, level):
    """What a meter shows of the tone that the virtual output gives."""
    return parts.drive_v * level / np.sqrt(2)


def clips_at(parts, level):
    """The peak at the probe for which the circuit's law, by its upper levels, gives full scale."""
    peaks_v = parts.drive_v * level * np.linspace(0.6, 1.0, 13)
    slope, _ = np.polyfit(peaks_v, parts.gains[0] * parts.static_v(peaks_v), 1)
    return 1.0 / slope


def test_a_meter_s_reading_gives_the_volts(card, capsys, tmp_path):
    # The level that is enough for this card, as a first check tells it.
    assert main.run([*PLAY, "--yes", "--quick", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["volts"] is None
    level = told["detector"]["level"]
    meter = f"{meter_of(PARTS, level):.5f}+-2%"
    assert main.run([*PLAY, "--yes", "--quick", "--json", "--meter", meter]) == 0
    volts = json.loads(capsys.readouterr().out)["volts"]
    assert volts["full_scale_v"] == pytest.approx(clips_at(PARTS, level), rel=0.005)
    assert volts["tolerance"] == pytest.approx(0.02)
    kept = read_proof(tmp_path / "inputs" / "Bench.toml")
    assert kept.full_scale_v == pytest.approx(volts["full_scale_v"])
    assert kept.full_scale_part == pytest.approx(0.02)


def test_the_meter_is_asked_for_while_a_steady_tone_plays(card, capsys, monkeypatch):
    at_a_terminal(monkeypatch, "y\nloud\n0,35\n")
    assert main.run([*PLAY, "--quick", "--meter"]) == 0
    told = capsys.readouterr()
    assert "steady tone of 5.76 kHz" in told.err
    assert "“loud” must be a number" in told.err
    (line,) = (line for line in told.out.splitlines() if line.startswith("volts "))
    assert line.endswith("at the test points, within ± 20 %, by the meter's reading")
    # Forty seconds were there to be played, and none is any more.
    assert len(card._waiting) == 0


def test_without_a_meter_there_are_no_volts(card, capsys, monkeypatch):
    at_a_terminal(monkeypatch, "y\n\n")
    assert main.run([*PLAY, "--quick", "--meter"]) == 0
    assert "volts  " not in capsys.readouterr().out


@pytest.mark.parametrize("volts", ["0", "1001", "a lot"])
def test_a_meter_shows_volts(volts, capsys):
    assert main.run([*PLAY, "--meter", volts]) == 2
    assert "--meter" in capsys.readouterr().err


def test_a_meter_needs_a_tone(capsys):
    assert main.run([*CHECK, "--meter", "0.3"]) == 2
    assert "--play" in capsys.readouterr().err


def test_what_is_heard_of_a_quiet_input_is_kept_where_nothing_better_is(card, capsys, tmp_path):
    kept = tmp_path / "inputs" / "Bench.toml"
    assert main.run(CHECK) == 0
    heard = read_proof(kept)
    assert (heard.output, heard.detector) == ("", None)
    assert heard.noise == pytest.approx(2.7e-5, rel=0.3)  # with the converter's steps of 3e-5
    assert main.run([*PLAY, "--yes", "--quick"]) == 0
    card._info = replace(card.info, proof=read_proof(kept))
    capsys.readouterr()
    assert main.run(CHECK) == 0
    assert "what was played and found on" in capsys.readouterr().out
    assert read_proof(kept).detector is not None


def test_to_hear_an_input_at_another_volume_does_not_replace_what_was_played(
    card, capsys, tmp_path
):
    kept = tmp_path / "inputs" / "Bench.toml"
    assert main.run([*PLAY, "--yes", "--quick"]) == 0
    before = kept.read_bytes()
    card.identity = replace(card.identity, volume=0.5)
    capsys.readouterr()
    assert main.run(CHECK) == 0
    assert "it does not count now: the volume was 0 % and is 50 %" in capsys.readouterr().out
    assert kept.read_bytes() == before


def test_nothing_is_kept_of_an_input_with_a_signal(card, capsys, tmp_path):
    card.broken_in = lambda times_s: 0.05 * np.sin(2 * np.pi * 3000.0 * times_s)
    assert main.run(CHECK) == 3
    assert "kept         nothing: a signal is there" in capsys.readouterr().out
    assert not (tmp_path / "inputs").exists()


def test_a_signal_on_an_input_leaves_what_was_played_and_says_so(card, capsys, tmp_path):
    kept = tmp_path / "inputs" / "Bench.toml"
    assert main.run([*PLAY, "--yes", "--quick"]) == 0
    before = kept.read_bytes()
    card.broken_in = lambda times_s: 0.05 * np.sin(2 * np.pi * 3000.0 * times_s)
    capsys.readouterr()
    assert main.run(CHECK) == 3
    assert "kept         what was played and found on" in capsys.readouterr().out
    assert kept.read_bytes() == before


def test_nothing_is_played_into_an_input_with_a_signal(card, capsys, tmp_path):
    card.broken_in = lambda times_s: 0.05 * np.sin(2 * np.pi * 3000.0 * times_s)
    assert main.run([*PLAY, "--yes"]) == 2
    assert "a signal is there before anything is played" in capsys.readouterr().err
    assert card.loudest == 0.0
    assert not (tmp_path / "inputs").exists()


# -- before a job ------------------------------------------------------------------------------


@pytest.fixture
def checked(card, capsys, tmp_path):
    """The card with what a check has kept of it."""
    assert main.run([*PLAY, "--yes", "--quick"]) == 0
    card.kept = tmp_path / "inputs" / "Bench.toml"

    def open_again():
        card._info = replace(card.info, proof=read_proof(card.kept))

    card.open = open_again
    card.open()
    card.loudest = 0.0
    capsys.readouterr()
    return card


def before_job(card, *, wanted=False):
    said = []
    recheck_before_job(card, load_profile("130mm-48tpi"), said.append, wanted=wanted)
    return said


def test_a_job_begins_with_a_look_whether_the_check_holds(checked, monkeypatch, capsys):
    at_a_terminal(monkeypatch, "y\n")
    began_s = checked.now_s
    (said,) = before_job(checked)
    assert "still holds" in said
    # By the card's own clock.
    assert checked.now_s - began_s < 10.6
    assert 0.0 < checked.loudest <= checked.info.proof.level
    assert checked.kept.exists()
    assert "lead the output “bench” through the probe" in capsys.readouterr().err


def test_it_is_asked_for_first_and_only_at_a_terminal(checked, monkeypatch):
    at_a_terminal(monkeypatch, "n\n")
    assert before_job(checked) == []
    monkeypatch.setattr("sys.stdin", io.StringIO("y\n"))
    assert before_job(checked) == []
    assert checked.loudest == 0.0


def test_a_check_that_holds_no_more_does_not_count_in_the_job(checked):
    checked.changes_to(Parts(gains=(0.6,), drive_v=1.4))
    (said,) = before_job(checked, wanted=True)
    assert "counts no more: an output at full scale brought" in said
    assert not checked.kept.exists()
    assert checked.info.proof is None


def test_a_probe_that_is_not_wired_is_said_and_asked_again(checked, monkeypatch, capsys):
    checked.changes_to(Parts(gains=(0.0,)))
    at_a_terminal(monkeypatch, "y\nn\n")
    assert before_job(checked) == []
    assert "nothing came back" in capsys.readouterr().err
    assert checked.kept.exists()
    with pytest.raises(LoopFault, match="nothing came back"):
        before_job(checked, wanted=True)


def test_a_job_cannot_recheck_what_was_never_checked(capsys):
    words = ["job", "sim:", "--drive", "7", "--no-book", "--recheck"]
    assert main.run(words) == 2
    assert "check it with check-source --play first" in capsys.readouterr().err


# -- by a signal generator -----------------------------------------------------------------------

GENERATOR = ["check-source", "sound:bench", "--generator", "3"]


def test_a_generator_is_led_from_level_to_level_and_what_it_told_is_kept(
    card, capsys, tmp_path, monkeypatch
):
    bench = Bench()
    bench.identity = card.identity
    asked_for = []

    def person(words):
        """Sets what is asked for, and says at the second level what it came to."""
        asked_for.append(words)
        value, unit = re.match(r"set ([\d.]+) (m?V) peak to peak", words).groups()
        bench.levels_pp.append(float(value) * (1e-3 if unit == "mV" else 1.0))
        return ("", f"{bench.levels_pp[-1]:g}+-0.5%", "")[min(len(asked_for) - 1, 2)]

    monkeypatch.setattr("app.cli.source_check.open_address", lambda *_: bench)
    monkeypatch.setattr("app.cli.source_check.asked", person)
    monkeypatch.setattr("app.cli.source_check._tell", bench.tell)
    at_a_terminal(monkeypatch, "")
    assert main.run(GENERATOR) == 0
    told = capsys.readouterr().out
    assert "generator    125 kHz, up to 3 V peak to peak as stated" in told
    assert "taken as the same" not in told
    assert re.search(r"clips at a peak of .* within ± 1 %, by what was stated of", told)
    kept = read_proof(tmp_path / "inputs" / "Bench.toml")
    assert kept.detector.proved_hz == pytest.approx(load_profile("130mm-48tpi").carrier_hz)
    assert "a signal generator's carrier of 125 kHz" in kept.conditions
    # To hear the input alone afterwards tells less, and leaves it.
    bench._info = replace(bench.info, proof=kept)
    assert main.run(CHECK) == 0
    assert "as it was" in capsys.readouterr().out
    assert read_proof(tmp_path / "inputs" / "Bench.toml") == kept


@pytest.mark.parametrize("more", [[], ["--play", "bench"]])
def test_a_generator_wants_a_terminal_and_stands_alone(more, card, capsys, monkeypatch):
    if more:
        at_a_terminal(monkeypatch, "")
    else:
        monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert main.run([*GENERATOR, *more]) == 2
    assert "led by questions at a terminal" in capsys.readouterr().err


def test_nothing_is_played_before_it_is_allowed(card, capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("y\n"))
    assert main.run(PLAY) == 2
    assert "add --yes" in capsys.readouterr().err
    at_a_terminal(monkeypatch, "no\n")
    assert main.run(PLAY) == 2
    assert "nothing was played" in capsys.readouterr().err
    assert card.loudest == 0.0


@pytest.mark.slow
def test_where_tops_are_cut_is_told_and_kept(card, capsys, tmp_path):
    card.changes_to(replace(PARTS, drive_v=3.0, limit=0.7))
    assert main.run([*PLAY, "--yes"]) == 0
    told = capsys.readouterr().out
    assert re.search(r"cut +at 7\d\d mV, 70(\.\d)? % of full scale: the input's own stage", told)
    assert "straight " not in told
    assert read_proof(tmp_path / "inputs" / "Bench.toml").limit == pytest.approx(0.7, rel=0.01)


@pytest.mark.slow
def test_what_was_not_played_is_not_called_straight(card, capsys):
    assert main.run([*PLAY, "--yes", "--at-most", "60"]) == 0
    (line,) = (each for each in capsys.readouterr().out.splitlines() if each.startswith("straight"))
    assert line.endswith("the most that came; nothing is proved above")


def test_a_fault_is_one_sentence_and_nothing_is_kept(card, capsys, tmp_path):
    card.changes_to(Parts(kind="none", gains=(0.4,)))
    assert main.run([*PLAY, "--yes", "--quick"]) == 2
    assert "there is no detector in the path" in capsys.readouterr().err.splitlines()[-1]
    assert not (tmp_path / "inputs").exists()
    assert card.silenced


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        pytest.param(Parts(gains=(0.0,)), "check the cable", id="the cable is off"),
        pytest.param(Parts(drive_v=1e-9), "neither muted nor turned down", id="it is muted"),
        pytest.param(
            Parts(kind="precise", dead_v=0.0, gains=(4000.0,), noise=1e-3), "clips", id="it clips"
        ),
    ],
)
def test_bad_input_is_one_sentence_keeps_nothing_and_leaves_silence(
    card, capsys, tmp_path, parts, said
):
    card.changes_to(parts)
    assert main.run([*PLAY, "--yes", "--quick", "--meter", "0.3"]) == 2
    *told, fault = capsys.readouterr().err.splitlines()
    assert all(line.startswith("plays ") for line in told)
    assert fault.startswith("evenlobe: ")
    assert said in fault
    assert not (tmp_path / "inputs").exists()
    assert card.silenced
    assert len(card._waiting) == 0
