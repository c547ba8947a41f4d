"""Sound files of other kinds, written by libsndfile and read back; cut ones; odd headers."""

import os
import signal
import struct
import tracemalloc
from contextlib import closing

import numpy as np
import pytest
import soundfile

from instruments.file.description import Description, describe
from instruments.file.sound_file import _Mended
from instruments.file.source import FileSource
from instruments.source import FormatError, Role, SourceRequest
from tests.instruments.file.captures import read_all, samples_of

RATE_HZ = 48_000
FORMS = [
    ("flac", "PCM_16"),
    ("flac", "PCM_24"),
    ("aiff", "PCM_16"),
    ("aiff", "FLOAT"),
    ("caf", "PCM_24"),
    ("caf", "FLOAT"),
    ("w64", "PCM_16"),
    ("w64", "DOUBLE"),
]


def wave(frames=3000):
    return np.random.default_rng(3).uniform(-0.9, 0.9, (frames, 2)).astype(np.float32)


def written(tmp_path, kind, subtype, samples=None):
    path = tmp_path / f"capture.{kind}"
    soundfile.write(path, wave() if samples is None else samples, RATE_HZ, subtype=subtype)
    return path


@pytest.mark.parametrize(("kind", "subtype"), FORMS)
def test_what_was_written_is_read(tmp_path, kind, subtype):
    path = written(tmp_path, kind, subtype)
    info, (block,) = read_all(path)
    step = {"PCM_16": 2**-15, "PCM_24": 2**-23}.get(subtype, 0.0)
    assert np.abs(block.samples_v - wave()).max() <= step
    assert (info.sample_rate_hz, info.length_frames) == (RATE_HZ, 3000)
    assert block.uncalibrated is bool(step)
    if step:
        assert "integers with no scale" in info.notes[0]
        assert np.array_equal(samples_of(f"{path}?full_scale_v=2"), 2 * block.samples_v)


@pytest.mark.parametrize(
    ("told_hz", "is_exact"), [(RATE_HZ + 0.4, True), (RATE_HZ / 2, False), (2 * RATE_HZ, False)]
)
def test_a_told_rate_makes_the_header_s_exact_and_is_none_of_a_file_that_was_resampled(
    tmp_path, told_hz, is_exact
):
    path = tmp_path / "capture.wav"
    with soundfile.SoundFile(path, "w", RATE_HZ, 2, "FLOAT") as file:
        # A program that resamples a file may keep its comment.
        file.comment = describe(Description(roles=(Role.PLUS, Role.MINUS), rate_hz=told_hz))
        file.write(wave())
    info, _ = read_all(path)
    assert info.roles_from == "file"
    assert info.sample_rate_hz == (told_hz if is_exact else RATE_HZ)


def opened(source):
    source.open()
    return source


@pytest.mark.parametrize("after", [1, 6, 12])
def test_ctrl_c_is_heard_while_a_header_is_mended(tmp_path, monkeypatch, capfd, after):
    """What a callback raises is printed and lost: cffi's documentation, Extern "Python"."""
    path = written(tmp_path, "wav", "FLOAT", wave(400_000))
    whole = path.read_bytes()
    at = whole.index(b"data") + len(b"data")
    path.write_bytes(whole[:at] + b"\xff\xff\xff\xff" + whole[at + 4 :])
    calls, readinto = iter(range(1, 1000)), _Mended.readinto

    def interrupted(self, buffer):
        if next(calls) == after:
            signal.raise_signal(signal.SIGINT)
        return readinto(self, buffer)

    monkeypatch.setattr(_Mended, "readinto", interrupted)
    source = FileSource(str(path))
    with pytest.raises(KeyboardInterrupt), closing(source):
        list(opened(source).blocks())
    assert next(calls) > after
    assert capfd.readouterr().err == ""
    monkeypatch.undo()
    assert np.array_equal(samples_of(path), wave(400_000))


