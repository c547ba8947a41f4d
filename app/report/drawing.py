"""Drawings of a report as SVG: black on white, told apart by shape and never by colour.

Nothing that a user typed gets into them. Only what SVG Tiny 1.2 has is used, and attributes in
place of styles, so that a browser and a printer show the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape

import numpy as np
from numpy.typing import NDArray

from app.analysis.results import Verdict
from app.report.blocks import Figure

_INK, _GREY, _PALE = "#000000", "#555555", "#bbbbbb"
_MOST_POINTS = 720
_TEXT = 8.0
_ASIDE = 3.0
"""As found and as left stand this far from their job's day, so that both are seen."""


@dataclass(frozen=True, slots=True)
class Point:
    """A value with its expanded uncertainty."""

    value: float
    expanded: float = 0.0


@dataclass(frozen=True, slots=True)
class Arrivals:
    """Offsets of the arrivals in one stage, in micrometres; the middle between both sides."""

    title: str
    outside_um: tuple[Point, ...]
    inside_um: tuple[Point, ...]
    middle_um: float | None


@dataclass(frozen=True, slots=True)
class Visit:
    """A job in the history: when, and the drive's offset as found and as left."""

    at: datetime
    found_um: Point | None
    left_um: Point | None


def mark(verdict: Verdict) -> str:
    """Return a verdict's shape: one can be told from the other without colour."""
    shapes = {
        Verdict.PASS: '<circle cx="6" cy="6" r="5" fill="#000000"/>'
        '<path d="M3.4 6.2 L5.3 8.1 L8.7 4.2" fill="none" stroke="#ffffff" stroke-width="1.4"/>',
        Verdict.FAIL: '<path d="M1 1 H11 V11 H1 Z" fill="#ffffff" stroke="#000000" '
        'stroke-width="1.4"/><path d="M2.8 2.8 L9.2 9.2 M9.2 2.8 L2.8 9.2" fill="none" '
        'stroke="#000000" stroke-width="1.8"/>',
        Verdict.UNDECIDED: '<path d="M6 0.8 L11.2 6 L6 11.2 L0.8 6 Z" fill="#ffffff" '
        'stroke="#000000" stroke-width="1.2"/><path d="M6 0.8 L6 11.2 L0.8 6 Z" fill="#000000"/>',
        Verdict.NOTED: '<circle cx="6" cy="6" r="4.6" fill="#ffffff" stroke="#000000" '
        'stroke-width="1.2"/>',
        Verdict.SKIPPED: '<path d="M1.5 6 H10.5" stroke="#000000" stroke-width="1.6" fill="none"/>',
    }
    return _svg(12, 12, verdict, [shapes[verdict]])


def trace(
    turns: NDArray[np.float32], envelope_v: NDArray[np.float32], top_v: float, caption: str
) -> Figure:
    """Draw one turn of envelope, up to `top_v` volts."""
    width, height, left, right, top, bottom = 260.0, 98.0, 26.0, 249.0, 6.0, 76.0
    scale, unit = (1.0, "V") if top_v >= 1.0 else (1e3, "mV")
    step = _step(top_v * scale, 4)
    highest = max(step, math.ceil(top_v * scale / step) * step)

    def place(turn: float, volts: float) -> tuple[float, float]:
        return left + turn * (right - left), bottom - volts * scale / highest * (bottom - top)

    parts = []
    for count in range(round(highest / step) + 1):
        _, y = place(0.0, count * step / scale)
        parts += [
            _line(left, y, right, y, _PALE, 0.5),
            _text(left - 3, y + 3, f"{count * step:g}", "end"),
        ]
    for degrees in range(0, 361, 90):
        x, _ = place(degrees / 360.0, 0.0)
        parts += [_line(x, bottom, x, bottom + 3, _INK, 0.7), _text(x, bottom + 11, f"{degrees}°")]
    words = f"envelope in {unit} over the angle of the disk"
    parts.append(_text((left + right) / 2, height - 2, words))
    known = np.isfinite(turns) & np.isfinite(envelope_v)
    for run in _runs(known):
        points = [place(float(turns[n]), float(envelope_v[n])) for n in _thinned(run)]
        parts.append(_polyline(points, 0.9))
    parts.append(_line(left, bottom, right, bottom, _INK, 0.8))
    return Figure(_svg(width, height, caption, parts), width, height, caption)


