"""A hand at the virtual scope: each speech's set-up and its way from bytes to volts.

Written from the same guides and public drivers as the models, and not from the program's driver.
"""

import json
import struct
from dataclasses import dataclass
from math import inf

import numpy as np

from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.scope import VirtualScope
from instruments.virtual.scope.model import model
from instruments.virtual.scope.scope import ALIASES

FAMILIES = tuple(ALIASES)
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
BASE_S = 0.05
"""Seconds a division: two and a half turns of 300 rpm at the least."""
PLAIN_POINTS = 100_000
"""Points where there is no peak detect: some samples of each cycle."""


class Patient:
    """A clock by which each look comes long after the last: no message is too early."""

    def __init__(self):
        self.now_s = 0.0

    def __call__(self):
        self.now_s += 0.2
        return self.now_s


def make_scope(name="A2", *, params=None, **settings):
    drive = VirtualDrive(VirtualParams(**{**QUIET, "offset_um": 25.0, **(params or {})}))
    if fact(name).quiet_s:
        settings.setdefault("clock", Patient())
    return VirtualScope(drive, name, **settings)


def asker(scope):
    """Return a function that sends a message and returns its response, as a link would."""
    return lambda text: b"".join(bytes(part) for part in scope.reply(text.encode() + b"\n"))


def fact(name):
    """Return the model of a name."""
    return model(ALIASES.get(name, name))


def span_s(name):
    return BASE_S * fact(name).traits.divisions


def has_index(name):
    """Return whether the model can see the index: on a third channel, or as its trigger."""
    return fact(name).channels > 2 or fact(name).external


def has_peak_detect(name):
    found = fact(name)
    return found.options.get("peak_detect", True)


def _depth(name):
    """Return a depth that the channels in use allow, of some tens of thousands of points."""
    found = fact(name)
    row = found.traits.depths[min(len(found.traits.depths), found.channels, 3) - 1]
    if found.traits.shared == "pairs":
        row = found.traits.depths[min(len(found.traits.depths), 2) - 1]
    least = 4000 if has_peak_detect(name) else PLAIN_POINTS
    return min(depth for depth in row if depth >= least or depth == max(row))


def _index(name, words):
    """Return the lines for the index: on channel 3 where there is one, and as the trigger."""
    found = fact(name)
    lines = [line for line in words["channel"] if found.channels > 2]
    if found.channels > 2:
        return lines + [line.format(word=words["three"]) for line in words["trigger"]]
    if found.external:
        return lines + [line.format(word=words["external"]) for line in words["trigger"]]
    return lines


def _infiniivision(name):
    return (
        *(f":CHAN{n}:DISP 1;SCAL 0.06;OFFS 0;COUP DC" for n in (1, 2)),
        *_index(
            name,
            {
                "channel": [":CHAN3:DISP 1;SCAL 1;OFFS 2.5"],
                "trigger": [":TRIG:EDGE:SOUR {word};LEV 2.5;SLOP NEG", ":TRIG:SWE NORM"],
                "three": "CHAN3",
                "external": "EXT",
            },
        ),
        ":ACQ:TYPE PEAK",
        ":TIM:SCAL 0.05;REF CENT;POS 0.25",
        ":WAV:POIN:MODE RAW",
        ":WAV:POIN 10000;FORM BYTE;UNS 1",
    )


def _rigol(name):
    depth = _depth(name)
    roll = [":TIM:ROLL 0"] if fact(name).options.get("roll_switch") else []
    return (
        *(f":CHAN{n}:DISP 1;SCAL 0.06;OFFS 0;COUP DC" for n in (1, 2)),
        *_index(
            name,
            {
                "channel": [":CHAN3:DISP 1;SCAL 1;OFFS -2.5"],
                "trigger": [":TRIG:EDGE:SOUR {word}", ":TRIG:EDGE:LEV 2.5;SLOP NEG;:TRIG:SWE NORM"],
                "three": "CHAN3",
                "external": "EXT",
            },
        ),
        *roll,
        f":ACQ:TYPE PEAK;MDEP {depth}",
        f":TIM:SCAL 0.05;OFFS {span_s(name) / 2}",
        f":WAV:MODE RAW;FORM BYTE;STAR 1;STOP {depth}",
    )


def _rigol_older(name):
    return (
        *(f":CHAN{n}:DISP ON;SCAL 0.06;OFFS 0;COUP DC" for n in (1, 2)),
        ":TRIG:EDGE:SOUR EXT",
        ":TRIG:EDGE:LEV 2.5",
        ":TRIG:EDGE:SLOP NEG",
        ":TRIG:EDGE:SWE SINGLE",
        ":ACQ:TYPE PEAKDETECT",
        ":TIMEBASE:SCALE 0.05",
        ":TIMEBASE:OFFSET 0.3",
    )


