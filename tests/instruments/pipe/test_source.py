"""Raw frames through real pipes."""

import io
import os
import pty
import struct
import threading
import time

import numpy as np
import pytest
from scipy.io import wavfile

from instruments.pipe.frames import FrameForm
from instruments.pipe.source import PipeSource, StreamOptions, read_options
from instruments.source import (
    AddressError,
    FormatError,
    Role,
    SourceEnd,
    SourceLost,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
    parse_roles,
)

RATE_HZ = 100_000.0
PATIENCE_S = 30.0
RAW = StreamOptions(FrameForm(RATE_HZ, "int16", 1))


class Pipe:
    """A real pipe, and a source at its end."""

    def __init__(self, dtype="float32", channels=2, full_scale_v=None, roles=None):
        self.reading, self.writing = os.pipe()
        form = FrameForm(RATE_HZ, dtype, channels) if dtype else None
        options = StreamOptions(form, full_scale_v)
        self.source = PipeSource(options, SourceRequest(roles=roles), "pipe:", self.reading)

    def write(self, data):
        os.write(self.writing, data)

    def end(self):
        os.close(self.writing)
        self.writing = -1


@pytest.fixture
def piped():
    made = []

    def one(**settings):
        made.append(Pipe(**settings))
        return made[-1]

    yield one
    for pipe in made:
        pipe.source.close()
        for descriptor in (pipe.reading, pipe.writing):
            if descriptor >= 0:
                os.close(descriptor)


def take(source, frames):
    """Return so many frames, of as many blocks as they come in."""
    blocks = []
    while sum(len(block.samples_v) for block in blocks) < frames:
        blocks.append(source.read(PATIENCE_S))
    return np.concatenate([block.samples_v for block in blocks])


def test_float32_are_volts(piped):
    pipe = piped()
    pipe.source.open()
    pipe.write(struct.pack("<4f", 0.5, -0.25, 3.0, 0.125))
    block = pipe.source.read(PATIENCE_S)
    assert block.samples_v.tolist() == [[0.5, -0.25], [3.0, 0.125]]
    assert not block.uncalibrated
    info = pipe.source.info
    assert (info.roles, info.roles_from) == ((Role.PLUS, Role.MINUS), "default")
    assert (info.full_scale_v, info.notes, info.live) == (None, (), True)


def test_int16_without_a_scale_are_parts_of_one_volt_and_say_so(piped):
    pipe = piped(dtype="int16", channels=1)
    pipe.source.open()
    pipe.write(struct.pack("<3h", -32768, 16384, 256))  # little-endian
    block = pipe.source.read(PATIENCE_S)
    assert block.samples_v.tolist() == [[-1.0], [0.5], [256 / 32768]]
    assert block.uncalibrated
    assert pipe.source.info.full_scale_v == 1.0
    assert "relative" in pipe.source.info.notes[0]


@pytest.mark.parametrize(
    ("dtype", "form", "half"), [("int16", "<h", 16384), ("float32", "<f", 0.5)]
)
def test_full_scale_makes_volts(piped, dtype, form, half):
    pipe = piped(dtype=dtype, channels=1, full_scale_v=10.0)
    pipe.source.open()
    pipe.write(struct.pack(form, half))
    block = pipe.source.read(PATIENCE_S)
    assert block.samples_v.tolist() == [[5.0]]
    assert not block.uncalibrated
    assert pipe.source.info.full_scale_v == 10.0


@pytest.mark.parametrize("full_scale_v", [None, 1e-3])
def test_floats_that_no_sample_can_be_are_passed_on_as_none(piped, full_scale_v):
    pipe = piped(channels=1, full_scale_v=full_scale_v)
    pipe.source.open()
    pipe.write(struct.pack("<4f", 9e11, 1.1e12, -3e38, float("inf")))
    whole, *rest = take(pipe.source, 4).ravel().tolist()
    assert whole == pytest.approx(9e11 * (full_scale_v or 1.0))
    assert np.isnan(rest).all()


@pytest.mark.parametrize(
    ("strange", "breaks"), [(1.1e12, True), (float("nan"), False), (float("inf"), False)]
)
def test_behind_bytes_that_are_no_samples_nobody_knows_how_many_frames_came(piped, strange, breaks):
    pipe = piped(channels=2, roles=parse_roles("envelope,-"))
    pipe.source.open()
    told = []
    for frame in ((0.5, 0.5), (0.5, strange), (0.5, 0.5), (0.5, 0.5)):
        pipe.write(struct.pack("<2f", *frame))
        told.append(pipe.source.read(PATIENCE_S).gap_before)
    assert told == [False, breaks, breaks, False]


def test_roles_choose_the_columns(piped):
    pipe = piped(channels=4, roles=parse_roles("-,index,differential"))
    pipe.source.open()
    pipe.write(struct.pack("<8f", *range(8)))
    assert take(pipe.source, 2).tolist() == [[1.0, 2.0], [5.0, 6.0]]
    assert pipe.source.info.roles == (Role.INDEX, Role.DIFFERENTIAL)
    with pytest.raises(AddressError, match="2 columns, but it has 1 column"):
        piped(channels=1, roles=parse_roles("plus,minus"))


