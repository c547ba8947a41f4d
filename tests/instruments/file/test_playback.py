"""WAV and RF64 captures: what is read, told and refused.

The other library is scipy.io.wavfile; layouts are those of RIFF (Multimedia Programming Interface
and Data Specifications 1.0) and of EBU Tech 3306, put together here byte by byte.
"""

import os
import struct

import numpy as np
import pytest
import soundfile
from scipy.io import wavfile

from instruments.file.source import FileSource
from instruments.source import (
    AddressError,
    FormatError,
    Role,
    SourceEnd,
    SourceLost,
    SourceUnavailable,
)
from tests.instruments.file.captures import FIXTURES, fixture_table, read_all, samples_of

RATE_HZ = 96_000


def wave(frames=1000, channels=2):
    return np.random.default_rng(7).uniform(-0.9, 0.9, (frames, channels)).astype(np.float32)


def riff(samples, *, data_bytes=None, riff_bytes=None, form=None, before=b"", after=b""):
    """Return a float WAV file's bytes, each size as asked for."""
    channels, body = samples.shape[1], samples.astype("<f4").tobytes()
    if form is None:
        form = struct.pack("<HHIIHH", 3, channels, RATE_HZ, RATE_HZ * 4, 4 * channels, 32)
    head = b"WAVEfmt " + struct.pack("<I", len(form)) + form + before + b"data"
    size = len(body) if data_bytes is None else data_bytes
    whole = len(head) + 4 + len(body) + len(after)
    outer = whole if riff_bytes is None else riff_bytes
    return b"RIFF" + struct.pack("<I", outer) + head + struct.pack("<I", size) + body + after


def refused(path, error=FormatError, roles=None):
    """Return the message with which a capture is refused."""
    with pytest.raises(error) as caught:
        read_all(path, roles)
    message = str(caught.value)
    assert "\n" not in message
    return message


# What is read


def test_float_samples_are_volts_as_scipy_reads_them(tmp_path):
    path = tmp_path / "float.wav"
    wavfile.write(path, RATE_HZ, 3 * wave())
    info, blocks = read_all(path)
    rate_hz, reference = wavfile.read(path)
    assert np.array_equal(blocks[0].samples_v, reference)
    assert (info.sample_rate_hz, info.length_frames) == (rate_hz, 1000)
    assert info.bandwidth_hz == rate_hz / 2
    assert (info.live, info.continuous, info.virtual, info.notes) == (False, True, False, ())
    assert not blocks[0].uncalibrated


@pytest.mark.parametrize(
    ("subtype", "step"),
    [("PCM_U8", 2**-7), ("PCM_16", 2**-15), ("PCM_24", 2**-23), ("PCM_32", 2**-23)],
)
def test_integers_are_parts_of_full_scale(tmp_path, subtype, step):
    path = tmp_path / "integers.wav"
    soundfile.write(path, wave(), RATE_HZ, subtype=subtype)
    info, blocks = read_all(path)
    assert np.abs(blocks[0].samples_v - wave()).max() <= step
    assert info.full_scale_v == 1.0
    assert "full scale is taken as 1 V" in info.notes[0]
    assert blocks[0].uncalibrated


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.int32])
def test_integers_that_scipy_wrote(tmp_path, dtype):
    path = tmp_path / "scipy.wav"
    limits = np.iinfo(dtype)
    values = np.array([[limits.min, 0], [limits.max, 5]], dtype)
    wavfile.write(path, RATE_HZ, values)
    middle = 128 if dtype is np.uint8 else 0
    scale = 2.0 ** (limits.bits - 1)
    expected = ((values.astype(float) - middle) / scale).astype(np.float32)
    assert np.array_equal(samples_of(path), expected)


def test_a_stated_full_scale_makes_integers_volts(tmp_path):
    path = tmp_path / "integers.wav"
    wavfile.write(path, RATE_HZ, np.array([[16384, -32768]], np.int16))
    info, blocks = read_all(f"file:{path}?full_scale_v=2.5")
    assert blocks[0].samples_v.tolist() == [[1.25, -2.5]]
    assert info.full_scale_v == 2.5
    assert info.notes == ()
    assert not blocks[0].uncalibrated


def test_double_precision_and_what_is_no_number(tmp_path):
    path = tmp_path / "double.wav"
    values = np.array([[0.1, np.nan], [np.inf, -np.inf], [1e300, -2.0]])
    wavfile.write(path, RATE_HZ, values)
    expected = np.array([[0.1, np.nan], [np.inf, -np.inf], [np.inf, -2.0]], np.float32)
    assert np.array_equal(samples_of(path), expected, equal_nan=True)