def needle(offset_um: Point | None, limit_um: float | None, full_um: float, caption: str) -> Figure:
    """Draw the needle over a scale from `full_um` inward to as much outward."""
    width, height, x0, y0, radius = 240.0, 88.0, 120.0, 112.0, 92.0

    def at(um: float, reach: float) -> tuple[float, float]:
        held = max(-1.06, min(1.06, um / full_um))
        angle = held * math.radians(52.0)
        return x0 + reach * math.sin(angle), y0 - reach * math.cos(angle)

    def foot(um: float) -> tuple[float, float]:
        # The needle comes out from under the lower edge.
        x, y = at(um, radius)
        part = (y0 - (height - 2)) / (y0 - y)
        return x0 + part * (x - x0), height - 2

    def arc(low: float, high: float, reach: float, pen: float, ink: str = _INK) -> str:
        count = max(2, int(48 * abs(high - low) / (2 * full_um)) + 2)
        points = [at(low + (high - low) * n / (count - 1), reach) for n in range(count)]
        return _polyline(points, pen, ink)

    parts = [arc(-full_um, full_um, radius, 0.8)]
    step = _step(full_um, 4)
    for count in range(-int(full_um / step + 1e-9), int(full_um / step + 1e-9) + 1):
        um = count * step
        parts.append(_line(*at(um, radius), *at(um, radius + 5), _INK, 0.8))
        parts.append(_text(*at(um, radius + 9), f"{um:+g}".replace("-", "−") if um else "0"))
    if limit_um is not None and limit_um <= full_um:
        parts.append(arc(-limit_um, limit_um, radius - 4, 3.0, _GREY))
        for um in (-limit_um, limit_um):
            parts.append(_line(*at(um, radius - 9), *at(um, radius), _INK, 1.2))
    parts += [_text(24, 84, "inward", "start"), _text(216, 84, "outward", "end")]
    if offset_um is None:
        parts.append(_text(x0, 76, "not measured"))
    else:
        low, high = offset_um.value - offset_um.expanded, offset_um.value + offset_um.expanded
        if offset_um.expanded > 0.0:
            parts.append(arc(low, high, radius - 14, 1.2))
            for um in (low, high):
                parts.append(_line(*at(um, radius - 17), *at(um, radius - 11), _INK, 1.2))
        parts.append(_line(*foot(offset_um.value), *at(offset_um.value, radius - 1), _INK, 2.0))
    return Figure(_svg(width, height, caption, parts), width, height, caption)


def hysteresis(stages: Sequence[Arrivals], caption: str) -> Figure:
    """Draw where the head came to rest, arrival by arrival, over the offset."""
    width, left, right = 540.0, 78.0, 530.0
    numbers = [
        um
        for stage in stages
        for point in (*stage.outside_um, *stage.inside_um)
        for um in (point.value - point.expanded, point.value + point.expanded)
    ]
    low, high, step = _span([*numbers, 0.0], 8)

    def x_of(um: float) -> float:
        return left + (um - low) / (high - low) * (right - left)

    parts: list[str] = []
    y = 14.0
    for stage in stages:
        begin = y
        for title, points, filled in (
            ("from outside", stage.outside_um, True),
            ("from inside", stage.inside_um, False),
        ):
            parts.append(_text(left - 5, y + 3.6 * len(points), title, "end"))
            for point in points:
                parts.append(_error_bar_across(x_of, point, y))
                parts.append(_triangle(x_of(point.value), y, filled))
                y += 7.2
            y += 4.0
        parts.append(_text(4, (begin + y) / 2 - 1, stage.title, "start", bold=True, turned=True))
        if stage.middle_um is not None:
            x = x_of(stage.middle_um)
            parts.append(_line(x, begin - 6, x, y - 6, _INK, 0.9, "4 2"))
        y += 6.0
    bottom = y
    parts.insert(0, _line(x_of(0.0), 6, x_of(0.0), bottom, _GREY, 1.4))
    parts += _scale_across(low, high, step, x_of, bottom)
    parts.append(_text((left + right) / 2, bottom + 22, "offset in µm, + outward"))
    height = bottom + 26
    return Figure(_svg(width, height, caption, parts), width, height, caption)


def history(visits: Sequence[Visit], caption: str) -> Figure:
    """Draw the offset as found and as left over the years, and how it went in between."""
    width, height, left, right, top, bottom = 540.0, 150.0, 42.0, 516.0, 8.0, 114.0
    points = [p for v in visits for p in (v.found_um, v.left_um) if p is not None]
    numbers = [um for p in points for um in (p.value - p.expanded, p.value + p.expanded)]
    low, high, step = _span([*numbers, 0.0], 6)
    days = [visit.at.timestamp() / 86_400.0 for visit in visits]
    margin = 0.04 * (days[-1] - days[0]) or 1.0
    first, last = days[0] - margin, days[-1] + margin

    def x_of(day: float) -> float:
        return left + (day - first) / (last - first) * (right - left)

    def y_of(um: float) -> float:
        return bottom - (um - low) / (high - low) * (bottom - top)

    parts = []
    for count in range(round((high - low) / step) + 1):
        um = low + count * step
        y = y_of(um)
        parts += [_line(left, y, right, y, _PALE, 0.5), _text(left - 4, y + 3, _signed(um), "end")]
    parts.append(_line(left, y_of(0.0), right, y_of(0.0), _GREY, 1.2))
    told = -math.inf
    held: tuple[float, float] | None = None
    for day, visit in zip(days, visits, strict=True):
        x = x_of(day)
        if held is not None and visit.found_um is not None:
            parts.append(_line(*held, x - _ASIDE, y_of(visit.found_um.value), _INK, 0.8, "5 3"))
        rests = visit.left_um
        held = None if rests is None else (x + _ASIDE, y_of(rests.value))
        parts += _visited(x, visit, y_of)
        parts.append(_line(x, bottom, x, bottom + 3, _INK, 0.7))
        if x - told > 52:
            parts.append(_text(x, bottom + 12, visit.at.date().isoformat()))
            told = x
    parts.append(_line(left, bottom, right, bottom, _INK, 0.8))
    parts += _legend(height - 8)
    return Figure(_svg(width, height, caption, parts), width, height, caption)


