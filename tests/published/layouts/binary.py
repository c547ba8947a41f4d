"""Binary captures of scopes."""

from __future__ import annotations

import struct

import numpy as np

from tests.published.layouts.layout import Layout, read_as, refused
from tests.published.layouts.signal import CARRIER, CARRIER_HZ, SHORT_HZ, phases
from tests.published.layouts.sound import TURNS_V

ISF = "programmer's manuals of the MSO4000 series, WFMOutpre and CURVe; scottprahl/RigolWFM, ksy"
TRC = "scottprahl/RigolWFM, ksy/lecroy_2_3_le_trc.ksy, after the maker's template LECROY_2_3"
AGXX = "scottprahl/RigolWFM, ksy/agilent_agxx_bin.ksy, after the maker's user guides"
CODED = {"roles": ["differential"], "uncertain": False}


def isf(codes: np.ndarray, order: str, rate_hz: float, step_v: float, zero: float) -> bytes:
    """Return a text preamble and a block of integers; 8 or 16 bits as the codes are."""
    size = codes.dtype.itemsize
    data = codes.astype(codes.dtype.newbyteorder(">" if order == "MSB" else "<")).tobytes()
    head = f":WFMPRE:BYT_NR {size};BIT_NR {8 * size};ENCDG BIN;BN_FMT RI;BYT_OR {order};"
    head += f'NR_PT {len(codes)};WFID "Ch1, DC coupling, 100.0mV/div, 20.0ms/div";PT_FMT Y;'
    head += f'XINCR {1 / rate_hz:.10E};PT_OFF 0;XZERO -1.0E-3;XUNIT "s";YMULT {step_v:.7E};'
    head += f'YZERO 0.0E0;YOFF {zero:.6E};YUNIT "V";'
    length = str(len(data))
    return head.encode() + f":CURVE #{len(length)}{length}".encode() + data + b"\n"


def trc(codes: np.ndarray, order: str, rate_hz: float, gain: float, starts_s: list[float]) -> bytes:
    """Return a descriptor and the codes; with more than one start, a segment for each."""
    form = "<" if order == "lo" else ">"
    size = codes.dtype.itemsize
    data = codes.astype(codes.dtype.newbyteorder(form)).tobytes()
    triggers = b""
    if len(starts_s) > 1:
        triggers = b"".join(struct.pack(form + "dd", start, 0.0) for start in starts_s)
    block = bytearray(346)

    def put(place: int, kind: str, *values: float | bytes) -> None:
        struct.pack_into(form + kind, block, place, *values)

    put(0, "16s16s", b"WAVEDESC", b"LECROY_2_3")
    put(32, "HH", size - 1, order == "lo")
    put(36, "llll", 346, 0, 0, len(triggers))
    put(60, "l", len(data))
    put(76, "16sl16s", b"LECROYM1", 10081, b"")
    put(116, "lllllllll", len(codes), len(codes), 0, len(codes) - 1, 0, 1, 0, len(starts_s), 1)
    put(156, "ffff", gain, 0.1, 127.0, -128.0)
    put(172, "hh", 8 * size, len(starts_s))
    put(176, "fdd", 1.0 / rate_hz, 0.0, 0.0)
    put(196, "48s48s", b"V", b"S")
    put(296, "dbbbbhh", 1.5, 3, 10, 1, 1, 2026, 0)
    put(312, "fhh", len(codes) / rate_hz, 0, 0)
    put(328, "f", 1.0)
    body = bytes(block) + triggers + data
    return f"#9{len(body):09d}".encode() + body


def agxx(columns: list[np.ndarray], rate_hz: float) -> bytes:
    """Return floats, a waveform with a header of its own for each channel."""
    parts = []
    for number, values in enumerate(columns, start=1):
        data = values.astype("<f4").tobytes()
        head = struct.pack("<LLLLL", 140, 1, 1, len(values), 1)
        head += struct.pack("<fddd", len(values) / rate_hz, 0.0, 1.0 / rate_hz, 0.0)
        head += struct.pack("<LL", 2, 1)
        head += struct.pack(
            "<16s16s24s16s", b"01 JAN 2026", b"10:00:00", b"M1:1", f"{number}".encode()
        )
        head += struct.pack("<dL", 0.0, 0)
        parts.append(head + struct.pack("<LHHL", 12, 1, 4, len(data)) + data)
    body = b"".join(parts)
    return b"AG10" + struct.pack("<LL", 12 + len(body), len(columns)) + body


