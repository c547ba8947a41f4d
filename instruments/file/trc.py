"""Read the TRC file that a scope of family C1 saves: a descriptor, times of segments, codes.

Source: the template LECROY_2_3 (Teledyne LeCroy, "Remote Control Manual", waveform structure), as
the public readers lecroyparser (PyPI) and neuromorphicsystems/lecroyscope (GitHub) cite it.
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from instruments.checked_toml import shown_key
from instruments.file.held import HeldCapture, at_rails
from instruments.file.times import TimeBase
from instruments.file.words import HERTZ, VOLTS
from instruments.source import FormatError

_MARK = b"WAVEDESC"
_FURTHEST = 64
"""A block's own header of a few bytes may stand before the mark."""
_LEAST_DESCRIPTOR = 346
_TEMPLATE = "LECROY_2_"
"""The older templates have their fields in other places."""
_SINGLE, _INTERLEAVED, _SEQUENCE, _CENTRED = 0, 1, 7, 8
_SAMPLES = (_SINGLE, _INTERLEAVED, _SEQUENCE, _CENTRED)
"""RECORD_TYPE of samples over time; the others are histograms, spectra, pairs and the like."""
_SEGMENT = np.dtype([("trigger_s", "f8"), ("offset_s", "f8")])
"""Time of a segment's trigger after the first one's, and of its first sample after that."""
_DIGITS = 7
"""HORIZ_INTERVAL is a float of 32 bits."""
_MOST_FRAMES = 2.0**53
"""Beyond these a float does not count frames one by one."""
_TRUNCATED = "the file is truncated; copy or save it again"


def is_trc(head: bytes) -> bool:
    """Tell whether a file that begins with `head` is a TRC file."""
    return _MARK in head[: _FURTHEST + len(_MARK)]


def read_trc(data: bytes) -> HeldCapture:
    """Read a TRC file of one channel; segments are joined with the gaps between them.

    Raises
    ------
    FormatError
        When it cannot be read; the message follows the file's name.
    """
    at = data.find(_MARK)
    if len(data) < at + _LEAST_DESCRIPTOR:
        raise FormatError(_TRUNCATED)
    template = _text(data, at + 16)
    if not template.startswith(_TEMPLATE):
        raise FormatError(
            f"its template “{shown_key(template[:16])}” is not known; save it as text"
        )
    # COMM_ORDER: 0 has the high byte first.
    order = "<" if any(data[at + 34 : at + 36]) else ">"

    def take(place: int, form: str) -> float:
        (value,) = struct.unpack_from(order + form, data, at + place)
        return float(value)

    lengths = struct.unpack_from(f"{order}7i", data, at + 36)
    if min(lengths) < 0:
        raise FormatError("its descriptor is damaged (a negative length); save it again")
    before = at + sum(lengths[:6])
    if len(data) < before + lengths[6]:
        raise FormatError(_TRUNCATED)
    if take(316, "h") not in _SAMPLES or _text(data, at + 244).lower() in HERTZ:
        raise FormatError("it holds no plain samples over time; save the channel itself")
    codes = np.frombuffer(
        data[before : before + lengths[6]], np.dtype(order + ("i2" if take(32, "h") else "i1"))
    )
    interval_s = take(176, "f")
    if not codes.size or not interval_s > 0:
        raise FormatError("it holds no samples; save it again")
    segments = np.frombuffer(
        data, _SEGMENT.newbyteorder(order), lengths[3] // _SEGMENT.itemsize, at + sum(lengths[:3])
    )
    unit = _text(data, at + 196).lower()
    volts = codes * take(156, "f") - take(160, "f")
    known = unit in VOLTS
    rate_hz = float(f"{1 / interval_s:.{_DIGITS}g}")
    return HeldCapture(
        kind="TRC",
        samples_v=((volts * VOLTS.get(unit, 1.0)).astype(np.float32),),
        base=_base(rate_hz, codes.size, int(take(144, "i")), segments),
        relative=("" if known else f"The samples are in “{unit}”, not volts; they are relative.",),
        titles=(_text(data, at + 96),),
        units=(unit,),
        clipped=at_rails(codes),
    )


def _base(rate_hz: float, count: int, parts: int, segments: NDArray[np.void]) -> TimeBase:
    """Return where each segment begins, from the times of the triggers."""
    if parts <= 1:
        return TimeBase(rate_hz)
    if count % parts or len(segments) != parts:
        raise FormatError("its segments do not fit its samples; save it again")
    each = count // parts
    with np.errstate(over="ignore", invalid="ignore"):
        begins_s = segments["trigger_s"] + segments["offset_s"]
        starts = np.rint((begins_s - begins_s[0]) * rate_hz)
    if not np.all(np.abs(starts) < _MOST_FRAMES):
        raise FormatError("its segments lie beyond all measure; save it again")
    if not np.all(np.diff(starts) > each):
        raise FormatError("its segments overlap in time; save it again")
    return TimeBase(
        rate_hz,
        tuple(range(0, count, each)),
        tuple(int(start) for start in starts),
    )


def _text(data: bytes, at: int) -> str:
    """Return the text of a field that ends with a zero, at most 48 bytes."""
    return data[at : at + 48].split(b"\0")[0].decode("latin-1").strip()
