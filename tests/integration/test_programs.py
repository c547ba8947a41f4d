"""Real programs that write WAV to their standard output: sox, ffmpeg, arecord."""

import os
import shlex
import signal
import subprocess

import numpy as np
import pytest
import soundfile

from instruments.address import open_address
from instruments.source import SourceLost, SourceUnavailable

RATE_HZ = 96_000
VALUES = np.random.default_rng(11).integers(-30_000, 30_000, (20_000, 2)).astype(np.int16)
PATIENCE_S = 60.0


@pytest.fixture
def capture(tmp_path):
    path = tmp_path / "a capture.wav"
    soundfile.write(path, VALUES, RATE_HZ, "PCM_16")
    return shlex.quote(str(path))


def heard(source):
    source.open()
    try:
        return np.concatenate([block.samples_v for block in source.blocks() if block is not None])
    finally:
        source.close()


@pytest.mark.parametrize(
    "command",
    [
        "sox -q {} -t wav -",
        "sox -q {} -b 24 -t wav -",
        "sox -q {} -b 32 -t wav -",
        "sox -q {} -e floating-point -b 32 -t wav -",
        "ffmpeg -nostdin -loglevel error -i {} -f wav -",
        "ffmpeg -nostdin -i {} -c:a pcm_s24le -f wav -",
        "ffmpeg -nostdin -i {} -c:a pcm_s32le -f wav -",
        "ffmpeg -nostdin -i {} -c:a pcm_f32le -rf64 always -f wav -",
    ],
)
def test_samples_come_through_other_programs_bit_by_bit(command, capture):
    source = open_address(f"run:{command.format(capture)}")
    assert np.array_equal(heard(source), VALUES / np.float32(32768))
    assert source.info.sample_rate_hz == RATE_HZ
    assert source.info.live


def test_the_same_by_standard_input(capture):
    path = shlex.split(capture)[0]
    with subprocess.Popen(["sox", "-q", path, "-t", "wav", "-"], stdout=subprocess.PIPE) as sox:
        before = os.dup(0)
        os.dup2(sox.stdout.fileno(), 0)
        try:
            samples_v = heard(open_address("pipe:"))
        finally:
            os.dup2(before, 0)
            os.close(before)
    assert np.array_equal(samples_v, VALUES / np.float32(32768))


def test_a_recorder_that_never_ends_and_is_killed_can_be_started_again():
    source = open_address("run:arecord -q -D null -t wav -f S16_LE -c 2 -r 96000 -")
    source.open()
    assert (source.info.sample_rate_hz, len(source.info.roles)) == (RATE_HZ, 2)
    assert len(source.read(PATIENCE_S).samples_v) > 0
    os.kill(source._program._process.pid, signal.SIGKILL)
    with pytest.raises(SourceLost, match="“arecord”: it was ended by SIGKILL"):
        list(source.blocks())
    source.close()
    with pytest.raises(SourceUnavailable, match="started again in a second"):
        source.open()


def test_what_a_recorder_complains_of_is_told():
    source = open_address("run:arecord -D no-such-card -t wav -")
    with pytest.raises(SourceLost, match=r"ended with status 1 \(it wrote: .*(open|card|PCM)"):
        source.open()
    source.close()
