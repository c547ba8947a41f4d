"""ISF and TRC files, made here from their public descriptions; TRC read by another library too."""

import struct

import lecroyparser
import numpy as np
import pytest

from instruments.source import AddressError, FormatError
from tests.instruments.file.captures import read_all

CODES = np.array([0, 100, -100, 50, -50, 127, -128, 7] * 4, "i1")


def refused(path, words, error=FormatError):
    with pytest.raises(error, match=words) as caught:
        read_all(path)
    assert "\n" not in str(caught.value)


# ISF: the preamble of WFMPre?, then CURVe and a block of IEEE 488.2


LONG = (
    ':WFMPRE:BYT_NR 1;BIT_NR 8;ENCDG BIN;BN_FMT RI;BYT_OR MSB;NR_PT 32;WFID "Ch1, DC coupling, '
    '5.0E-1 V/div, 1.0E-6 s/div, 32 points, Sample mode";PT_FMT Y;XINCR 2.5E-7;PT_OFF 0;XZERO 0;'
    'XUNIT "s";YMULT 2.0E-2;YZERO 1.0;YOFF 10;YUNIT "V";:CURVE '
)
SHORT = (
    ':WFMP:BYT_N 1;BIT_N 8;ENC BIN;BN_F RI;BYT_O MSB;NR_P 32;WFI "Ch1, DC coupling";PT_F Y;'
    'XIN 2.5E-7;PT_O 0;XZE 0;XUN "s";YMU 2.0E-2;YZE 1.0;YOF 10;YUN "V";:CURV '
)


def isf(tmp_path, preamble=LONG, data=None, changes=()):
    for old, new in changes:
        assert old in preamble
        preamble = preamble.replace(old, new)
    path = tmp_path / "capture.isf"
    body = CODES.tobytes() if data is None else data
    length = str(len(body))
    path.write_bytes(f"{preamble}#{len(length)}{length}".encode() + body + b"\n")
    return path


@pytest.mark.parametrize("preamble", [LONG, SHORT, LONG.replace(":WFMPRE", ":WFMOUTPRE")])
def test_isf_in_long_and_short_words(tmp_path, preamble):
    info, (block,) = read_all(isf(tmp_path, preamble))
    assert info.sample_rate_hz == 4e6
    # The manual's formula: (code − YOFF) · YMULT + YZERO.
    assert np.array_equal(block.samples_v[:, 0], np.float32((CODES - 10.0) * 0.02 + 1))
    assert block.clipped
    assert not block.uncalibrated
    assert not block.min_max


@pytest.mark.parametrize(
    ("changes", "dtype"),
    [
        ([("BN_FMT RI", "BN_FMT RP")], "u1"),
        ([("BYT_NR 1", "BYT_NR 2")], ">i2"),
        ([("BYT_NR 1", "BYT_NR 2"), ("BYT_OR MSB", "BYT_OR LSB")], "<i2"),
        ([("BYT_NR 1", "BYT_NR 4"), ("BN_FMT RI", "BN_FMT FP")], ">f4"),
    ],
)
def test_isf_codes_of_every_kind(tmp_path, changes, dtype):
    codes = np.abs(CODES.astype("i2")).astype(dtype)
    _, (block,) = read_all(isf(tmp_path, data=codes.tobytes(), changes=changes))
    expected = np.float32((codes.astype(float) - 10) * 0.02 + 1)
    assert np.array_equal(block.samples_v[:, 0], expected)


def test_isf_in_figures(tmp_path):
    path = tmp_path / "capture.isf"
    text = LONG.replace("ENCDG BIN", "ENCDG ASC") + ",".join(map(str, CODES.tolist()))
    path.write_text(text + "\n")
    _, (block,) = read_all(path)
    assert np.array_equal(block.samples_v[:, 0], np.float32((CODES - 10.0) * 0.02 + 1))
    path.write_text(text[:-12])
    refused(path, "truncated")


