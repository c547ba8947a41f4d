"""What a scope says of a record, and how its codes become volts.

Parsers and scales are closed sets of pure functions. A parser takes answers as bytes, by the name
that the family gives each query: ``text`` answers without their newline, ``block`` answers without
their header. A scale is a straight line, so it gives a slope and an intercept; its formula stands
in its docstring, as in the makers' programming guides (from memory).
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

Fields = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class VoltsLine:
    """volts = slope_v · code + intercept_v."""

    slope_v: float
    intercept_v: float

    def volts(self, code: float) -> float:
        """Return the volts of one code."""
        return self.slope_v * code + self.intercept_v


def _reference(of: Fields) -> VoltsLine:
    """(raw − yref)·yinc + yorig: the origin is in volts."""
    return VoltsLine(of["yinc"], of["yorig"] - of["yref"] * of["yinc"])


def _reference_and_origin(of: Fields) -> VoltsLine:
    """(raw − yorig − yref)·yinc: the origin is in codes."""
    return VoltsLine(of["yinc"], -(of["yorig"] + of["yref"]) * of["yinc"])


def _multiplier(of: Fields) -> VoltsLine:
    """(raw − yoff)·ymult + yzero."""
    return VoltsLine(of["ymult"], of["yzero"] - of["yoff"] * of["ymult"])


def _gain(of: Fields) -> VoltsLine:
    """gain·code − offset."""
    return VoltsLine(of["gain"], -of["offset"])


def _twenty_five(of: Fields) -> VoltsLine:
    """code·vdiv/25 − offset: 25 codes a division."""
    return VoltsLine(of["vdiv"] / 25, -of["offset"])


def _codes_per_division(of: Fields) -> VoltsLine:
    """code/codes_per_div·vdiv·probe − offset·probe."""
    return VoltsLine(of["vdiv"] / of["codes_per_div"] * of["probe"], -of["offset"] * of["probe"])


def _inverted(of: Fields) -> VoltsLine:
    """(125 − raw)·vdiv/25 − offset: a higher code is a lower voltage."""
    return VoltsLine(-of["vdiv"] / 25, 5 * of["vdiv"] - of["offset"])


def _volts(of: Fields) -> VoltsLine:
    """Take the data for volts."""
    return VoltsLine(1.0, 0.0)


@dataclass(frozen=True, slots=True)
class Scale:
    """A scale, and the fields of a preamble that it needs."""

    line: Callable[[Fields], VoltsLine]
    needs: frozenset[str]


SCALES: Mapping[str, Scale] = {
    "reference": Scale(_reference, frozenset({"yinc", "yorig", "yref"})),
    "reference-and-origin": Scale(_reference_and_origin, frozenset({"yinc", "yorig", "yref"})),
    "multiplier": Scale(_multiplier, frozenset({"ymult", "yoff", "yzero"})),
    "gain": Scale(_gain, frozenset({"gain", "offset"})),
    "twenty-five": Scale(_twenty_five, frozenset({"vdiv", "offset"})),
    "codes-per-division": Scale(
        _codes_per_division, frozenset({"vdiv", "offset", "probe", "codes_per_div"})
    ),
    "inverted": Scale(_inverted, frozenset({"vdiv", "offset"})),
    "volts": Scale(_volts, frozenset()),
}
"""Every scale that a family may name."""


Answers = Mapping[str, bytes]


class PreambleError(ValueError):
    """The answers do not describe a record; the message says which, and why."""


@dataclass(frozen=True, slots=True)
class Preamble:
    """One channel's record as the scope describes it.

    Attributes
    ----------
    points : int or None
        Values in the record; None when not told.
    interval_s : float or None
        Time from one value to the next, or from one pair to the next: scopes differ, and the
        span of the screen decides. None where the record covers just the screen.
    start_s : float or None
        Time of the first value after the trigger, None when not told.
    pairs : bool or None
        Whether values are pairs of extremes; None when not told.
    fields : mapping of str to float
        What the scale needs.
    data_at : int
        Bytes of description that the block of data begins with.
    """

    points: int | None
    interval_s: float | None
    start_s: float | None = None
    pairs: bool | None = None
    fields: Mapping[str, float] = field(default_factory=dict)
    data_at: int = 0


_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_PREFIX = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}
_PREFIXED = re.compile(r"\s*([pnumkKMG])(?:[Pp]ts|[Ss]a|Hz|S/s|[sSV]|$)")


def number(answer: bytes | str) -> float:
    """Return the number in a text answer: ``5.00E-01V``, ``C1:VDIV 0.5``, ``1.00GSa/s``, ``20us``.

    Raises
    ------
    PreambleError
        When there is none, or it is beyond measure.
    """
    text = answer if isinstance(answer, str) else answer.decode("ascii", "replace")
    body = text.strip().rpartition(" ")[2] if " " in text.strip() else text.strip()
    found = _NUMBER.match(body)
    if found is None:  # the unit may stand after a space
        body = text.strip()
        found = _NUMBER.match(body)
    if found is None:
        raise PreambleError(f"{text[:60]!r} where a number should stand")
    value = float(found[0])
    prefix = _PREFIXED.match(body, found.end())
    value *= _PREFIX[prefix[1]] if prefix else 1.0
    # SCPI-1999 has 9.9E37 for infinity, -9.9E37 for its opposite and 9.91E37 for no number.
    if not math.isfinite(value) or abs(value) > 9e36:
        raise PreambleError(f"{text[:60]!r} is no measurable number")
    return value


def _whole(value: float, what: str) -> int:
    if value != int(value) or not 0 <= value <= 1e10:
        raise PreambleError(f"{what} is {value:g}")
    return int(value)


def _interval(value: float) -> float:
    if value < 0:
        raise PreambleError(f"the time between points is {value:g} s")
    return value


_TEN = ("format", "type", "points", "count", "xinc", "xorig", "xref", "yinc", "yorig", "yref")


def _ten_fields(answers: Answers) -> Preamble:
    """Ten numbers with commas between; type 1 says pairs to some makers and nothing to others."""
    parts = answers["preamble"].split(b",")
    if len(parts) < len(_TEN):
        raise PreambleError(f"the preamble has {len(parts)} fields and not {len(_TEN)}")
    told = {name: number(part) for name, part in zip(_TEN, parts, strict=False)}
    return Preamble(
        points=_whole(told["points"], "the number of points"),
        interval_s=_interval(told["xinc"]),
        start_s=told["xorig"] - told["xref"] * told["xinc"],
        fields={name: told[name] for name in ("yinc", "yorig", "yref")},
    )


def _one_by_one(answers: Answers) -> Preamble:
    """One query a number; the point format ENV says pairs.

    X = XZEro + XINcr·(n − PT_Off) (TDS200/1000/2000 programmer manual, 2-164).
    """
    interval_s = _interval(number(answers["xincr"]))
    form = answers["point_format"].strip().strip(b'"').upper()
    return Preamble(
        points=_whole(number(answers["points"]), "the number of points"),
        interval_s=interval_s,
        start_s=number(answers["xzero"]) - number(answers["pt_off"]) * interval_s,
        pairs=form.startswith(b"ENV"),
        fields={name: number(answers[name]) for name in ("ymult", "yoff", "yzero")},
    )


def _screen(answers: Answers) -> Preamble:
    """Volts a division and offset; the points cover the screen."""
    return Preamble(
        points=None,
        interval_s=None,
        fields={name: number(answers[name]) for name in ("vdiv", "offset")},
    )


def _divisions(answers: Answers) -> Preamble:
    """Volts a division, offset and sample rate; points and start are not told."""
    rate_hz = number(answers["rate"])
    return replace(_screen(answers), interval_s=1 / rate_hz if rate_hz > 0 else 0.0)


_LEAST_DESCRIPTOR = 346
_MOST_LENGTH = 0x10000
_PEAK_DETECT = 9
"""RECORD_TYPE of pairs, in the template of the maker of family C1."""


def _descriptor(block: bytes) -> tuple[int, str]:
    """Return where the descriptor begins, and the byte order of its numbers."""
    at = block.find(b"WAVEDESC", 0, 64)
    if at < 0 or len(block) < at + _LEAST_DESCRIPTOR:
        raise PreambleError("the descriptor is not there or is cut short")
    # Makers differ in what COMM_ORDER's 0 says; the descriptor's own length makes sense one way.
    return at, "<" if int.from_bytes(block[at + 36 : at + 40], "little") < _MOST_LENGTH else ">"


def _take(block: bytes, at: int, form: str) -> float:
    (value,) = struct.unpack_from(form, block, at)
    if not math.isfinite(value):
        raise PreambleError(f"the descriptor's number at byte {at} is {value}")
    return value


def _descriptor_and_data(answers: Answers) -> Preamble:
    """One block: the descriptor, other parts, then the data."""
    block = answers["data"]
    at, order = _descriptor(block)
    lengths = struct.unpack_from(f"{order}7i", block, at + 36)
    before = sum(lengths[:6])
    if min(lengths) < 0 or at + before > len(block):
        raise PreambleError("the descriptor's lengths do not fit the block")
    return Preamble(
        points=_whole(_take(block, at + 116, f"{order}i"), "the number of points"),
        interval_s=_interval(_take(block, at + 176, f"{order}f")),
        start_s=_take(block, at + 180, f"{order}d"),
        pairs=_take(block, at + 316, f"{order}h") == _PEAK_DETECT,
        fields={
            "gain": _take(block, at + 156, f"{order}f"),
            "offset": _take(block, at + 160, f"{order}f"),
        },
        data_at=at + before,
    )


def _descriptor_and_rest(answers: Answers) -> Preamble:
    """One block: the descriptor, then data up to its end; its number of points is not to be used.

    So reads a public driver (pymeasure/pymeasure siglent_sds1072cml.py).
    """
    block = answers["data"]
    at, order = _descriptor(block)
    length = _whole(_take(block, at + 36, f"{order}i"), "the descriptor's length")
    return Preamble(
        points=None,
        interval_s=_interval(_take(block, at + 176, f"{order}f")),
        start_s=_take(block, at + 180, f"{order}d"),
        fields={
            "gain": _take(block, at + 156, f"{order}f"),
            "offset": _take(block, at + 160, f"{order}f"),
        },
        data_at=at + length,
    )


def _descriptor_alone(answers: Answers) -> Preamble:
    """Read a descriptor of 346 bytes or more; the data come by a query of their own."""
    block = answers["preamble"]
    at, order = _descriptor(block)
    return Preamble(
        points=_whole(_take(block, at + 116, f"{order}i"), "the number of points"),
        interval_s=_interval(_take(block, at + 176, f"{order}f")),
        # The delay of the screen's middle says nothing of the first point.
        fields={
            "vdiv": _take(block, at + 0x9C, f"{order}f"),
            "offset": _take(block, at + 0xA0, f"{order}f"),
            "codes_per_div": _positive(_take(block, at + 0xA4, f"{order}f"), "codes a division"),
            "probe": _positive(_take(block, at + 0x148, f"{order}f"), "the probe factor"),
        },
    )


def _positive(value: float, what: str) -> float:
    if value <= 0:
        raise PreambleError(f"{what} is {value:g}")
    return value


def _four_fields(answers: Answers) -> Preamble:
    """Start, stop, points, values a point: 2 says pairs."""
    parts = answers["preamble"].split(b",")
    if len(parts) != 4:
        raise PreambleError(f"the header has {len(parts)} fields and not 4")
    start_s, stop_s, points, values = (number(part) for part in parts)
    if values not in (1, 2) or points < 1:
        raise PreambleError(f"the header tells {points:g} points of {values:g} values")
    return Preamble(
        points=_whole(points * values, "the number of values"),
        interval_s=_interval((stop_s - start_s) / points),
        start_s=start_s,
        pairs=values == 2,
    )


@dataclass(frozen=True, slots=True)
class Parser:
    """A parser, the answers that it needs and the fields that it gives to a scale."""

    parse: Callable[[Answers], Preamble]
    needs: frozenset[str]
    gives: frozenset[str]


PARSERS: Mapping[str, Parser] = {
    "ten-fields": Parser(
        _ten_fields, frozenset({"preamble"}), frozenset({"yinc", "yorig", "yref"})
    ),
    "one-by-one": Parser(
        _one_by_one,
        frozenset({"points", "point_format", "ymult", "yoff", "yzero", "xincr", "xzero", "pt_off"}),
        frozenset({"ymult", "yoff", "yzero"}),
    ),
    "divisions": Parser(
        _divisions, frozenset({"vdiv", "offset", "rate"}), frozenset({"vdiv", "offset"})
    ),
    "screen": Parser(_screen, frozenset({"vdiv", "offset"}), frozenset({"vdiv", "offset"})),
    "descriptor-and-data": Parser(_descriptor_and_data, frozenset(), frozenset({"gain", "offset"})),
    "descriptor-and-rest": Parser(_descriptor_and_rest, frozenset(), frozenset({"gain", "offset"})),
    "descriptor": Parser(
        _descriptor_alone,
        frozenset({"preamble"}),
        frozenset({"vdiv", "offset", "codes_per_div", "probe"}),
    ),
    "four-fields": Parser(_four_fields, frozenset({"preamble"}), frozenset()),
}
"""Every parser that a family may name."""