def _visited(x: float, visit: Visit, y_of: Callable[[float], float]) -> list[str]:
    parts = []
    for shift, point, filled in ((-_ASIDE, visit.found_um, False), (_ASIDE, visit.left_um, True)):
        if point is None:
            continue
        at, y = x + shift, y_of(point.value)
        if point.expanded > 0.0:
            high, low = y_of(point.value + point.expanded), y_of(point.value - point.expanded)
            parts.append(_line(at, high, at, low, _INK, 0.8))
            parts += [_line(at - 2, end, at + 2, end, _INK, 0.8) for end in (high, low)]
        parts.append(_square(at, y) if filled else _circle(at, y))
    return parts


def _legend(y: float) -> list[str]:
    return [
        _text(42, y, "offset in µm, + outward:", "start"),
        _circle(162, y - 3),
        _text(168, y, "as found", "start"),
        _square(220, y - 3),
        _text(226, y, "as left", "start"),
        _text(268, y, "bars: ±U, k = 2", "start"),
        _line(350, y - 3, 374, y - 3, _INK, 0.8, "5 3"),
        _text(378, y, "by itself, from job to job", "start"),
    ]


def _scale_across(
    low: float, high: float, step: float, x_of: Callable[[float], float], y: float
) -> list[str]:
    parts = [_line(x_of(low), y, x_of(high), y, _INK, 0.8)]
    for count in range(round((high - low) / step) + 1):
        um = low + count * step
        x = x_of(um)
        parts += [_line(x, y, x, y + 3, _INK, 0.7), _text(x, y + 11, _signed(um))]
    return parts


def _error_bar_across(x_of: Callable[[float], float], point: Point, y: float) -> str:
    low, high = x_of(point.value - point.expanded), x_of(point.value + point.expanded)
    return _line(low, y, high, y, _GREY, 0.8)


def _span(numbers: Sequence[float], steps: int) -> tuple[float, float, float]:
    """Return round ends around `numbers`, and the step between the scale's figures."""
    low, high = min(numbers), max(numbers)
    step = _step(high - low or 1.0, steps)
    low, high = math.floor(low / step) * step, math.ceil(high / step) * step
    return low, (high if high > low else low + step), step


def _step(span: float, most: int) -> float:
    """Return 1, 2 or 5 times a power of ten, of which about `most` make up `span`."""
    rough = span / most
    if not math.isfinite(rough) or rough <= 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(rough))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough * (1 - 1e-9))


def _runs(known: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Return the places of each stretch without a gap."""
    places = np.flatnonzero(known)
    if not places.size:
        return []
    return list(np.split(places, np.flatnonzero(np.diff(places) > 1) + 1))


def _thinned(run: NDArray[np.int64]) -> NDArray[np.int64]:
    return run[:: max(1, math.ceil(run.size / _MOST_POINTS))]


def _signed(um: float) -> str:
    return "0" if abs(um) < 1e-9 else f"{um:+g}".replace("-", "−")


def _svg(width: float, height: float, label: str, parts: Iterable[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-label="{escape(label)}">{"".join(parts)}</svg>'
    )


def _line(
    x1: float, y1: float, x2: float, y2: float, ink: str, pen: float, dashes: str = ""
) -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{ink}" '
        f'stroke-width="{pen:g}"{dashed}/>'
    )


def _polyline(points: Iterable[tuple[float, float]], pen: float, ink: str = _INK) -> str:
    joined = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<polyline points="{joined}" fill="none" stroke="{ink}" stroke-width="{pen:g}"/>'


def _text(
    x: float,
    y: float,
    text: str,
    anchor: str = "middle",
    *,
    bold: bool = False,
    turned: bool = False,
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    turn = ""
    if turned:
        x, y, anchor = x + 6, y, "middle"
        turn = f' transform="rotate(-90 {x:.1f} {y:.1f})"'
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-family="sans-serif" font-size="{_TEXT:g}" '
        f'text-anchor="{anchor}"{weight}{turn} fill="{_INK}">{escape(text)}</text>'
    )


def _triangle(x: float, y: float, filled: bool) -> str:
    side = -3.2 if filled else 3.2
    fill = _INK if filled else "#ffffff"
    return (
        f'<path d="M{x - 3.4:.1f} {y + side:.1f} H{x + 3.4:.1f} L{x:.1f} {y - side:.1f} Z" '
        f'fill="{fill}" stroke="{_INK}" stroke-width="0.8"/>'
    )


def _circle(x: float, y: float) -> str:
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.8" fill="#ffffff" stroke="{_INK}" '
        'stroke-width="1"/>'
    )


def _square(x: float, y: float) -> str:
    return f'<rect x="{x - 2.6:.1f}" y="{y - 2.6:.1f}" width="5.2" height="5.2" fill="{_INK}"/>'
