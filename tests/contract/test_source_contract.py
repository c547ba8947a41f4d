"""One suite for every source. A new kind of source joins by a line in `SOURCES`."""

import dataclasses
import itertools
import os
import shlex
import sys
import threading
import time
import weakref
from contextlib import suppress

import numpy as np
import pytest
from scipy.io import wavfile

from instruments.address import open_address
from instruments.pipe.frames import FrameForm
from instruments.pipe.source import PipeSource, StreamOptions
from instruments.sound.portaudio import PortAudio
from instruments.sound.source import SoundSource, read_options
from instruments.source import (
    Block,
    PracticeControls,
    Source,
    SourceEnd,
    SourceError,
    SourceInfo,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
    check_roles,
)
from instruments.virtual.scope import ScopeServer
from tests.instruments.scope.faultcase import new_scope
from tests.instruments.sound.fakesound import FakeSound

PATIENCE_S = 30.0


def wav(folder):
    path = folder / "capture.wav"
    wavfile.write(path, 96_000, np.random.default_rng(1).normal(size=(600_000, 3)).astype("f4"))
    return open_address(str(path))


def integer_wav(folder):
    path = folder / "capture.wav"
    values = np.random.default_rng(1).integers(-9000, 9000, (600_000, 2), np.int16)
    wavfile.write(path, 96_000, values)
    return open_address(str(path))


def csv(folder):
    """Times in which samples 700 to 899 are missing."""
    path = folder / "capture.csv"
    frames = [*range(700), *range(900, 1500)]
    rows = (f"{k * 1e-6:.6f},{k / 8},{-k / 8}\n" for k in frames)
    path.write_text("t (s),plus,minus\n" + "".join(rows))
    return open_address(f"file:{path}")


def virtual_drive(_folder):
    return open_address("sim:offset_um=20&seed=3", SourceRequest(paced=False))


def paced_virtual_drive(_folder):
    return open_address("sim:", SourceRequest(paced=True))


def sound_input(_folder):
    """A scripted PortAudio; tests/integration has a real one."""
    options = read_options("sound:", {}, SourceRequest())
    return SoundSource("", options, "sound:", portaudio=PortAudio(FakeSound(live=True)))


def piped_frames(_folder):
    """A real pipe, and somebody who writes at the stated rate for as long as it is read."""
    reading, writing = os.pipe()
    options = StreamOptions(FrameForm(rate_hz=20_000, dtype="float32", channels=2))
    source = PipeSource(options, SourceRequest(), "pipe:", reading)
    weakref.finalize(source, os.close, reading)

    def write():
        piece = np.random.default_rng(1).normal(size=(200, 2)).astype("<f4").tobytes()
        with suppress(BrokenPipeError):
            while True:
                os.write(writing, piece)
                time.sleep(0.01)
        os.close(writing)

    threading.Thread(target=write, name="writer", daemon=True).start()
    return source


def program(_folder):
    """A program that writes at the stated rate for as long as somebody reads it."""
    code = (
        "import sys, time\nwhile True: sys.stdout.buffer.write(bytes(1600)); "
        "sys.stdout.flush(); time.sleep(0.01)"
    )
    command = f"{shlex.quote(sys.executable)} -S -c {shlex.quote(code)}"
    return open_address(f"run:{command}?rate=20000&dtype=float32&channels=2")


def scope(_folder):
    """A virtual scope on a real socket; its records are blocks, each after a gap."""
    virtual = new_scope("A2")
    server = ScopeServer(virtual, "socket", port=0)
    source = open_address(f"visa:{server.address}")
    weakref.finalize(source, virtual.close)
    weakref.finalize(source, server.close)
    return source


SOURCES = (
    wav,
    integer_wav,
    csv,
    virtual_drive,
    paced_virtual_drive,
    sound_input,
    piped_frames,
    program,
    scope,
)
REPEATABLE = (wav, integer_wav, csv)
PACED = (paced_virtual_drive, sound_input, piped_frames, program)


@pytest.fixture(params=SOURCES, ids=lambda make: make.__name__)
def make(request, tmp_path):
    return lambda: request.param(tmp_path)


@pytest.fixture
def source(make):
    source = make()
    yield source
    source.close()


def take(source, count):
    """Return up to `count` blocks; fewer when a finite source ends."""
    blocks = []
    with suppress(SourceEnd):
        while len(blocks) < count:
            blocks.append(source.read(PATIENCE_S))
    return blocks


# Opening and closing


def test_it_is_a_source_and_tells_what_else_it_can(source):
    assert isinstance(source, Source)
    assert source.controls is None or isinstance(source.controls, PracticeControls)
    assert all(len(setting) == 2 for setting in source.settings)


def test_closing_is_harmless_at_any_time(source):
    source.close()
    source.close()
    source.open()
    take(source, 1)
    source.close()
    source.close()


def test_reading_a_closed_source_is_refused(source):
    with pytest.raises(SourceUnavailable):
        source.read(0.0)
    source.open()
    take(source, 1)
    source.close()
    with pytest.raises(SourceUnavailable):
        source.read(0.0)


def test_it_opens_again_after_closing_early(source):
    for _ in range(3):
        source.open()
        blocks = take(source, 1)
        assert blocks[0].first_index == 0
        assert blocks[0].gap_before == (not source.info.continuous)
        source.close()


@pytest.mark.parametrize("make_it", REPEATABLE, ids=lambda make: make.__name__)
def test_a_capture_gives_the_same_each_time(make_it, tmp_path):
    source = make_it(tmp_path)
    runs = []
    for _ in range(2):
        source.open()
        runs.append(take(source, 100))
        source.close()
    first, again = runs
    assert len(first) == len(again) > 1
    for one, other in zip(first, again, strict=True):
        assert one.first_index == other.first_index
        assert one.gap_before == other.gap_before
        assert np.array_equal(one.samples_v, other.samples_v)


