"""Whatever a capture file holds: it reads as it was meant, or is refused in one sentence."""

import struct

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.io import wavfile

from instruments.source import FormatError, SourceError
from tests.instruments.file.captures import FIXTURES, fixture_table, read_all

RATES_HZ = st.sampled_from((8_000, 44_100, 192_000, 10_000_000))
FLOATS = st.floats(width=32, allow_nan=False, allow_infinity=False)
# One folder for all examples of a test: each example writes its file anew.
quick = settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])


def tables(elements=FLOATS, dtype=np.float32, least=1):
    shapes = hnp.array_shapes(min_dims=2, max_dims=2, min_side=least, max_side=9)
    return hnp.arrays(dtype, shapes.filter(lambda shape: shape[1] <= 3), elements=elements)


def read_or_refuse(path):
    """Return a capture's samples, or None when it is refused as it should be."""
    try:
        info, blocks = read_all(path)
    except SourceError as refusal:
        message = str(refusal)
        assert message
        assert "\n" not in message
        return None
    assert info.sample_rate_hz > 0
    assert info.roles
    assert sum(len(block.samples_v) for block in blocks) <= info.length_frames
    return np.concatenate([block.samples_v for block in blocks])


# Anything at all


@pytest.mark.parametrize("suffix", [".wav", ".csv", ""])
@quick
@given(st.binary(max_size=400))
@example(b"RIFF" + bytes(400))
@example(b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0" + b"\xff" * 60)
@example(b'"1\n2"\n3,4')
@example(b"\xff\xfe1")
@example(b"0,inf\n1,-inf\n" + b"9" * 400)
@example(b"1e308 1\n-1e308 2\n")
@example(b"-1e308 1\n1e308 2\n")
@example(b"0 1\n1e-320 2\n")
@example(b"Sample interval=1e-400\nRecord length 1e999\n1.5;2\n")
def test_any_bytes_are_read_or_refused(tmp_path, suffix, content):
    path = tmp_path / f"capture{suffix}"
    path.write_bytes(content)
    read_or_refuse(path)


@quick
@given(st.text("0123456789.,;eE+-\t \n\"'nainft#", max_size=200))
def test_any_text_of_numbers_is_read_or_refused(tmp_path, text):
    path = tmp_path / "capture.csv"
    path.write_text(text)
    read_or_refuse(path)


@quick
@given(st.data())
def test_damaged_headers_are_read_or_refused(tmp_path, data):
    name = data.draw(st.sampled_from(("integers.wav", "long-form.wav", "unfinished.wav")))
    content = bytearray((FIXTURES / name).read_bytes())
    for at in data.draw(st.lists(st.integers(0, 90), max_size=4)):
        content[at] = data.draw(st.integers(0, 255))
    path = tmp_path / "capture.wav"
    path.write_bytes(content)
    read_or_refuse(path)


# What is cut never passes for whole


@quick
@given(st.integers(0, 4903))
def test_a_cut_wav_is_refused(tmp_path, size):
    path = tmp_path / "capture.wav"
    path.write_bytes((FIXTURES / "long-form.wav").read_bytes()[:size])
    assert read_or_refuse(path) is None


@quick
@given(st.integers(0, 5_000), st.sampled_from(("semicolons.csv", "counted.csv")))
def test_a_cut_csv_gives_no_sample_that_was_not_there(tmp_path, size, name):
    path = tmp_path / "capture.csv"
    path.write_bytes((FIXTURES / name).read_bytes()[:size])
    samples = read_or_refuse(path)
    if samples is not None:
        truth = fixture_table(samples.shape[1])[: len(samples)]
        assert np.allclose(samples, truth, atol=1e-7)


# What was written reads back


@quick
@given(tables(), RATES_HZ, st.sampled_from(("WAV", "RF64")), st.sampled_from(("FLOAT", "DOUBLE")))
def test_floats_read_back_as_soundfile_wrote_them(tmp_path, table, rate_hz, form, subtype):
    path = tmp_path / "capture.wav"
    soundfile.write(path, table, rate_hz, format=form, subtype=subtype)
    info, blocks = read_all(path)
    assert np.array_equal(blocks[0].samples_v, table)
    assert info.sample_rate_hz == rate_hz


@quick
@given(tables(st.floats(-1, 1, width=32)), st.sampled_from(("PCM_U8", "PCM_16", "PCM_24")))
def test_integers_read_back_within_their_step(tmp_path, table, subtype):
    path = tmp_path / "capture.wav"
    soundfile.write(path, table, 48_000, subtype=subtype)
    step = {"PCM_U8": 2**-7, "PCM_16": 2**-15, "PCM_24": 2**-23}[subtype]
    assert np.abs(read_all(path)[1][0].samples_v - table).max() <= step


@quick
@given(st.sampled_from((np.uint8, np.int16, np.int32, np.float32, np.float64)), st.data())
def test_files_that_scipy_wrote_read_as_libsndfile_reads_them(tmp_path, dtype, data):
    path = tmp_path / "capture.wav"
    elements = FLOATS if np.issubdtype(dtype, np.floating) else None
    wavfile.write(path, 96_000, data.draw(tables(elements, dtype)))
    reference, _ = soundfile.read(path, dtype="float32", always_2d=True)
    assert np.array_equal(read_all(path)[1][0].samples_v, reference)


@quick
@given(
    tables(least=2),
    st.sampled_from(((",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("  ", ","))),
    st.sampled_from(("\n", "\r\n", "\r")),
    st.booleans(),
    st.sampled_from(("utf-8", "utf-8-sig", "utf-16", "cp1252")),
)
def test_csv_reads_back_in_every_style(tmp_path, table, marks, end, trailing, encoding):
    separator, decimal = marks
    lines = [f"t [ms]{separator}" + separator.join("ABC"[: table.shape[1]])]
    for frame, row in enumerate(table.tolist()):
        cells = [repr(0.25 * frame), *map(repr, row)]
        lines.append(separator.join(cells).replace(".", decimal if decimal == "," else "."))
    tail = separator if trailing else ""
    path = tmp_path / "capture.csv"
    path.write_bytes("".join(line + tail + end for line in lines).encode(encoding))
    info, blocks = read_all(path)
    assert np.array_equal(blocks[0].samples_v, table)
    assert info.sample_rate_hz == 4000.0


@quick
@given(tables(least=3), st.data())
def test_a_word_anywhere_is_named_with_its_line(tmp_path, table, data):
    row = data.draw(st.integers(0, len(table) - 1))
    column = data.draw(st.integers(0, table.shape[1] - 1))
    word = data.draw(st.sampled_from(("over", "---", "0x1F", "1_0", "1..2", "--1", "⊥")))
    rows = [[repr(0.5 * frame), *map(repr, values)] for frame, values in enumerate(table.tolist())]
    rows[row][column + 1] = word
    text = "t [s],a,b,c"[: 5 + 2 * table.shape[1]] + "\n" + "\n".join(map(",".join, rows)) + "\n"
    path = tmp_path / "capture.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FormatError, match=rf"line {row + 2}: “{word[:1]}".replace("+", r"\+")):
        read_all(path)


@quick
@given(st.integers(0, 2**64 - 1), st.integers(0, 2**64 - 1), st.integers(0, 2**32 - 1))
def test_sizes_that_lie_never_give_more_than_there_is(tmp_path, riff, data, short):
    content = bytearray((FIXTURES / "long-form.wav").read_bytes())
    content[20:36] = struct.pack("<QQ", riff, data)
    at = content.index(b"data") + 4
    content[at : at + 4] = struct.pack("<I", short)
    path = tmp_path / "capture.wav"
    path.write_bytes(content)
    samples = read_or_refuse(path)
    if samples is not None:
        assert np.array_equal(samples, np.float32(fixture_table(3))[: len(samples)])
