"""Read the ISF file that a scope of families A and B saves: its preamble, then a block of codes.

The preamble is what such a scope answers to ``WFMPre?`` or ``WFMOutpre?``, its words long or short.
Sources: "MDO4000C … MDO3000 Series Programmer Manual" 077-0510-09 and "TDS3000 … Programmer Manual"
(WFMPre, CURVe), as the public readers isfreader (PyPI) and gpasquev/isfread-py (GitHub) cite them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from instruments.file.held import HeldCapture, at_rails
from instruments.file.times import TimeBase, rate_of
from instruments.file.words import HERTZ, VOLTS
from instruments.source import FormatError

_BEGINS = (b":WFMP", b"WFMP", b":WFMO", b"WFMO")
_CURVE = re.compile(rb":?CURV(?:E)?\s+", re.IGNORECASE)
_LONGEST_PREAMBLE = 65_536
_FIELD = re.compile(r'([^\s;:]+)\s+("[^"]*"|[^;]*)')
_DIVISIONS = 10
_SPAN_FACTOR = 1.3
"""Within this the samples must cover the screen: what is asked is a factor of 2."""
_TRUNCATED = "the file is truncated; copy or save it again"
_DAMAGED = "its preamble is damaged ({}); save it again"


def is_isf(head: bytes) -> bool:
    """Tell whether a file that begins with `head` is an ISF file."""
    return head.lstrip()[:5].upper().startswith(_BEGINS)


# What is beyond all measure is infinite then, and a gap to the analysis.
@np.errstate(over="ignore", invalid="ignore")
def read_isf(data: bytes) -> HeldCapture:
    """Read an ISF file of one channel.

    Raises
    ------
    FormatError
        When it cannot be read; the message follows the file's name.
    """
    curve = _CURVE.search(data, 0, _LONGEST_PREAMBLE)
    if curve is None:
        raise FormatError(_TRUNCATED)
    told = _fields(data[: curve.start()].decode("latin-1"))
    if told.get("XUN", "s").lower() in HERTZ:
        raise FormatError("it holds a spectrum, not samples over time; save the waveform itself")
    codes = _codes(told, data[curve.end() :])
    if not codes.size:
        raise FormatError("it holds no samples; save it again")
    step, offset, zero = (_number(told, key) for key in ("YMU", "YOF", "YZE"))
    unit = told.get("YUN", "").lower()
    volts = ((codes.astype(np.float64) - offset) * step + zero) * VOLTS.get(unit, 1.0)
    interval_s = _number(told, "XIN")
    paired = told.get("PT_F", "Y").upper().startswith("ENV")
    if paired:
        volts = np.sort(volts[: volts.size // 2 * 2].reshape(-1, 2), axis=1).ravel()
        interval_s = _value_interval_s(told, volts.size, interval_s)
    if not 0 < interval_s < math.inf:
        raise FormatError(_DAMAGED.format(f"an interval of {interval_s:g} s"))
    known = unit in VOLTS
    words = f"The samples are in “{unit}”, not volts" if unit else "The samples have no unit"
    return HeldCapture(
        kind="ISF",
        samples_v=(volts.astype(np.float32),),
        base=TimeBase(rate_of(interval_s)),
        relative=("" if known else f"{words}; their volts are relative.",),
        titles=(told.get("WFI", "").partition(",")[0],),
        units=(unit,),
        min_max=paired,
        clipped=at_rails(codes),
    )


def _fields(preamble: str) -> dict[str, str]:
    """Return the fields of a preamble by the short form of their words."""
    fields: dict[str, str] = {}
    for word, value in _FIELD.findall(preamble):
        short = re.sub(r"(?<=[A-Z]{3})[A-Z]+$|(?<=_[A-Z])[A-Z]+$", "", word.upper())
        fields[short] = value.strip().strip('"')
    return fields


def _codes(told: Mapping[str, str], block: bytes) -> NDArray[np.generic]:
    if told.get("ENC", "BIN").upper().startswith("ASC"):
        numbers = block.decode("latin-1").strip().rstrip(";").split(",")
        try:
            codes = np.array([float(number) for number in numbers])
        except ValueError:
            raise FormatError(_TRUNCATED) from None
        points = told.get("NR_P", "")
        if points.isdigit() and codes.size < int(points):
            raise FormatError(_TRUNCATED)
        return codes
    digits = int(block[1:2]) if block[:1] == b"#" and block[1:2].isdigit() else 0
    count = block[2 : 2 + digits]
    if not digits or not count.isdigit():
        raise FormatError(_TRUNCATED)
    body = block[2 + digits : 2 + digits + int(count)]
    if len(body) < int(count):
        raise FormatError(_TRUNCATED)
    if _CURVE.search(block, 2 + digits + int(count)):
        raise FormatError("it holds several waveforms; save each in a file of its own")
    return np.frombuffer(body, _dtype(told, len(body)))


def _dtype(told: Mapping[str, str], length: int) -> np.dtype[np.generic]:
    """Return the type of the codes that the preamble states."""
    kind = {"RI": "i", "RP": "u", "FP": "f"}.get(told.get("BN_F", "RI").upper()[:2], "")
    width = _number(told, "BYT_N")
    order = "<" if told.get("BYT_O", "MSB").upper().startswith("LSB") else ">"
    known = width in (4, 8) if kind == "f" else width in (1, 2, 4)
    if not kind or not known or length % width:
        raise FormatError(_DAMAGED.format("the form of its codes"))
    return np.dtype(f"{order}{kind}{width:.0f}")


def _number(told: Mapping[str, str], key: str) -> float:
    try:
        value = float(told[key])
    except (KeyError, ValueError):
        value = math.nan
    if not math.isfinite(value):
        raise FormatError(_DAMAGED.format(f"no number after {key}"))
    return value


def _value_interval_s(told: Mapping[str, str], values: int, interval_s: float) -> float:
    """Return the time from one value to the next, of pairs.

    Some scopes state it and some the time from pair to pair; the screen's span, which the record
    covers, decides.
    """
    found = re.search(r"([\d.eE+-]+)\s*([num]?s)/div", told.get("WFI", ""))
    if found:
        unit_s = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}[found[2]]
        span_s = _DIVISIONS * float(found[1]) * unit_s
        for each_s in (interval_s, interval_s / 2):
            if 1 / _SPAN_FACTOR <= values * each_s / span_s <= _SPAN_FACTOR:
                return each_s
    raise FormatError(
        "it does not tell how long its pairs of extremes last; save it in sample mode, or as CSV"
    )