# What an open source tells


def test_info_is_complete_once_open(source):
    source.open()
    info = source.info
    assert isinstance(info, SourceInfo)
    assert info.name
    check_roles(info.roles, info.name)
    assert len(set(info.roles)) == len(info.roles)
    assert info.roles_from in ("given", "file", "default")
    assert info.sample_rate_hz > 0
    assert info.bandwidth_hz > 0
    # Peak detect keeps the extremes of what it does not keep the samples of.
    assert info.bandwidth_hz <= info.sample_rate_hz / 2 or not info.continuous
    assert info.low_corner_hz is None or info.low_corner_hz >= 0
    assert info.length_frames is None or info.length_frames > 0
    assert info.full_scale_v is None or info.full_scale_v > 0
    assert all(note.endswith(".") for note in info.notes)
    assert (info.length_frames is None) or not info.live


def test_info_does_not_change_while_open(source):
    source.open()
    before = source.info
    take(source, 2)
    assert source.info == before


# Blocks


def test_blocks_are_float32_volts_one_column_a_role(source):
    source.open()
    for block in take(source, 4):
        samples = block.samples_v
        assert isinstance(block, Block)
        assert samples.dtype == np.float32
        assert samples.flags.c_contiguous
        assert samples.ndim == 2
        assert samples.shape[0] > 0
        assert samples.shape[1] == len(source.info.roles)
        assert block.sample_rate_hz == source.info.sample_rate_hz
        with pytest.raises(dataclasses.FrozenInstanceError):
            block.first_index = 5


def test_frames_are_counted_and_what_is_missing_is_flagged(source):
    source.open()
    blocks = take(source, 8)
    assert len(blocks) > 1
    for before, after in itertools.pairwise(blocks):
        lost = after.first_index - before.first_index - len(before.samples_v)
        assert lost >= 0
        assert after.gap_before or lost == 0
        expected = (after.first_index - before.first_index) / before.sample_rate_hz
        assert after.gap_before or after.t0_s - before.t0_s == pytest.approx(expected, abs=1e-6)


def test_a_block_belongs_to_who_has_it(make):
    source = make()
    source.open()
    first = take(source, 1)[0]
    kept = first.samples_v.copy()
    second = take(source, 1)[0]
    assert np.array_equal(first.samples_v, kept, equal_nan=True)
    assert not np.shares_memory(first.samples_v, second.samples_v)
    untouched = second.samples_v.copy()
    first.samples_v[:] = 99.0
    assert np.array_equal(second.samples_v, untouched, equal_nan=True)
    source.close()
    assert np.array_equal(second.samples_v, untouched, equal_nan=True)


@pytest.mark.parametrize("make_it", REPEATABLE, ids=lambda make: make.__name__)
def test_spoiling_a_block_does_not_spoil_the_capture(make_it, tmp_path):
    source = make_it(tmp_path)
    source.open()
    first = source.read(0.0)
    kept = first.samples_v.copy()
    first.samples_v[:] = 99.0
    source.close()
    source.open()
    assert np.array_equal(source.read(0.0).samples_v, kept)
    source.close()


# Time-outs, ends and faults


@pytest.mark.parametrize("make_it", PACED, ids=lambda make: make.__name__)
def test_a_time_out_leaves_the_source_open(make_it, tmp_path):
    source = make_it(tmp_path)
    source.open()
    blocks = take(source, 1)

    def hurry():
        while True:
            blocks.append(source.read(0.0))

    with pytest.raises(SourceTimeout):
        hurry()
    following = source.read(PATIENCE_S)
    assert following.first_index >= blocks[-1].first_index + len(blocks[-1].samples_v)
    source.close()


def test_a_read_that_may_not_wait_gives_a_block_or_times_out(source):
    source.open()
    with suppress(SourceTimeout):
        assert isinstance(source.read(0.0), Block)
    assert isinstance(source.read(PATIENCE_S), Block)


@pytest.mark.parametrize("make_it", REPEATABLE, ids=lambda make: make.__name__)
def test_a_finite_source_says_that_it_has_ended_and_goes_on_saying_so(make_it, tmp_path):
    source = make_it(tmp_path)
    source.open()
    blocks = take(source, 1000)
    last = blocks[-1]
    assert last.first_index + len(last.samples_v) == source.info.length_frames
    for _ in range(3):
        with pytest.raises(SourceEnd):
            source.read(PATIENCE_S)
    source.close()


@pytest.mark.parametrize("make_it", REPEATABLE, ids=lambda make: make.__name__)
def test_its_blocks_are_those_that_it_reads_and_come_to_an_end(make_it, tmp_path):
    source = make_it(tmp_path)
    source.open()
    read = take(source, 1000)
    source.open()
    blocks = list(source.blocks())
    assert [block.first_index for block in blocks] == [block.first_index for block in read]
    assert sum(len(block.samples_v) for block in blocks) == sum(
        len(block.samples_v) for block in read
    )
    source.close()


def test_closing_from_another_thread_ends_the_reading(source):
    source.open()
    started = threading.Event()
    errors = []

    def read_on():
        try:
            while True:
                source.read(PATIENCE_S)
                started.set()
        except BaseException as error:
            errors.append(error)
            started.set()

    reader = threading.Thread(target=read_on, name="reader")
    reader.start()
    assert started.wait(PATIENCE_S)
    closer = threading.Thread(target=source.close, name="closer")
    closer.start()
    closer.join(2.0)  # the protocol's bound
    assert not closer.is_alive()
    reader.join(PATIENCE_S)
    assert not reader.is_alive()
    assert isinstance(errors[0], SourceError)
    assert not isinstance(errors[0], SourceTimeout)