def test_frames_that_come_in_pieces_are_put_together(piped):
    pipe = piped()
    pipe.source.open()
    data = struct.pack("<6f", *range(6))
    for byte in data:
        pipe.write(bytes([byte]))
        time.sleep(0.001)
    assert take(pipe.source, 3).ravel().tolist() == [0, 1, 2, 3, 4, 5]


def test_part_of_a_frame_is_no_frame_yet(piped):
    pipe = piped()
    pipe.source.open()
    pipe.write(struct.pack("<f", 1.0))
    with pytest.raises(SourceTimeout):
        pipe.source.read(0.2)
    pipe.write(struct.pack("<f", 2.0))
    assert take(pipe.source, 1).tolist() == [[1.0, 2.0]]


def test_the_end_of_the_writer_is_the_end(piped):
    pipe = piped()
    pipe.source.open()
    pipe.write(bytes(80))
    pipe.end()
    assert len(take(pipe.source, 10)) == 10
    for _ in range(2):
        with pytest.raises(SourceEnd):
            pipe.source.read(PATIENCE_S)


def test_a_torn_last_frame_is_noticed(piped):
    pipe = piped()
    pipe.source.open()
    pipe.write(bytes(8 * 10 + 3))
    pipe.end()
    assert len(take(pipe.source, 10)) == 10
    for _ in range(2):
        with pytest.raises(FormatError, match="torn: 3 of its 8 bytes came; check dtype"):
            pipe.source.read(PATIENCE_S)


def test_a_writer_that_gives_nothing_is_told(piped):
    pipe = piped()
    pipe.source.open()
    pipe.end()
    with pytest.raises(FormatError, match="ended without a frame"):
        pipe.source.read(PATIENCE_S)


def test_opening_anew_begins_at_a_frame(piped):
    pipe = piped(channels=1)
    pipe.source.open()
    pipe.write(struct.pack("<3f", 1, 2, 3) + struct.pack("<f", 4)[:3])
    take(pipe.source, 3)
    with pytest.raises(SourceTimeout):
        pipe.source.read(0.2)
    pipe.source.close()
    pipe.source.open()
    pipe.write(struct.pack("<f", 4)[3:] + struct.pack("<f", 5))
    block = pipe.source.read(PATIENCE_S)
    assert block.samples_v.tolist() == [[5.0]]
    assert block.first_index == 0


def test_a_writer_waits_while_nobody_reads(piped):
    """What is held is bounded, and nothing of it is lost."""
    pipe = piped(channels=1)
    pipe.source.open()
    frames = 6_000_000
    data = np.arange(frames, dtype="<f4").tobytes()
    written = threading.Event()

    def write():
        view = memoryview(data)
        while view:
            view = view[os.write(pipe.writing, view) :]
        written.set()

    threading.Thread(target=write, name="writer", daemon=True).start()
    assert not written.wait(0.5)
    assert np.array_equal(take(pipe.source, frames)[:, 0], np.arange(frames, dtype="f4"))
    assert written.wait(PATIENCE_S)


def test_times_follow_a_writer_that_paused(piped):
    pipe = piped(channels=1)
    pipe.source.open()
    pipe.write(bytes(400))
    first = pipe.source.read(PATIENCE_S)
    time.sleep(0.3)  # far beyond what a busy reader is late by
    pipe.write(bytes(400))
    second = pipe.source.read(PATIENCE_S)
    assert second.first_index == 100
    assert not second.gap_before
    assert second.t0_s - first.t0_s > 0.05


def test_closing_ends_the_thread_though_the_writer_is_silent(piped):
    pipe = piped()
    for _ in range(20):
        pipe.source.open()
        pipe.source.close()
    assert not [thread for thread in threading.enumerate() if thread.name == "pipe-reader"]


def test_a_keyboard_is_no_pipe():
    master, slave = pty.openpty()
    source = PipeSource(RAW, SourceRequest(), "pipe:", slave)
    with pytest.raises(SourceUnavailable, match="keyboard; pipe a program's output in"):
        source.open()
    os.close(master)
    os.close(slave)


def test_a_descriptor_that_is_not_there(piped):
    pipe = piped()
    os.close(pipe.reading)
    pipe.reading = -1
    with pytest.raises(SourceUnavailable, match="no standard input"):
        pipe.source.open()


def test_a_folder_in_place_of_a_pipe_is_told(tmp_path):
    descriptor = os.open(tmp_path, os.O_RDONLY)
    source = PipeSource(RAW, SourceRequest(), "pipe:", descriptor)
    source.open()
    with pytest.raises(SourceLost, match="cannot be read"):
        source.read(PATIENCE_S)
    source.close()
    os.close(descriptor)


# A WAV that comes as a stream


def wav_bytes(values, rate=96_000):
    """Return a WAV as scipy writes it, with its lengths stated."""
    whole = io.BytesIO()
    wavfile.write(whole, rate, values)
    return whole.getvalue()