@pytest.mark.parametrize(("kind", "subtype"), FORMS)
def test_what_is_cut_is_refused(tmp_path, kind, subtype):
    path = written(tmp_path, kind, subtype)
    whole = path.read_bytes()
    for size in (20, len(whole) // 2, len(whole) - 9):
        path.write_bytes(whole[:size])
        with pytest.raises(FormatError, match=r"truncated|cannot be read as"):
            read_all(path)


@pytest.mark.parametrize(("fill", "is_whole"), [(0, True), (4, True), (7, True), (8, False)])
def test_the_fill_of_the_last_chunk_of_w64_may_be_stated_and_not_there(tmp_path, fill, is_whole):
    """Chunks begin at multiples of eight bytes; common practice: after the last nothing follows."""
    path = written(tmp_path, "w64", "PCM_16")
    whole = path.read_bytes()
    path.write_bytes(whole[:16] + struct.pack("<Q", len(whole) + fill) + whole[24:])
    if is_whole:
        assert samples_of(path).shape == (3000, 2)
    else:
        with pytest.raises(FormatError, match="truncated"):
            read_all(path)


def test_what_is_compressed_with_loss_is_refused(tmp_path):
    with pytest.raises(FormatError, match=r"compressed \(ULAW\)"):
        read_all(written(tmp_path, "aiff", "ULAW"))


def test_a_file_without_samples_is_refused(tmp_path):
    with pytest.raises(FormatError, match="no samples"):
        read_all(written(tmp_path, "caf", "FLOAT", wave(0)))


def test_a_text_s_name_is_told(tmp_path):
    path = written(tmp_path, "flac", "PCM_16")
    path = path.rename(path.with_suffix(".csv"))
    with pytest.raises(FormatError, match=r"holds a FLAC recording; name it \.flac"):
        read_all(path)


def test_bw64_is_read_as_rf64(tmp_path):
    # ITU-R BS.2088: RF64 with another first tag.
    path = tmp_path / "capture.wav"
    soundfile.write(path, wave(), RATE_HZ, subtype="FLOAT", format="RF64")
    content = path.read_bytes()
    path.write_bytes(b"BW64" + content[4:])
    info, (block,) = read_all(path)
    assert np.array_equal(block.samples_v, wave())
    assert info.notes == ()
    path.write_bytes(b"BW64" + content[4:-100])
    with pytest.raises(FormatError, match="truncated"):
        read_all(path)


def test_an_extensible_header_in_a_big_endian_file(tmp_path):
    # The GUID's first word is in the order of the file: KSDATAFORMAT_SUBTYPE_PCM begins with 1.
    guid = struct.pack(">IHH", 1, 0, 16) + bytes.fromhex("800000aa00389b71")
    form = struct.pack(">HHIIHHHHI", 0xFFFE, 2, RATE_HZ, RATE_HZ * 4, 4, 16, 22, 16, 3) + guid
    data = np.rint(wave(100) * 2**15).astype(">i2").tobytes()
    chunks = b"WAVEfmt " + struct.pack(">I", len(form)) + form + b"data" + struct.pack(">I", 400)
    path = tmp_path / "capture.wav"
    path.write_bytes(b"RIFX" + struct.pack(">I", len(chunks) + 400) + chunks + data)
    assert np.abs(samples_of(path) - wave(100)).max() <= 2**-15


def test_many_channels_do_not_make_a_block_a_gigabyte(tmp_path):
    path = tmp_path / "many.wav"
    with soundfile.SoundFile(path, "w", RATE_HZ, 512, "PCM_16") as out:
        out.write(np.zeros((20_000, 512), np.int16))
    source = FileSource(str(path), SourceRequest(roles=(Role.DIFFERENTIAL,)))
    tracemalloc.start()
    source.open()
    frames = sum(len(block.samples_v) for block in source.blocks() if block is not None)
    source.close()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert frames == 20_000
    assert peak < 24e6  # all at once they are 41 MB


def test_a_stream_is_no_capture(tmp_path):
    fifo = tmp_path / "capture.wav"
    os.mkfifo(fifo)
    for path in (fifo, "/dev/zero"):
        with pytest.raises(FormatError, match="it is no file but a stream; give it to pipe:"):
            FileSource(str(path)).open()
