"""The command check-source, on captures and on a live source whose clock is off."""

import json
import re

import numpy as np
import pytest
import soundfile

from app.cli import main
from app.live.source_check import check_quiet
from instruments.source import Block, Role, Source, SourceInfo, SourceTimeout

RATE_HZ = 48_000


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
    assert told["limits_um"]["noise"] == pytest.approx(178.0 * balance_u, rel=0.03)


def test_a_turning_drive_is_no_quiet_input(capsys):
    assert main.run(["check-source", "sim:", "--seconds", "1"]) == 3
    assert "stop the drive's motor" in capsys.readouterr().out


def test_too_short_a_capture_is_said(tmp_path, capsys):
    write(tmp_path / "short.wav", [np.zeros(100)])
    assert main.run(["check-source", str(tmp_path / "short.wav")]) == 3
    assert "listen longer" in capsys.readouterr().out


@pytest.mark.parametrize("words", [["nowhere.wav"], ["sim:", "--roles", "left"], []])
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


def test_the_clock_of_a_live_input_is_told():
    source = Ticking(80e-6)
    found = check_quiet(source, 60.0, clock=lambda: source.now_s)
    assert found.is_quiet
    assert found.full_scale_v == 1.0  # relative volts: parts of full scale
    assert found.clock is not None
    assert 1e6 * found.clock.fast_part == pytest.approx(80.0, abs=2e6 * found.clock.u_part + 5.0)
    assert found.system_u_part > 0.0