def _tektronix(name):
    found = fact(name)
    depth = _depth(name)
    word = found.options.get("external_words", ("AUX",))[0]
    return (
        "HEAD OFF",
        *(f"SEL:CH{n} 1;:CH{n}:SCA 0.06;OFFS 0;POS 0.5" for n in (1, 2)),
        *_index(
            name,
            {
                "channel": ["SEL:CH3 1;:CH3:SCA 1;OFFS 2.5;POS 0", "TRIG:A:LEV:CH3 2.5"],
                "trigger": ["TRIG:A:EDGE:SOU {word};SLO FALL;:TRIG:A:MOD NORM"],
                "three": "CH3",
                "external": word,
            },
        ),
        *(["HOR:MOD MAN"] if found.options.get("manual_length") else []),
        "HOR:DEL:MOD OFF",
        f"HOR:SCA 0.05;RECO {depth};POS 0",
        f"ACQ:MOD {'PEAK' if has_peak_detect(name) else 'SAM'};STOPA SEQ",
        f"DAT:ENC RIB;WID 1;STAR 1;STOP {depth}",
    )


def _tektronix_older(name):
    return (
        "HEAD OFF",
        *(f"SEL:CH{n} 1;:CH{n}:SCA 0.06;POS 0.5" for n in (1, 2)),
        *_index(
            name,
            {
                "channel": ["SEL:CH3 1;:CH3:SCA 1;POS -2.5"],
                "trigger": [
                    "TRIG:MAI:EDGE:SOU {word};SLO FALL",
                    "TRIG:MAI:LEV 2.5;MOD NORM",
                ],
                "three": "CH3",
                "external": "EXT",
            },
        ),
        "HOR:MAI:SCA 0.05;POS 0.25",
        "ACQ:MOD PEAK;STOPA SEQ",
        "DAT:ENC RIB;WID 1;STAR 1;STOP 2500",
    )


def _mnemonics(name):
    found = fact(name)
    level = 0.25 if found.options.get("level_times_probe") else 2.5
    return (
        "CHDR OFF",
        "C1:TRA ON;C2:TRA ON",
        "C1:VDIV 60MV;C2:VDIV 0.06",
        *_index(
            name,
            {
                "channel": ["C3:TRA ON;C3:VDIV 1V", "C3:OFST -2.5V"],
                "trigger": ["TRSE EDGE,SR,{word};{word}:TRSL NEG", f"{{word}}:TRLV {level}"],
                "three": "C3",
                "external": "EX",
            },
        ),
        "TDIV 50MS",
    )


def _siglent_older(name):
    found = fact(name)
    size = f"MSIZ {_depth(name)}" if found.speech == "siglent-older" else "MSIZ LONG"
    sign = found.options.get("delay_sign", 1)
    return (*_mnemonics(name), f"TRDL {sign * span_s(name) / 2};{size};ACQW PEAK_DETECT")


def _lecroy(name):
    peak = ["PDET ON"] if has_peak_detect(name) else []
    size = 10_000 if peak else PLAIN_POINTS
    delay = "TRDL 0" if fact(name).options.get("zero_at_left") else "TRDL -0.25"
    return (*_mnemonics(name), delay, f"MSIZ {size}", *peak, "COMM_FORMAT DEF9,BYTE,BIN")


def _siglent(name):
    return (
        *(f":CHAN{n}:SWIT ON;SCAL 0.06" for n in (1, 2)),
        *_index(
            name,
            {
                "channel": [":CHAN3:SWIT ON;SCAL 1;OFFS -2.5"],
                "trigger": [":TRIG:EDGE:SOUR {word};LEV 2.5;SLOP FALL"],
                "three": "C3",
                "external": "EX",
            },
        ),
        f":TIM:SCAL 0.05;DEL {span_s(name) / 2};:ACQ:MDEP {_depth(name)};TYPE PEAK",
    )


def _rohde(name):
    found = fact(name)
    hameg = found.speech == "hameg"
    return (
        *(f"CHAN{n}:STAT ON;SCAL 0.06" for n in (1, 2)),
        "ACQ:PEAK AUTO" if hameg else "CHAN1:TYPE PDET",
        *_index(
            name,
            {
                "channel": ["CHAN3:STAT ON;SCAL 1;OFFS 2.5", "TRIG:A:LEV3 2.5"],
                "trigger": ["TRIG:A:SOUR {word};EDGE:SLOP NEG;:TRIG:A:MODE NORM"],
                "three": "CH3",
                "external": "EXT",
            },
        ),
        *([] if found.channels > 2 else ["TRIG:A:LEV5 2.5"]),
        "TIM:SCAL 0.05;POS 0;REF 0;:FORM REAL,32;:FORM:BORD LSBF",
        *([] if hameg else ["ACQ:POIN 10000"]),
        *(f"STOP;:CHAN{n}:DATA:POIN MAX" for n in (1,)),
    )