def test_a_wav_tells_its_own_form(piped):
    values = np.array([[16384, -16384], [8192, 0]], "<i2")
    pipe = piped(dtype=None)
    pipe.write(wav_bytes(values))
    pipe.source.open()
    info = pipe.source.info
    assert (info.sample_rate_hz, info.bandwidth_hz) == (96_000, 48_000)
    assert (info.roles, info.full_scale_v) == ((Role.PLUS, Role.MINUS), 1.0)
    assert "relative" in info.notes[0]
    block = pipe.source.read(PATIENCE_S)
    assert block.samples_v.tolist() == [[0.5, -0.5], [0.25, 0.0]]
    assert block.uncalibrated
    assert block.sample_rate_hz == 96_000
    pipe.end()
    with pytest.raises(SourceEnd):
        pipe.source.read(PATIENCE_S)


def test_full_scale_makes_volts_of_a_wav(piped):
    pipe = piped(dtype=None, full_scale_v=4.0)
    pipe.write(wav_bytes(np.array([0.5, -0.25], "<f4")))
    pipe.source.open()
    block = pipe.source.read(PATIENCE_S)
    assert block.samples_v.tolist() == [[2.0], [-1.0]]
    assert not block.uncalibrated
    assert pipe.source.info.full_scale_v == 4.0


def test_a_float_wav_without_a_scale_is_relative_and_not_said_to_clip(piped):
    pipe = piped(dtype=None)
    pipe.write(wav_bytes(np.array([1.5, -0.25], "<f4")))
    pipe.source.open()
    assert pipe.source.read(PATIENCE_S).uncalibrated
    assert pipe.source.info.full_scale_v is None


def test_a_wav_that_is_opened_anew_goes_on_at_a_frame(piped):
    endless = bytearray(wav_bytes(np.arange(1, 3, dtype="<i2")))
    endless[40:44] = bytes(4)
    pipe = piped(dtype=None)
    pipe.write(endless)
    pipe.source.open()
    take(pipe.source, 2)
    pipe.write(b"\x03")
    with pytest.raises(SourceTimeout):
        pipe.source.read(0.2)
    pipe.source.close()
    pipe.source.open()
    pipe.write(b"\x00" + struct.pack("<h", 4))
    block = pipe.source.read(PATIENCE_S)
    assert (block.samples_v * 32768).tolist() == [[4.0]]
    assert block.first_index == 0


def test_another_wav_of_the_same_form_follows_after_a_gap(piped):
    one = wav_bytes(np.array([1, 2], "<i2"))
    pipe = piped(dtype=None)
    pipe.write(one)
    pipe.source.open()
    assert not pipe.source.read(PATIENCE_S).gap_before
    pipe.write(one)
    block = pipe.source.read(PATIENCE_S)
    assert block.gap_before
    assert block.first_index == 2
    assert (block.samples_v * 32768).tolist() == [[1.0], [2.0]]


def test_a_stream_that_changes_its_rate_is_refused(piped):
    pipe = piped(dtype=None)
    pipe.write(wav_bytes(np.array([1, 2], "<i2")))
    pipe.source.open()
    pipe.source.read(PATIENCE_S)
    pipe.write(wav_bytes(np.array([1, 2], "<i2"), rate=48_000))
    with pytest.raises(
        FormatError, match="changed from 1 × int16 at 96000 Hz to 1 × int16 at 48000 Hz; open it"
    ):
        pipe.source.read(PATIENCE_S)


def test_what_is_no_wav_is_refused_with_both_remedies(piped):
    pipe = piped(dtype=None)
    pipe.write(bytes(64))
    with pytest.raises(FormatError, match="no WAV; let the program write WAV, or state"):
        pipe.source.open()


def test_a_program_that_writes_nothing_is_not_waited_for_for_ever(piped, monkeypatch):
    monkeypatch.setattr(PipeSource, "silence_s", 0.1)
    pipe = piped(dtype=None)
    with pytest.raises(SourceUnavailable, match=r"no WAV came within 0\.1 s"):
        pipe.source.open()


def test_an_end_within_the_header_is_told(piped):
    pipe = piped(dtype=None)
    pipe.write(wav_bytes(np.array([1, 2], "<i2"))[:30])
    pipe.end()
    with pytest.raises(FormatError, match="ended without a frame"):
        pipe.source.open()


# The options


def test_without_the_form_a_wav_is_awaited():
    assert read_options("pipe:", {}) == StreamOptions(None, None)
    assert read_options("pipe:", {"full_scale_v": "2"}) == StreamOptions(None, 2.0)


@pytest.mark.parametrize("missing", ["rate", "dtype", "channels"])
def test_part_of_the_form_is_not_enough(missing):
    options = {"rate": "48000", "dtype": "int24", "channels": "8"}
    assert read_options("pipe:", options).form == FrameForm(48_000.0, "int24", 8)
    del options[missing]
    with pytest.raises(AddressError, match=f"“{missing}” is missing"):
        read_options("pipe:", options)
