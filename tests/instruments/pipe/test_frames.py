"""Bytes to frames, against files that libsndfile and scipy write, cut anywhere."""

import io
import struct

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from scipy.io import wavfile

from instruments.pipe.frames import DTYPES, FrameForm, RawFrames, WavFrames
from instruments.source import FormatError

RATE_HZ = 44_100
SUBTYPES = {"int16": "PCM_16", "int24": "PCM_24", "int32": "PCM_32", "float32": "FLOAT"}
VALUES = np.random.default_rng(5).uniform(-1, 1, (37, 3))


def written(dtype, container="WAV"):
    """Return a file as libsndfile writes it, and what it reads in it."""
    file = io.BytesIO()
    soundfile.write(file, VALUES, RATE_HZ, SUBTYPES[dtype], format=container)
    data = file.getvalue()
    samples, _ = soundfile.read(io.BytesIO(data), dtype="float64", always_2d=True)
    return data, samples.astype(np.float32)


def pieces(data, sizes):
    at = 0
    for size in sizes:
        yield data[at : at + size]
        at += size
    yield data[at:]


def frames_of(reader, parts):
    data = b"".join(reader.take(part) for part in parts)
    return reader.form.samples(data)


@pytest.mark.parametrize("dtype", DTYPES)
@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
def test_samples_are_those_that_libsndfile_reads(dtype, container):
    data, expected = written(dtype, container)
    reader = WavFrames()
    assert np.array_equal(frames_of(reader, [data]), expected)
    assert reader.form == FrameForm(RATE_HZ, dtype, 3)
    assert reader.torn == 0


@given(st.sampled_from(sorted(DTYPES)), st.lists(st.integers(0, 40), max_size=60))
def test_it_matters_nothing_where_the_bytes_are_cut(dtype, sizes):
    data, expected = written(dtype)
    assert np.array_equal(frames_of(WavFrames(), pieces(data, sizes)), expected)


@pytest.mark.parametrize("stated", [0, 0x7FFF0000, 0x7FFFF000, 0x80000000, 0xFFFFFFFF])
@pytest.mark.parametrize("more", [16, 18, 40])
def test_lengths_that_cannot_be_known_are_passed_over(stated, more):
    form = struct.pack("<HHIIHH", 1 if more < 40 else 0xFFFE, 2, RATE_HZ, 4 * RATE_HZ, 4, 16)
    rest = struct.pack("<HHIH", 22, 16, 3, 1) + bytes(14) if more == 40 else bytes(more - 16)
    data = b"RIFF" + struct.pack("<I", stated) + b"WAVEfmt " + struct.pack("<I", more) + form + rest
    data += b"data" + struct.pack("<I", stated)
    reader = WavFrames()
    assert reader.take(data) == b""
    assert reader.form == FrameForm(RATE_HZ, "int16", 2)
    assert reader.take(bytes(5)) == bytes(4)
    assert reader.torn == 1
    assert not reader.joined


def test_what_follows_the_stated_end_is_no_sample():
    data, expected = written("int16")
    reader = WavFrames()
    trailer = b"LIST" + struct.pack("<I", 4) + b"INFO"
    assert np.array_equal(frames_of(reader, [data + trailer]), expected)
    assert reader.torn == 0
    again = reader.take(data)
    assert np.array_equal(reader.form.samples(again), expected)
    assert reader.joined
    assert reader.take(b"") == b""
    assert not reader.joined


def test_an_odd_number_of_bytes_is_filled_up():
    file = io.BytesIO()
    soundfile.write(file, np.full((1, 1), 0.5), RATE_HZ, "PCM_24", format="WAV")
    data = file.getvalue()
    assert len(data) % 2 == 0
    reader = WavFrames()
    assert reader.take(data + data) == 2 * bytes([0, 0, 0x40])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: b"RIFX" + d[4:], "no WAV"),
        (lambda d: d[:8] + b"AVI " + d[12:], "no WAV"),
        (lambda d: d[:20] + b"\x07\x00" + d[22:], "16 bits .format 0x0007"),
        (lambda d: d[:34] + b"\x08\x00" + d[36:], "8 bits"),
        (lambda d: d[:32] + b"\x05\x00" + d[34:], "frames of 5 bytes"),
        (lambda d: d[:22] + b"\x00\x00" + d[24:32] + b"\x00\x00" + d[34:], "0 channels"),
        (lambda d: d[:22] + b"\x09\x00" + d[24:32] + b"\x12\x00" + d[34:], "9 channels"),
        (lambda d: d[:24] + struct.pack("<I", 999) + d[28:], "at 999 Hz"),
        (lambda d: d[:12] + d[36:], "before their format"),
        (lambda d: d[:12] + b"JUNK\x01\x00\x10\x00" + d[12:], "header of its WAV is damaged"),
        (lambda d: d[:16] + b"\x0e\x00\x00\x00" + d[20:34] + d[36:], "too short"),
    ],
)
def test_what_is_not_read_is_said(change, said):
    file = io.BytesIO()
    wavfile.write(file, RATE_HZ, np.zeros((4, 2), "<i2"))
    with pytest.raises(FormatError, match=said):
        WavFrames().take(change(file.getvalue()))


@given(st.binary(max_size=200))
def test_no_bytes_are_more_than_a_fault(data):
    reader = WavFrames()
    try:
        whole = reader.take(b"RIFF\0\0\0\0WAVE" + data)
    except FormatError:
        return
    assert reader.form is not None or not whole


@given(st.lists(st.integers(1, 30), max_size=20), st.integers(0, 40))
def test_after_bytes_that_nobody_saw_frames_begin_at_a_frame(sizes, lost):
    form = FrameForm(1e5, "int16", 3)
    values = np.arange(600, dtype="<i2").reshape(-1, 3)
    data = values.tobytes()
    reader = RawFrames(form)
    for part in pieces(data[: sum(sizes)], sizes):
        reader.take(part)
    reader.lose(lost)
    rest = reader.take(data[sum(sizes) + lost :])
    found = np.frombuffer(rest, "<i2").reshape(-1, 3)
    first = -(-(sum(sizes) + lost) // form.frame_bytes)
    assert np.array_equal(found, values[first : first + len(found)])
    assert len(found) == len(values) - first


def test_losing_part_of_a_header_is_a_fault():
    data, _ = written("int16")
    reader = WavFrames()
    reader.take(data[:20])
    reader.lose(0)
    with pytest.raises(FormatError, match="part of a header was lost"):
        reader.lose(1)


def test_of_a_stated_length_no_more_than_that_can_be_lost():
    data, expected = written("int16")
    reader = WavFrames()
    reader.take(data[:-12])
    reader.lose(6)
    assert np.array_equal(reader.form.samples(reader.take(data[-6:])), expected[-1:])
    reader = WavFrames()
    reader.take(data[:-12])
    with pytest.raises(FormatError, match="start the program that writes again"):
        reader.lose(13)