def test_big_endian_files_are_read(tmp_path):
    path = tmp_path / "big.wav"
    values = wave()
    form = struct.pack(">HHIIHH", 3, 2, RATE_HZ, RATE_HZ * 8, 8, 32)
    body = values.astype(">f4").tobytes()
    head = b"WAVEfmt " + struct.pack(">I", 16) + form + b"data" + struct.pack(">I", len(body))
    path.write_bytes(b"RIFX" + struct.pack(">I", len(head) + len(body)) + head + body)
    assert np.array_equal(samples_of(path), values)


def test_blocks_follow_one_another_and_then_end(tmp_path):
    path = tmp_path / "long.wav"
    values = wave(600_000, 1)
    wavfile.write(path, RATE_HZ, values)
    _, blocks = read_all(path)
    assert [block.first_index for block in blocks] == [0, 262_144, 524_288]
    assert np.array_equal(np.concatenate([block.samples_v for block in blocks]), values)
    steps = np.diff([block.t0_s for block in blocks])
    assert steps == pytest.approx([262_144 / RATE_HZ] * 2)


def test_every_fixture_of_the_family():
    assert np.array_equal(samples_of(FIXTURES / "long-form.wav"), np.float32(fixture_table(3)))
    assert np.abs(samples_of(FIXTURES / "integers.wav") - fixture_table(2)).max() < 2**-15


# Which column is what


def test_columns_are_chosen_and_skipped(tmp_path):
    path = tmp_path / "four.wav"
    wavfile.write(path, RATE_HZ, wave(channels=4))
    info, blocks = read_all(path, "-,index,minus,plus")
    assert info.roles == (Role.INDEX, Role.MINUS, Role.PLUS)
    assert info.roles_from == "given"
    assert np.array_equal(blocks[0].samples_v, wave(channels=4)[:, 1:])
    assert blocks[0].samples_v.flags.c_contiguous


@pytest.mark.parametrize(
    ("channels", "roles"),
    [
        (1, "differential"),
        (2, "plus,minus"),
        (3, "plus,minus,index"),
        (5, "plus,minus,index"),
    ],
)
def test_roles_that_nobody_named(tmp_path, channels, roles):
    path = tmp_path / "capture.wav"
    wavfile.write(path, RATE_HZ, wave(channels=channels))
    info, blocks = read_all(path)
    assert ",".join(info.roles) == roles
    assert info.roles_from == "default"
    assert blocks[0].samples_v.shape == (1000, len(info.roles))


def test_more_roles_than_columns(tmp_path):
    path = tmp_path / "one.wav"
    wavfile.write(path, RATE_HZ, wave(channels=1))
    message = refused(path, AddressError, "plus,minus")
    assert message == (
        f"capture “{path}”: the roles name 2 columns, but it has 1 column; name no more than it has"
    )


# Files that are cut, or were never finished


def test_a_truncated_file_is_refused_with_both_counts(tmp_path):
    assert "the file is truncated: 275 of 400 frames are there; copy or record it again" in refused(
        FIXTURES / "truncated.wav"
    )
    path = tmp_path / "cut.wav"
    soundfile.write(path, wave(), RATE_HZ, subtype="PCM_24", format="RF64")
    os.truncate(path, path.stat().st_size - 1)
    assert "999 of 1000 frames" in refused(path)


@pytest.mark.parametrize(
    ("riff_bytes", "data_bytes"),
    [
        (0, 0),
        (8, 0),
        (0xFFFFFFFF, 0xFFFFFFFF),
        (0xFFFFFFFF, 0xFFFFFFFF - 36),
        (0x7FFFF024, 0x7FFFF000),
    ],
)
def test_a_file_that_was_never_finished_is_read_whole(tmp_path, riff_bytes, data_bytes):
    path = tmp_path / "streamed.wav"
    path.write_bytes(riff(wave(), riff_bytes=riff_bytes, data_bytes=data_bytes) + b"\1\2\3")
    info, blocks = read_all(path)
    assert np.array_equal(blocks[0].samples_v, wave())
    assert info.notes == (
        "The file was never finished by its recorder; all that is there is read.",
    )


@pytest.mark.parametrize("sizes", [bytes(16), b"\xff" * 16])
def test_an_rf64_file_that_was_never_finished(tmp_path, sizes):
    path = tmp_path / "streamed.wav"
    soundfile.write(path, wave(), RATE_HZ, subtype="FLOAT", format="RF64")
    content = bytearray(path.read_bytes())
    content[20:36] = sizes
    path.write_bytes(content)
    info, blocks = read_all(path)
    assert np.array_equal(blocks[0].samples_v, wave())
    assert "never finished" in info.notes[0]


