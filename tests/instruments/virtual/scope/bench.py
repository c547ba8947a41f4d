"""A hand at the virtual scope: each family's set-up and its way from bytes to volts.

Written from the command families' tables alone, so that it checks the scope independently of the
program's own driver.
"""

import struct
from dataclasses import dataclass
from math import inf

import numpy as np

from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.scope import VirtualScope

FAMILIES = ("A1", "A2", "A2-older", "B", "C1", "C2", "C3", "D")
QUIET = {
    "carrier_hz": 30e3,  # a sweep is made of so many samples a cycle
    "clamp_um": 0.0,
    "oval_um": 0.0,
    "backlash_um": 0.0,
    "snr_db": inf,
    "third_harmonic": 0.0,
    "hand_percent": 0.0,
    "hand_um": 0.0,
}
SPAN_S = {
    "A1": 0.5,
    "A2": 0.6,
    "A2-older": 0.6,
    "B": 0.5,
    "C1": 0.5,
    "C2": 0.7,
    "C3": 0.5,
    "D": 0.6,
}
"""At 50 ms a division: two and a half turns of 300 rpm at the least."""
POINTS = {"A2-older": 1200, "C2": 14_000, "C3": 10_000, "C1": 10_000, "A1": 10_000, "D": 10_000}

_COLON = (
    *(f":CHAN{n}:DISP ON;SCAL {v};OFFS {o};COUP DC" for n, v, o in ((1, 0.06, 0), (2, 0.06, 0))),
    ":TRIG:EDGE:SOUR CHAN3",
    ":TRIG:EDGE:LEV 2.5;SLOP NEG",
    ":TRIG:SWE NORM",
    ":ACQ:TYPE PEAK",
)
_SHORT = (
    "CHDR OFF",
    "C1:TRA ON;C2:TRA ON;C3:TRA ON",
    "C1:VDIV 60MV;C2:VDIV 0.06;C3:VDIV 1V",
    "C3:OFST -2.5V",
    "TRSE EDGE,SR,C3;C3:TRLV 2.5;C3:TRSL NEG",
    "TDIV 50MS",
)
SETUPS = {
    "A1": (
        *_COLON,
        ":CHAN3:DISP 1;SCAL 1;OFFS 2.5",
        ":TIM:SCAL 0.05;REF CENT;POS 0.25",
        ":ACQ:POIN 10000;:WAV:POIN:MODE RAW;:WAV:POIN 10000;FORM BYTE",
    ),
    "A2": (
        *_COLON,
        ":CHAN3:DISP 1;SCAL 1;OFFS -2.5",
        ":TIM:SCAL 0.05;OFFS 0.3",
        ":ACQ:MDEP 12000;:WAV:MODE RAW;FORM BYTE;STAR 1;STOP 12000",
    ),
    "A2-older": (*_COLON, ":CHAN3:DISP 1;SCAL 1;OFFS -2.5", ":TIM:SCAL 0.05;OFFS 0.3"),
    "B": (
        "HEAD OFF;:SEL:CH1 1;CH2 1;CH3 1",
        "CH1:SCA 0.06;:CH2:SCA 0.06;:CH3:SCA 1;OFFS 2.5",
        "CH1:POS 0.5",
        "TRIG:A:EDGE:SOU CH3;SLO FALL;:TRIG:A:LEV:CH3 2.5;:TRIG:A:MOD NORM",
        "HOR:SCA 0.05;RECO 10000;POS 0;:ACQ:MOD PEAK;STOPA SEQ",
        "DAT:ENC RIB;WID 1;STAR 1;STOP 10000",
    ),
    "C1": (*_SHORT, "TRDL -0.25;MSIZ 10K;PDET ON;COMM_FORMAT DEF9,BYTE,BIN"),
    "C2": (*_SHORT, "TRDL 0.35;MSIZ 14K;ACQW PEAK_DETECT"),
    "C3": (
        *(f":CHAN{n}:SWIT ON;SCAL 0.06" for n in (1, 2)),
        ":CHAN3:SWIT ON;SCAL 1;OFFS -2.5",
        ":TRIG:EDGE:SOUR C3;LEV 2.5;SLOP FALL",
        ":TIM:SCAL 0.05;DEL 0.25;:ACQ:MDEP 10k;TYPE PEAK",
    ),
    "D": (
        *(f"CHAN{n}:STAT ON;SCAL 0.06;TYPE PDET" for n in (1, 2)),
        "CHAN3:STAT ON;SCAL 1;OFFS 2.5",
        "TRIG:A:SOUR CH3;LEV3 2.5;EDGE:SLOP NEG;:TRIG:A:MODE NORM",
        "TIM:SCAL 0.05;POS 0;REF 0;:ACQ:POIN 10000;:FORM REAL,32;:FORM:BORD LSBF",
    ),
}
SINGLE = {
    "A1": ":SING",
    "A2": ":SING",
    "A2-older": ":SING",
    "B": "ACQ:STATE RUN",
    "C1": "TRMD SINGLE",
    "C2": "TRMD SINGLE",
    "C3": ":TRIG:MODE SING",
    "D": "SING",
}


def make_scope(family="A2", *, params=None, **settings):
    drive = VirtualDrive(VirtualParams(**{**QUIET, "offset_um": 25.0, **(params or {})}))
    return VirtualScope(drive, family, **settings)