@pytest.mark.parametrize("interval", ["6.25E-7", "3.125E-7"])
def test_isf_pairs_last_as_the_screen_tells(tmp_path, interval):
    # 32 values are 16 pairs; ten divisions of 1 µs are 10 µs.
    changes = [("PT_FMT Y", "PT_FMT ENV"), ("2.5E-7", interval)]
    info, (block,) = read_all(isf(tmp_path, changes=changes))
    assert block.min_max
    assert info.sample_rate_hz == pytest.approx(1 / 3.125e-7)
    assert np.all(block.samples_v[::2] <= block.samples_v[1::2])
    assert block.samples_v[:2, 0].tolist() == [np.float32(0.8), np.float32(2.8)]


@pytest.mark.parametrize(
    ("interval", "fits"),
    [("4.0625E-7", True), ("4.07E-7", False), ("2.404E-7", True), ("2.4E-7", False)],
)
def test_isf_pairs_cover_the_screen_within_a_factor_of_1_3(tmp_path, interval, fits):
    changes = [("PT_FMT Y", "PT_FMT ENV"), ("2.5E-7", interval)]
    path = isf(tmp_path, changes=changes)
    if fits:
        info, _ = read_all(path)
        assert info.sample_rate_hz == pytest.approx(1 / float(interval))
    else:
        refused(path, "how long its pairs of extremes last")


def test_isf_in_another_unit_is_relative(tmp_path):
    info, (block,) = read_all(isf(tmp_path, changes=[('YUNIT "V"', 'YUNIT "A"')]))
    assert block.uncalibrated
    assert info.notes == ("The samples are in “a”, not volts; their volts are relative.",)
    _, (block,) = read_all(isf(tmp_path, changes=[('YUNIT "V"', 'YUNIT "mV"')]))
    assert block.samples_v[0, 0] == np.float32(0.8e-3)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([('XUNIT "s"', 'XUNIT "Hz"')], "spectrum"),
        ([("YMULT 2.0E-2", "YMULT x")], "damaged"),
        ([("XINCR 2.5E-7", "XINCR 0")], "damaged"),
        ([("BYT_NR 1", "BYT_NR 3")], "form of its codes"),
        ([("PT_FMT Y", "PT_FMT ENV"), ("1.0E-6 s/div", "9.0E-6 s/div")], "how long its pairs"),
    ],
)
def test_isf_that_cannot_be_read(tmp_path, changes, words):
    refused(isf(tmp_path, changes=changes), words)


def test_isf_cut_anywhere_or_with_more_than_one(tmp_path):
    path = isf(tmp_path)
    whole = path.read_bytes()
    for size in (30, len(LONG) - 3, len(LONG) + 1, len(LONG) + 20, len(whole) - 2):
        path.write_bytes(whole[:size])
        refused(path, "truncated")
    path.write_bytes(whole + whole)
    refused(path, "several waveforms")
    refused(isf(tmp_path, data=b""), "no samples")
    path.write_bytes(whole)
    refused(f"{path}?rate=5", "states its own rate", AddressError)


def test_codes_off_the_rails_do_not_clip(tmp_path):
    codes = np.clip(CODES, -127, 126)
    assert not read_all(isf(tmp_path, data=codes.tobytes()))[1][0].clipped
    assert not read_all(trc(tmp_path, codes))[1][0].clipped
    assert read_all(trc(tmp_path))[1][0].clipped


@pytest.mark.parametrize("step", ["9.9E37", "1E308"])
def test_isf_beyond_all_measure_is_infinite(tmp_path, step):
    """Without a word on standard error: the tests take a warning for an error."""
    _, (block,) = read_all(isf(tmp_path, changes=[("YMULT 2.0E-2", f"YMULT {step}")]))
    assert not np.isfinite(block.samples_v).all()


# TRC: the template LECROY_2_3