def _gwinstek(name):
    return (
        *(f":CHAN{n}:DISP ON;SCAL 0.06;POS 0" for n in (1, 2)),
        ":CHAN3:DISP ON;SCAL 1;POS -2.5",
        ":TRIG:SOUR CH3;LEV 2.5;EDG:SLOP FALL",
        ":TRIG:MOD NORM",
        ":ACQ:MOD PDET;RECO 10000",
        ":TIM:SCAL 0.05;POS 0.25",
    )


def _owon(name):
    return (
        *(f":CH{n}:DISP ON" for n in (1, 2, 3)),
        *(f":CH{n}:SCAL {v};OFFS {p}" for n, v, p in ((1, "60mv", 0), (2, "0.06v", 0))),
        ":CH3:SCAL 1v;OFFS -2.5",
        ":TRIG:SING:EDG:SOUR CH3",
        ":TRIG:SING:EDG:LEV 2500mv;SLOP FALL",
        ":TRIG:SING:SWEE NORM",
        ":ACQU:MODE PEAK;DEPM 10K",
        f":HORI:SCAL 50ms;OFF {fact(name).traits.divisions / 2}",
    )


SETUPS = {
    "owon": _owon,
    "infiniivision": _infiniivision,
    "rigol": _rigol,
    "rigol-older": _rigol_older,
    "tektronix": _tektronix,
    "tektronix-older": _tektronix_older,
    "siglent-older": _siglent_older,
    "siglent-oldest": _siglent_older,
    "siglent": _siglent,
    "lecroy": _lecroy,
    "rohde": _rohde,
    "hameg": _rohde,
    "gwinstek": _gwinstek,
}
SINGLE = {
    "owon": ":SING",
    "infiniivision": ":SING",
    "rigol": ":SING",
    "rigol-older": ":RUN",
    "tektronix": "ACQ:STATE RUN",
    "tektronix-older": "ACQ:STATE RUN",
    "siglent-older": "TRMD SINGLE",
    "siglent-oldest": "TRMD SINGLE",
    "siglent": ":TRIG:MODE SING",
    "lecroy": "TRMD SINGLE",
    "rohde": "SING",
    "hameg": "SING",
    "gwinstek": ":SING",
}
ERRORS = {
    "tektronix": "ALLEV?",
    "tektronix-older": "ALLEV?",
    "siglent-older": "CMR?",
    "siglent-oldest": "CMR?",
    "lecroy": "CMR?",
}


def single(name):
    """Return the message for one sweep."""
    return SINGLE[fact(name).speech]


def set_up(ask, name):
    """Bring the scope to pairs of extremes over two turns and a half, from the index on."""
    for line in SETUPS[fact(name).speech](name):
        assert ask(line) == b"", line


def take(ask, name):
    """Make one sweep."""
    assert ask(single(name)) == b""
    if fact(name).speech not in ("rigol-older", "owon"):
        assert ask("*OPC?").strip() in (b"1", b"*OPC 1")
        return
    for _ in range(10):
        if ask(":TRIG:STAT?") == b"STOP\n":
            return
    raise AssertionError("the sweep does not end")


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


def _read_infiniivision(ask, channel):
    fields = ask(f":WAV:SOUR CHAN{channel};PRE?").decode().split(",")
    assert len(fields) == 10
    xinc, _, _, yinc, yorig, yref = map(float, fields[4:])
    return Read((_raw(ask, ":WAV:DATA?") - yref) * yinc + yorig, xinc)


def _read_rigol(ask, channel):
    fields = ask(f":WAV:SOUR CHAN{channel};PRE?").decode().split(",")
    assert len(fields) == 10
    xinc, _, _, yinc, yorig, yref = map(float, fields[4:])
    return Read((_raw(ask, ":WAV:DATA?") - yorig - yref) * yinc, xinc)


def _read_rigol_older(ask, channel):
    vdiv, offset = (float(ask(f":CHAN{channel}:{name}?")) for name in ("SCAL", "OFFS"))
    raw = _raw(ask, f":WAV:DATA? CHANNEL{channel}")
    return Read((240 - raw) * vdiv / 25 - (offset + 4.6 * vdiv), None)


def _read_tektronix(ask, channel, head="WFMO"):
    ask(f"DAT:SOU CH{channel}")
    raw = _raw(ask, "CURV?", "i1")
    ymult, yoff, yzero, xinc = (
        float(ask(f"{head}:{name}?")) for name in ("YMU", "YOF", "YZE", "XIN")
    )
    return Read((raw - yoff) * ymult + yzero, xinc)


def _read_tektronix_older(ask, channel):
    return _read_tektronix(ask, channel, "WFMP")