def asker(scope):
    """Return a function that sends a message and returns its response, as a link would."""
    return lambda text: b"".join(bytes(part) for part in scope.reply(text.encode() + b"\n"))


def set_up(ask, family):
    """Bring the scope to pairs of extremes over two turns and a half, from the index on."""
    for line in SETUPS[family]:
        assert ask(line) == b""


def take(ask, family):
    """Make one sweep."""
    assert ask(SINGLE[family]) == b""
    assert ask("*OPC?").strip() == b"1"


def block(data):
    """Return the data of an IEEE 488.2 definite length block (8.7.9), and what follows it."""
    start = data.index(b"#")
    digits = int(data[start + 1 : start + 2])
    size = int(data[start + 2 : start + 2 + digits])
    begin = start + 2 + digits
    assert len(data) >= begin + size
    return data[begin : begin + size], data[begin + size :]


@dataclass
class Read:
    """What was read: volts, shape (pairs, 2), and the increment told, None where none is."""

    volts: np.ndarray
    increment_s: float | None


def _raw(ask, text, dtype="u1"):
    data, rest = block(ask(text))
    assert rest in (b"\n", b"\n\n")
    return np.frombuffer(data, dtype).astype(float)


def _read_a1(ask, channel):
    fields = ask(f":WAV:SOUR CHAN{channel};PRE?").decode().split(",")
    assert len(fields) == 10
    xinc, _, _, yinc, yorig, yref = map(float, fields[4:])
    return Read((_raw(ask, ":WAV:DATA?") - yref) * yinc + yorig, xinc)


def _read_a2(ask, channel):
    fields = ask(f":WAV:SOUR CHAN{channel};PRE?").decode().split(",")
    assert len(fields) == 10
    xinc, _, _, yinc, yorig, yref = map(float, fields[4:])
    return Read((_raw(ask, ":WAV:DATA?") - yorig - yref) * yinc, xinc)


def _read_older(ask, channel):
    vdiv, offset = (float(ask(f":CHAN{channel}:{name}?")) for name in ("SCAL", "OFFS"))
    volts = (128 - _raw(ask, f":WAV:DATA? CHAN{channel}")) * vdiv / 25.6 - offset
    return Read(volts.reshape(-1, 2)[:, ::-1].ravel(), None)


def _read_b(ask, channel):
    ask(f"DAT:SOU CH{channel}")
    raw = _raw(ask, "CURV?", "i1")
    ymult, yoff, yzero, xinc = (
        float(ask(f"WFMO:{name}?")) for name in ("YMU", "YOF", "YZE", "XIN")
    )
    return Read((raw - yoff) * ymult + yzero, xinc)


def _read_c1(ask, channel):
    data, _ = block(ask(f"C{channel}:WF? ALL"))
    order = ">" if struct.unpack_from(">h", data, 34)[0] == 0 else "<"
    gain, offset, interval = (
        struct.unpack_from(f"{order}f", data, place)[0] for place in (156, 160, 176)
    )
    (start,) = struct.unpack_from(f"{order}i", data, 36)
    codes = np.frombuffer(data[start:], "i1").astype(float)
    return Read(gain * codes - offset, interval)


def _read_c2(ask, channel):
    raw = _raw(ask, f"C{channel}:WF? DAT2", "i1")
    vdiv, offset = (float(ask(f"C{channel}:{name}?")) for name in ("VDIV", "OFST"))
    return Read(raw * vdiv / 25 - offset, 1 / float(ask("SARA?")))


def _read_c3(ask, channel):
    ask(f":WAV:SOUR C{channel}")
    described, _ = block(ask(":WAV:PRE?"))
    codes_a_div, probe, interval = (
        struct.unpack_from("<f", described, place)[0] for place in (0xA4, 0x148, 0xB0)
    )
    vdiv, offset = struct.unpack_from("<ff", described, 0x9C)
    codes = _raw(ask, ":WAV:DATA?", "i1")
    return Read(codes / codes_a_div * vdiv * probe - offset * probe, interval)


def _read_d(ask, channel):
    start, stop, count, each = ask(f"CHAN{channel}:DATA:HEAD?").decode().split(",")
    volts = _raw(ask, f"CHAN{channel}:DATA?", "<f4")
    assert volts.size == int(count) * int(each)
    return Read(volts, (float(stop) - float(start)) / volts.size)


_READERS = {
    "A1": _read_a1,
    "A2": _read_a2,
    "A2-older": _read_older,
    "B": _read_b,
    "C1": _read_c1,
    "C2": _read_c2,
    "C3": _read_c3,
    "D": _read_d,
}


def read(ask, family, channel):
    """Return a channel's pairs in volts, the minimum first."""
    got = _READERS[family](ask, channel)
    return Read(got.volts.reshape(-1, 2), got.increment_s)


def lobes_v(plus, minus, span_s, turn_s=0.2):
    """Return the heights of the first two lobes after the start of the record."""
    peaks = (plus[:, 1] - minus[:, 0] - (plus[:, 0] - minus[:, 1])) / 2
    half = round(peaks.size * turn_s / span_s / 2)
    return peaks[:half].max(), peaks[half : 2 * half].max()


def ratio(ask, family):
    """Return smaller over larger lobe, as the scope shows them."""
    plus, minus = (read(ask, family, channel).volts for channel in (1, 2))
    heights = lobes_v(plus, minus, SPAN_S[family])
    return min(heights) / max(heights)