def trc(tmp_path, codes=CODES, order="<", segments=(), prefix=b"", **changes):
    told = {
        "comm_type": codes.dtype.itemsize - 1,
        "gain": 0.02,
        "offset": -0.5,
        "interval": 2.5e-7,
        "unit": b"V",
        "along": b"S",
        "record": 0,
        "parts": max(1, len(segments)),
        "template": b"LECROY_2_3",
        **changes,
    }
    block = bytearray(346)
    block[:8], block[16:26] = b"WAVEDESC", told["template"]
    times = b"".join(struct.pack(order + "2d", *pair) for pair in segments)
    body = codes.astype(codes.dtype.newbyteorder(order)).tobytes()
    struct.pack_into(order + "2h", block, 32, told["comm_type"], order == "<")
    struct.pack_into(order + "10i", block, 36, 346, 0, 0, len(times), 0, 0, len(body), 0, 0, 0)
    struct.pack_into(order + "i", block, 116, len(codes))
    struct.pack_into(order + "i", block, 144, told["parts"])
    struct.pack_into(order + "2f", block, 156, told["gain"], told["offset"])
    struct.pack_into(order + "fd", block, 176, told["interval"], -1e-6)
    struct.pack_into(order + "h", block, 316, told["record"])
    block[196 : 196 + len(told["unit"])] = told["unit"]
    block[244 : 244 + len(told["along"])] = told["along"]
    path = tmp_path / "capture.trc"
    path.write_bytes(prefix + bytes(block) + times + body)
    return path


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("dtype", ["i1", "i2"])
@pytest.mark.parametrize("prefix", [b"", b"#9000000378"])
def test_trc_as_another_library_reads_it(tmp_path, order, dtype, prefix):
    path = trc(tmp_path, CODES.astype(dtype), order, prefix=prefix)
    info, (block,) = read_all(path)
    other = lecroyparser.ScopeData(str(path))
    assert info.sample_rate_hz == pytest.approx(1 / other.horizInterval, rel=1e-6)
    assert info.sample_rate_hz == 4e6
    assert np.allclose(block.samples_v[:, 0], other.y, rtol=1e-6)
    assert block.samples_v[1, 0] == np.float32(2.5)
    assert not block.uncalibrated


def test_trc_segments_lie_where_they_were_triggered(tmp_path):
    segments = [(0.0, -1e-6), (1e-4, -1.1e-6), (3e-4, -1e-6), (4e-4, -1e-6)]
    _, blocks = read_all(trc(tmp_path, segments=segments))
    assert [(b.first_index, b.gap_before, len(b.samples_v)) for b in blocks] == [
        (0, False, 8),
        (400, True, 8),
        (1200, True, 8),
        (1600, True, 8),
    ]
    refused(trc(tmp_path, segments=segments[::-1]), "overlap")
    refused(trc(tmp_path, segments=segments[:3]), "do not fit")
    for far_s in (1e300, np.inf, np.nan):
        refused(trc(tmp_path, segments=[*segments[:3], (far_s, 0.0)]), "beyond all measure")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"along": b"Hz"}, "no plain samples"),
        ({"record": 9}, "no plain samples"),
        ({"template": b"LECROY_1_0"}, "template “LECROY_1_0” is not known"),
        # What is printed cannot disturb a terminal.
        ({"template": b"LE\x1b[2J"}, r"template “'LE\\x1b\[2J"),
        ({"interval": 0.0}, "no samples"),
        ({"codes": CODES[:0]}, "no samples"),
    ],
)
def test_trc_that_cannot_be_read(tmp_path, changes, words):
    refused(trc(tmp_path, **changes), words)


def test_trc_in_another_unit_or_cut(tmp_path):
    info, (block,) = read_all(trc(tmp_path, unit=b"A"))
    assert block.uncalibrated
    assert "“a”" in info.notes[0]
    path = trc(tmp_path)
    whole = path.read_bytes()
    for size in (40, 345, len(whole) - 1):
        path.write_bytes(whole[:size])
        refused(path, "truncated")
    path.write_bytes(whole[:60] + b"\xff\xff\xff\xff" + whole[64:])
    refused(path, "damaged")