def test_an_rf64_file_beyond_4_gib(tmp_path):
    path = tmp_path / "long.wav"
    soundfile.write(path, wave(), RATE_HZ, subtype="FLOAT", format="RF64")
    content = bytearray(path.read_bytes())
    data_at = content.index(b"data") + 8
    frames = 700_000_000  # 5.6 GB of samples, of which the file system stores few
    content[20:36] = struct.pack("<QQ", data_at - 8 + frames * 8, frames * 8)
    path.write_bytes(content)
    os.truncate(path, data_at + frames * 8)
    source = FileSource(str(path))
    source.open()
    assert source.info.length_frames == frames
    assert np.array_equal(source.read(0.0).samples_v[:1000], wave())
    source.close()
    os.truncate(path, data_at + frames * 4)
    assert f"350000000 of {frames} frames" in refused(path)


def test_samples_beyond_the_stated_end_are_told(tmp_path):
    path = tmp_path / "more.wav"
    path.write_bytes(riff(wave()) + bytes(100_000))
    info, blocks = read_all(path)
    assert len(blocks[0].samples_v) == 1000
    assert "100000 bytes after its stated end" in info.notes[0]


def test_a_file_that_shrinks_while_it_is_read(tmp_path):
    path = tmp_path / "shrinking.wav"
    wavfile.write(path, RATE_HZ, wave(600_000))
    source = FileSource(str(path))
    source.open()
    source.read(0.0)
    os.truncate(path, 2_500_000)
    with pytest.raises(SourceLost, match="became shorter"):
        source.read(0.0)
    source.close()


# What is refused


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"RIFF\x10\0", "truncated within its header"),
        (riff(wave())[:40], "holds no samples"),
        (riff(wave())[:30], "truncated within its header"),
        (riff(wave(0)), "holds no samples"),
        (riff(wave(0), after=b"LIST\x04\0\0\0INFO"), "holds no samples"),
        (b"RIFF\x04\0\0\0AVI ", "kind “AVI”, not WAV"),
        (riff(wave(), form=struct.pack("<HHIIHH", 3, 0, 9, 9, 0, 32)), "names no channels"),
        (riff(wave(), form=struct.pack("<HHIIHH", 3, 2, 0, 0, 8, 32)), "sample rate of 0"),
        (riff(wave(), form=struct.pack("<HHIIHH", 2, 2, 9, 9, 8, 4)), "compressed"),
        (riff(wave(), form=struct.pack("<HHIIHH", 1, 2, 9, 9, 3, 12)), "12 bits"),
        (riff(wave(), form=b"\1\0"), "format chunk is too short"),
        (b"RF64" + riff(wave(), data_bytes=0xFFFFFFFF)[4:], "“ds64” chunk is missing"),
        (b"fLaC" + bytes(50), "it cannot be read as FLAC"),
        (b"OggS" + bytes(50), "it is Ogg, which is not read"),
        (b"time,plus\n0.0,1.5\n0.1,2.5\n", "it is named .wav but holds text; name it .csv"),
        (bytes(range(256)), "it is named .wav but is no sound file; export it as WAV"),
    ],
)
def test_files_that_cannot_be_read(tmp_path, content, words):
    path = tmp_path / "bad.wav"
    path.write_bytes(content)
    message = refused(path)
    assert message.startswith(f"capture “{path}”: ")
    assert words in message


def test_a_recording_named_as_text(tmp_path):
    path = tmp_path / "capture.csv"
    path.write_bytes(riff(wave()))
    assert "it is named .csv but holds a WAV recording; name it .wav" in refused(path)


def test_what_is_not_there_or_no_file(tmp_path):
    assert "is not there; check its name" in refused(tmp_path / "none.wav", SourceUnavailable)
    assert "is a folder" in refused(tmp_path, SourceUnavailable)
    loop = tmp_path / "loop.wav"
    loop.symlink_to(loop)
    assert "cannot be read" in refused(loop, SourceUnavailable)


def test_a_file_without_permission(tmp_path, monkeypatch):
    # The tests may run as a user whom no permission stops.
    path = tmp_path / "locked.wav"
    path.write_bytes(riff(wave()))

    def refuse(*_arguments, **_options):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.open", refuse)
    assert "may not be read by you" in refused(path, SourceUnavailable)


def test_reading_without_opening_and_past_the_end(tmp_path):
    path = tmp_path / "short.wav"
    wavfile.write(path, RATE_HZ, wave())
    source = FileSource(str(path))
    with pytest.raises(SourceUnavailable, match="is not open"):
        source.read(0.0)
    with pytest.raises(SourceUnavailable, match="is not open"):
        _ = source.info
    source.open()
    source.read(0.0)
    for _ in range(2):
        with pytest.raises(SourceEnd):
            source.read(0.0)
    source.close()
    assert source.info.length_frames == 1000