def _read_lecroy(ask, channel):
    data, _ = block(ask(f"C{channel}:WF? ALL"))
    order = ">" if struct.unpack_from(">h", data, 34)[0] == 0 else "<"
    gain, offset, interval = (
        struct.unpack_from(f"{order}f", data, place)[0] for place in (156, 160, 176)
    )
    (start,) = struct.unpack_from(f"{order}i", data, 36)
    (shown,) = struct.unpack_from(f"{order}i", data, 120)
    codes = np.frombuffer(data[start:], "i1").astype(float)[:shown]
    return Read(gain * codes - offset, interval)


def _read_siglent_older(ask, channel):
    raw = _raw(ask, f"C{channel}:WF? DAT2", "i1")
    vdiv, offset = (float(ask(f"C{channel}:{name}?")) for name in ("VDIV", "OFST"))
    return Read(raw * vdiv / 25 - offset, 1 / float(ask("SARA?")))


def _read_siglent(ask, channel):
    ask(f":WAV:SOUR C{channel}")
    described, _ = block(ask(":WAV:PRE?"))
    codes_a_div, probe, interval = (
        struct.unpack_from("<f", described, place)[0] for place in (164, 328, 176)
    )
    vdiv, offset = struct.unpack_from("<ff", described, 156)
    codes = _raw(ask, ":WAV:DATA?", "i1")
    return Read(codes / codes_a_div * vdiv * probe - offset * probe, interval)


def _read_rohde(ask, channel):
    start, stop, count, each = ask(f"CHAN{channel}:DATA:HEAD?").decode().split(",")
    volts = _raw(ask, f"CHAN{channel}:DATA?", "<f4")
    assert volts.size == int(count) * int(each)
    return Read(volts, (float(stop) - float(start)) / (volts.size - 1))


def _read_owon(ask, channel):
    said = json.loads(_prefixed(ask(":DATA:WAVE:SCRE:HEAD?")))
    of = said["CHANNEL"][channel - 1]
    volts_a_div = float(of["SCALE"][:-2]) * 1e-3 if of["SCALE"][-2] == "m" else None
    raw = np.frombuffer(_prefixed(ask(f":DATA:WAVE:SCRE:CH{channel}?")), "<i2")
    assert raw.size == said["SAMPLE"]["DATALEN"]
    scale = volts_a_div * float(of["PROBE"].removesuffix("X"))
    rate = said["SAMPLE"]["SAMPLERATE"]
    assert rate.endswith("KS/s)")
    return Read((raw - of["OFFSET"] * 8.25) / 410 * scale, 5 / (float(rate[1:-5]) * 1e3))


def _prefixed(data):
    """Return what stands behind a length of four bytes, lowest first."""
    assert int.from_bytes(data[:4], "little") == len(data) - 4
    return data[4:]


def _read_gwinstek(ask, channel):
    answer = ask(f":ACQ{channel}:MEM?")
    text = answer[: answer.index(b"#")].decode()
    said = dict(part.split(",", 1) for part in text.split(";") if "," in part)
    raw = np.frombuffer(block(answer)[0], ">i2").astype(float)
    return Read(raw / 25 * float(said["Vertical Scale"]), float(said["Sampling Period"]))


_READERS = {
    "owon": _read_owon,
    "infiniivision": _read_infiniivision,
    "rigol": _read_rigol,
    "rigol-older": _read_rigol_older,
    "tektronix": _read_tektronix,
    "tektronix-older": _read_tektronix_older,
    "siglent-older": _read_siglent_older,
    "siglent-oldest": _read_siglent_older,
    "siglent": _read_siglent,
    "lecroy": _read_lecroy,
    "rohde": _read_rohde,
    "hameg": _read_rohde,
    "gwinstek": _read_gwinstek,
}


def read(ask, name, channel):
    """Return a channel's pairs in volts, the minimum first."""
    got = _READERS[fact(name).speech](ask, channel)
    if has_peak_detect(name):
        return Read(got.volts.reshape(-1, 2), got.increment_s)
    parts = got.volts[: got.volts.size // 50 * 50].reshape(-1, 50)
    pairs = np.stack((parts.min(axis=1), parts.max(axis=1)), axis=1)
    return Read(pairs, got.increment_s)


def lobes_v(plus, minus, length_s, turn_s=0.2):
    """Return the heights of the first two lobes after the start of the record."""
    peaks = (plus[:, 1] - minus[:, 0] - (plus[:, 0] - minus[:, 1])) / 2
    half = round(peaks.size * turn_s / length_s / 2)
    return peaks[:half].max(), peaks[half : 2 * half].max()


def ratio(ask, name):
    """Return smaller over larger lobe, as the scope shows them."""
    plus, minus = (read(ask, name, channel).volts for channel in (1, 2))
    heights = lobes_v(plus, minus, span_s(name))
    return min(heights) / max(heights)