def all_binary() -> list[Layout]:
    """Return every layout of this module."""
    step_v = 0.004
    bytes_8 = np.clip(np.round(TURNS_V / step_v) + 5, -128, 127).astype("i1")
    turns = read_as(
        CARRIER_HZ,
        [((bytes_8.astype(float) - 5.0) * step_v).tolist()],
        balance=CARRIER.balance,
        **CODED,
        rate_within=2e-6,
    )
    plus = np.array(phases()[0])
    words = np.round(plus / 2e-5).astype("i2")
    fine = read_as(SHORT_HZ, [(words * 2e-5).tolist()], **CODED)
    gain = float(np.float32(0.004))
    low = float(np.float32(0.1))
    raw = np.round((plus + low) / gain).astype("i1")
    one = read_as(SHORT_HZ, [(raw * gain - low).tolist()], **CODED)
    raw_16 = np.round((plus + low) / 2e-5).astype("i2")
    fine_gain = float(np.float32(2e-5))
    two = read_as(SHORT_HZ, [(raw_16 * fine_gain - low).tolist()], **CODED)
    # A finer gain would clip: the tops reach 0.444 V.
    coarse = float(np.float32(0.005))
    lasting = np.round((TURNS_V + low) / coarse).astype("i1")
    lasted = read_as(
        CARRIER_HZ,
        [(lasting * coarse - low).tolist()],
        balance=CARRIER.balance,
        **CODED,
    )
    floats = [np.array(side, dtype=np.float32) for side in phases()]
    whole_isf = isf(bytes_8, "MSB", CARRIER_HZ, step_v, 5.0)
    whole_trc = trc(raw_16, "lo", SHORT_HZ, fine_gain, [0.0])
    return [
        Layout(
            "turns.isf", "a preamble and bytes, whose zero is code 5; turns", ISF, whole_isf, turns
        ),
        Layout(
            "words.isf",
            "the same with words, the highest byte first",
            ISF,
            isf(words, "MSB", SHORT_HZ, 2e-5, 0.0),
            fine,
        ),
        Layout(
            "low-first.isf",
            "the same with words, the lowest byte first",
            ISF,
            isf(words, "LSB", SHORT_HZ, 2e-5, 0.0),
            fine,
        ),
        Layout("words.trc", "a descriptor and words, the lowest byte first", TRC, whole_trc, two),
        Layout(
            "bytes.trc",
            "a descriptor with the highest byte first, and bytes",
            TRC,
            trc(raw, "hi", SHORT_HZ, gain, [0.0]),
            one,
        ),
        Layout(
            "turns.trc",
            "the same with turns",
            TRC,
            trc(lasting, "lo", CARRIER_HZ, coarse, [0.0]),
            lasted,
        ),
        Layout(
            "segments.trc",
            "two segments, the second triggered 10 ms after the first",
            TRC,
            trc(raw, "lo", SHORT_HZ, gain, [0.0, 0.01]),
            one | {"gaps": [500], "end_index": 600},
        ),
        Layout(
            "floats.bin",
            "a header, then floats of two channels one after the other",
            AGXX,
            agxx(floats, SHORT_HZ),
            read_as(SHORT_HZ, [side.astype(float).tolist() for side in floats], uncertain=False)
            | {"roles": ["plus", "minus"]}
            | refused("bin", "not a", "export"),
        ),
        Layout(
            "cut.isf",
            "half of the samples are missing",
            "this project's own question",
            whole_isf[: len(whole_isf) // 2],
            refused("cut", "short", "missing", "end"),
        ),
        Layout(
            "cut.trc",
            "half of the samples are missing",
            "this project's own question",
            whole_trc[: len(whole_trc) // 2 + 60],
            refused("cut", "short", "missing", "end"),
        ),
        Layout(
            "cut-head.trc",
            "the file ends within the descriptor",
            "this project's own question",
            whole_trc[:200],
            refused("cut", "short", "missing", "end", "head"),
        ),
    ]
