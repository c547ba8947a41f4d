"""The drawings of a report: what of a job is drawn, and how, as SVG.

Black on white, told apart by shape and never by colour; nothing that a user typed gets into them.
Only what SVG Tiny 1.2 has is used, and attributes in place of styles, so that a browser and a
printer show the same.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from html import escape

import numpy as np
from numpy.typing import NDArray

from app.analysis.budget import Part
from app.analysis.results import Verdict
from app.book.drift import MIN_DAYS, Drift, drifts_of, moment_of
from app.book.model import JobRecord, JobSummary
from app.job.model import MIDDLE, CheckName, Entry, Outcome, Stage, Summary, Value
from app.job.outcomes import that_count
from app.language import say
from app.report.blocks import Figure, Figures, Lines, ReportBlock, amount
from app.report.wording import begun

BOTH = (Stage.AS_FOUND, Stage.AS_LEFT)
_FAR = 1e9
"""From here up, in any unit, a number is a fault and cannot be drawn."""
_ARRIVAL = re.compile(r"(from outside|from inside) \d+")
_INK, _GREY, _PALE = "#000000", "#555555", "#bbbbbb"
_MAX_POINTS = 720
_TEXT = 8.0
_LETTER = 4.6
"""About how wide a letter is."""
_UPRIGHT = 10
"""Letters that stand upright beside the arrivals of one stage."""
_ASIDE = 3.0
"""As found and as left stand this far from their job's day, so that both are seen."""


def named(values: Iterable[Value], name: str) -> Value | None:
    """Return the value of that name, None where there is none that can be drawn."""
    return _drawable(next((value for value in values if value.name == name), None))


def summaries(record: JobRecord) -> tuple[tuple[Stage, Summary], ...]:
    """Return the drive's numbers as found and as left."""
    return (Stage.AS_FOUND, _sound(record.as_found)), (Stage.AS_LEFT, _sound(record.as_left))


def days_of(record: JobRecord) -> tuple[str, ...]:
    """Return the days on which something was measured, in their order."""
    moments = (moment_of(entry.taken_at) for entry in record.entries)
    days = (moment.date().isoformat() for moment in moments if moment is not None)
    return tuple(dict.fromkeys(sorted(days)))


def needles(record: JobRecord, outcomes: Sequence[Outcome]) -> Figures:
    """Draw the needle as found and as left, on one scale."""
    limits = {stage: _radial_limit_um(outcomes, stage) for stage in BOTH}
    offsets = {stage: summary.offset_um for stage, summary in summaries(record)}
    reach = [
        abs(value.value) + 2.0 * (value.u or 0.0) for value in offsets.values() if value is not None
    ]
    unit = _unit_of(offsets.values())
    widest = max([1.0, *(1.6 * um for um in limits.values() if um), *(1.05 * um for um in reach)])
    step = 10.0 if widest > 10.0 else 1.0
    full_um = step * -(-widest // step)
    drawn = []
    for stage in BOTH:
        offset, limit_um = offsets[stage], limits[stage]
        shown = say("not measured") if offset is None else amount(offset)
        caption = f"{begun(say(stage))}: {shown}"
        if limit_um:
            caption += say("; thick arc: limit ±{0}", amount(Value("", limit_um, unit=unit)))
        drawn.append(draw_needle(offset, limit_um, full_um, caption))
    return Figures(tuple(drawn))


def traces(record: JobRecord) -> tuple[ReportBlock, ...]:
    """Draw the lobes as found and as left, side by side on one scale, a pair for each side."""
    chosen = that_count(
        ((entry.side, entry.stage), entry.stage, named(entry.values, "offset") is not None, entry)
        for entry in record.entries
        if entry.check is CheckName.RADIAL and _has_trace(entry)
    )
    if not chosen:
        return (Lines((say("No trace of the lobes was kept."),)),)
    top_v = max(_top_v(entry) for entry in chosen.values())
    drawn = {key: _trace(entry, top_v) for key, entry in chosen.items()}
    sides = sorted({side for side, _ in drawn})
    for stage in BOTH:
        if not any((side, stage) in drawn for side in sides):
            # Nothing to lay side by side: the sides stand there instead.
            alone = Figures(tuple(drawn[key] for key in sorted(drawn)))
            return alone, Lines((say("No trace was kept {0}.", say(stage)),))
    return tuple(
        Figures(tuple(drawn[side, stage] for stage in BOTH if (side, stage) in drawn))
        for side in sides
    )


def hysteresis(record: JobRecord, outcomes: Sequence[Outcome]) -> tuple[ReportBlock, ...]:
    """Draw the arrivals of head 0 from both sides as found and as left."""
    stages: list[tuple[Stage, Mapping[str, Value], Value | None]] = []
    for stage in BOTH:
        outcome = _outcome(
            [each for each in outcomes if not each.side], CheckName.HYSTERESIS, stage
        )
        middle = None if outcome is None else named(outcome.details, MIDDLE)
        arrivals = that_count(
            (entry.label, stage, True, replace(offset, u=_own_u(entry, offset)))
            for entry in record.entries
            if entry.check is CheckName.HYSTERESIS
            and (entry.stage, entry.side) == (stage, 0)
            and _ARRIVAL.fullmatch(entry.label)
            and (offset := named(entry.values, "offset")) is not None
        )
        if arrivals:
            stages.append((stage, arrivals, middle))
    if not stages:
        return (Lines((say("No arrivals were measured."),)),)
    caption = say(
        "Where the head came to rest, arrival by arrival; bars: ±U (k = 2) of the measuring "
        "itself, without the disk's scale. Broken line: middle between both sides. Thick line: "
        "track line."
    )
    return (Figures((_draw_arrivals(stages, caption),)),)


def history(record: JobRecord, past: Sequence[JobSummary]) -> tuple[ReportBlock, ...]:
    """Draw the offset over the drive's jobs up to this one, and tell how it drifts."""
    earlier = [one for one in past if one.virtual == record.virtual and one.number != record.number]
    this = record.summary
    jobs = _by_time([*earlier, this], until=moment_of(this.opened_at))
    left_out = sum(one.virtual != this.virtual and one.number != this.number for one in past)
    aside: list[str] = []
    if left_out and this.virtual:
        aside.append(say("Left out: {0} of its jobs, done on a real drive.", left_out))
    elif left_out:
        aside.append(say("Left out: {0} of its jobs, done on the virtual drive.", left_out))
    if len(jobs) < 2:
        return (Lines((say("There is no earlier job of this drive in the book."), *aside)),)
    if not any(offset for _, one in jobs for offset in _offsets(one)):
        return (Lines((say("No job in the book has measured the offset."),)),)
    caption = say("Offset over {0} jobs; the last of them is this one.", len(jobs))
    courses = drifts_of([one for _, one in jobs])
    offset, *others = courses
    said = [
        _rate(offset),
        *(_rate(each) for each in others if each.days >= MIN_DAYS),
        *_since_last(jobs),
        *aside,
    ]
    return Figures((_draw_history(jobs, caption),)), Lines(tuple(said))


def _rate(course: Drift) -> str:
    rate, name = course.finding.rate_per_year, say(course.name)
    if rate is None:
        return say("Drift of the {0}: too few jobs to tell.", name)
    if not course.is_in_order:
        return say(
            "Drift of the {0}: the jobs' times do not follow their numbers, so it cannot be told; "
            "look to the computer's clock.",
            name,
        )
    if course.rate_per_year is None:
        return say(
            "Drift of the {0}: {1} days from first to last are too few to tell.", name, course.days
        )
    words = amount(Value("", rate.value, rate.u, say("{0} a year", course.unit)))
    if not course.finding.drifts:
        words = say("{0}, which cannot be told from none", words)
    count = course.finding.count
    return say("Drift of the {0} over {1} jobs, adjustments taken out: {2}.", name, count, words)


def _since_last(jobs: Sequence[tuple[datetime, JobSummary]]) -> tuple[str, ...]:
    """Tell how far the drive has moved by itself since it was last left."""
    (then, last), (now, this) = jobs[-2:]
    left, found = last.as_left.offset_um, this.as_found.offset_um
    if left is None or found is None:
        return ()
    u = None
    if left.u is not None and found.u is not None:
        u = float(np.hypot(left.u, found.u))
    moved = amount(Value("", found.value - left.value, u, found.unit))
    days = (now - then).days
    return (say("Offset since job {0} left it, {1} days before: {2}.", last.number, days, moved),)


def _by_time(
    past: Iterable[JobSummary], until: datetime | None
) -> list[tuple[datetime, JobSummary]]:
    timed = [(moment_of(one.opened_at), one) for one in past]
    kept = [
        (at, replace(one, as_found=_sound(one.as_found), as_left=_sound(one.as_left)))
        for at, one in timed
        if at is not None and (until is None or at <= until)
    ]
    return sorted(kept, key=lambda pair: pair[0])


def _unit_of(values: Iterable[Value | None]) -> str:
    """Return the unit that offsets are shown in."""
    return next((value.unit for value in values if value is not None), "µm")


def _radial_limit_um(outcomes: Sequence[Outcome], stage: Stage) -> float | None:
    outcome = _outcome(outcomes, CheckName.RADIAL, stage)
    limit_um = None if outcome is None or outcome.limit is None else outcome.limit.high
    return None if limit_um is None or not 0.0 < limit_um < _FAR else limit_um


def _outcome(outcomes: Sequence[Outcome], check: CheckName, stage: Stage) -> Outcome | None:
    return next((each for each in outcomes if (each.check, each.stage) == (check, stage)), None)


def _own_u(entry: Entry, offset: Value) -> float:
    """Return what the measuring itself leaves: the disk's scale is common to all arrivals."""
    balance = named(entry.values, "balance")
    if balance is None or balance.u is None or balance.value == 0.0:
        return offset.u or 0.0
    return abs(offset.value / balance.value) * balance.u


def _drawable(value: Value | None) -> Value | None:
    """Return a value if it can be drawn, without an uncertainty that cannot."""
    if value is None or not abs(value.value) < _FAR:
        return None
    return value if value.u is None or 0.0 <= value.u < _FAR else replace(value, u=None)


def _sound(summary: Summary) -> Summary:
    return Summary(
        _drawable(summary.offset_um), _drawable(summary.hysteresis_um), _drawable(summary.speed_rpm)
    )


def _has_trace(entry: Entry) -> bool:
    turns, envelope_v = entry.turns, entry.envelope_v
    if turns is None or envelope_v is None or turns.shape != envelope_v.shape:
        return False
    return bool(np.any(np.isfinite(turns)) and np.any(np.abs(envelope_v) < _FAR))


def _top_v(entry: Entry) -> float:
    assert entry.envelope_v is not None
    return float(entry.envelope_v[np.abs(entry.envelope_v) < _FAR].max())


def _trace(entry: Entry, top_v: float) -> Figure:
    assert entry.turns is not None
    assert entry.envelope_v is not None
    envelope_v = np.where(np.abs(entry.envelope_v) < _FAR, entry.envelope_v, np.float32(np.nan))
    return draw_trace(entry.turns, envelope_v, top_v, _trace_caption(entry))


def _trace_caption(entry: Entry) -> str:
    words = [say("{0}, side {1}", begun(say(entry.stage)), entry.side)]
    for name in ("first lobe", "second lobe"):
        value = named(entry.values, name)
        if value is not None:
            u = None if value.u is None else 1e3 * value.u
            words.append(f"{say(name)} {amount(Value('', 1e3 * value.value, u, 'mV'))}")
    ratio = named(entry.values, "ratio")
    if ratio is not None:
        words.append(f"{say('ratio')} {amount(ratio)}")
    return "; ".join(words)


# -- drawing -------------------------------------------------------------------------------------


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
    return _svg(12, 12, say(verdict), [shapes[verdict]])


def draw_trace(
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
    words = say("envelope in {0} over the angle of the disk", unit)
    parts.append(_text((left + right) / 2, height - 2, words))
    known = np.isfinite(turns) & np.isfinite(envelope_v)
    for run in _runs(known):
        points = [place(float(turns[n]), float(envelope_v[n])) for n in _thinned(run)]
        parts.append(_polyline(points, 0.9))
    parts.append(_line(left, bottom, right, bottom, _INK, 0.8))
    return Figure(_svg(width, height, caption, parts), width, height, caption)


def draw_budget(parts: Sequence[Part], caption: str) -> Figure:
    """Draw each part of a budget as a bar of its standard uncertainty, the largest on top."""
    width, left, right, row = 540.0, 150.0, 500.0, 13.0
    ordered = sorted(parts, key=lambda part: -part.u)
    top_u = ordered[0].u or 1.0
    drawn: list[str] = []
    for place, part in enumerate(ordered):
        y = 6.0 + place * row
        end = left + part.u / top_u * (right - left - 80.0)
        drawn.append(_text(left - 4, y + 8, say(part.name), "end"))
        drawn.append(_bar(left, y + 1, end, y + 9))
        words = f"{part.u:.2g}"
        if part.value:
            words += say(" (corrected {0:+.1f})", part.value)
        drawn.append(_text(end + 4, y + 8, words.replace("-", "−"), "start"))
    height = 12.0 + len(ordered) * row
    drawn.append(_line(left, 4, left, height - 4, _INK, 0.8))
    return Figure(_svg(width, height, caption, drawn), width, height, caption)


def draw_needle(
    offset_um: Value | None, limit_um: float | None, full_um: float, caption: str
) -> Figure:
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
    parts += [_text(24, 84, say("inward"), "start"), _text(216, 84, say("outward"), "end")]
    if offset_um is None:
        parts.append(_text(x0, 76, say("not measured")))
    else:
        low, high = _ends(offset_um)
        if low < high:
            parts.append(arc(low, high, radius - 14, 1.2))
            for um in (low, high):
                parts.append(_line(*at(um, radius - 17), *at(um, radius - 11), _INK, 1.2))
        parts.append(_line(*foot(offset_um.value), *at(offset_um.value, radius - 1), _INK, 2.0))
    return Figure(_svg(width, height, caption, parts), width, height, caption)


def _draw_arrivals(
    stages: Sequence[tuple[Stage, Mapping[str, Value], Value | None]], caption: str
) -> Figure:
    """Draw where the head came to rest, arrival by arrival, over the offset.

    Of each stage the offsets by label, in micrometres, and the middle between both sides.
    """
    width, left, right = 540.0, 78.0, 530.0
    numbers = [um for _, offsets, _ in stages for value in offsets.values() for um in _ends(value)]
    low, high, step = _span([*numbers, 0.0], 8)

    def x_of(um: float) -> float:
        return left + (um - low) / (high - low) * (right - left)

    parts: list[str] = []
    y = 14.0
    for stage, offsets, middle in stages:
        begin = y
        for title, filled in (("from outside", True), ("from inside", False)):
            values = [value for label, value in offsets.items() if label.startswith(title)]
            parts.append(_text(left - 5, y + 3.6 * len(values), say(title), "end"))
            for value in values:
                low_x, high_x = map(x_of, _ends(value))
                parts.append(_line(low_x, y, high_x, y, _GREY, 0.8))
                parts.append(_triangle(x_of(value.value), y, filled))
                y += 7.2
            y += 4.0
        across = (begin + y) / 2 - 1
        upright = _beside(say(stage))
        for x, words in upright:
            turned = f' font-weight="bold" transform="rotate(-90 {x:.1f} {across:.1f})"'
            parts.append(_text(x, across, words, extra=turned))
        if middle is not None:
            x = x_of(middle.value)
            parts.append(_line(x, begin - 6, x, y - 6, _INK, 0.9, "4 2"))
        y += 6.0 if len(upright) == 1 else 14.0
    bottom = y
    parts.insert(0, _line(x_of(0.0), 6, x_of(0.0), bottom, _GREY, 1.4))
    parts += _scale_across(low, high, step, x_of, bottom)
    unit = _unit_of(value for _, offsets, _ in stages for value in offsets.values())
    parts.append(_text((left + right) / 2, bottom + 22, say("offset in {0}, + outward", unit)))
    height = bottom + 26
    return Figure(_svg(width, height, caption, parts), width, height, caption)


def _beside(words: str) -> list[tuple[float, str]]:
    """Return the lines of what stands upright beside a drawing: one, or two of long words."""
    if len(words) <= _UPRIGHT:
        return [(10.0, words)]
    first, _, rest = words.partition(" ")
    return [(10.0, first), (20.0, rest)]


def _draw_history(jobs: Sequence[tuple[datetime, JobSummary]], caption: str) -> Figure:
    """Draw the offset as found and as left over the years, and how it went in between."""
    width, height, left, right, top, bottom = 540.0, 150.0, 42.0, 516.0, 8.0, 114.0
    values = [one for _, job in jobs for one in _offsets(job) if one is not None]
    numbers = [um for value in values for um in _ends(value)]
    low, high, step = _span([*numbers, 0.0], 6)
    days = [at.timestamp() / 86_400.0 for at, _ in jobs]
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
    for day, (at, job) in zip(days, jobs, strict=True):
        x = x_of(day)
        found, rests = _offsets(job)
        if held is not None and found is not None:
            parts.append(_line(*held, x - _ASIDE, y_of(found.value), _INK, 0.8, "5 3"))
        held = None if rests is None else (x + _ASIDE, y_of(rests.value))
        parts += _draw_offset(x - _ASIDE, found, y_of, _circle)
        parts += _draw_offset(x + _ASIDE, rests, y_of, _square)
        parts.append(_line(x, bottom, x, bottom + 3, _INK, 0.7))
        if x - told > 52:
            parts.append(_text(x, bottom + 12, at.date().isoformat()))
            told = x
    parts.append(_line(left, bottom, right, bottom, _INK, 0.8))
    parts += _legend(height - 8, _unit_of(values))
    return Figure(_svg(width, height, caption, parts), width, height, caption)


def _offsets(job: JobSummary) -> tuple[Value | None, Value | None]:
    return job.as_found.offset_um, job.as_left.offset_um


def _draw_offset(
    x: float,
    offset: Value | None,
    y_of: Callable[[float], float],
    symbol: Callable[[float, float], str],
) -> list[str]:
    if offset is None:
        return []
    parts = []
    low, high = map(y_of, _ends(offset))
    if low != high:
        parts.append(_line(x, high, x, low, _INK, 0.8))
        parts += [_line(x - 2, end, x + 2, end, _INK, 0.8) for end in (high, low)]
    return [*parts, symbol(x, y_of(offset.value))]


def _legend(y: float, unit: str) -> list[str]:
    """Draw what the signs mean, each in its place or behind what is longer before it."""
    parts: list[str] = []
    end = 0.0
    for place, sign, aside, words in (
        (42.0, None, 0.0, say("offset in {0}, + outward:", unit)),
        (162.0, _circle, 6.0, say("as found")),
        (220.0, _square, 6.0, say("as left")),
        (268.0, None, 0.0, say("bars: ±U, k = 2")),
        (350.0, _dashes, 28.0, say("by itself, from job to job")),
    ):
        x = max(place, end + 4.0)
        parts += [sign(x, y - 3)] if sign is not None else []
        parts.append(_text(x + aside, y, words, "start"))
        end = x + aside + _LETTER * len(words)
    return parts


def _dashes(x: float, y: float) -> str:
    return _line(x, y, x + 24, y, _INK, 0.8, "5 3")


def _scale_across(
    low: float, high: float, step: float, x_of: Callable[[float], float], y: float
) -> list[str]:
    parts = [_line(x_of(low), y, x_of(high), y, _INK, 0.8)]
    for count in range(round((high - low) / step) + 1):
        um = low + count * step
        x = x_of(um)
        parts += [_line(x, y, x, y + 3, _INK, 0.7), _text(x, y + 11, _signed(um))]
    return parts


def _ends(value: Value) -> tuple[float, float]:
    """Return a value less and plus its expanded uncertainty, k = 2."""
    expanded = 2.0 * (value.u or 0.0)
    return value.value - expanded, value.value + expanded


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
    return run[:: max(1, math.ceil(run.size / _MAX_POINTS))]


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


def _text(x: float, y: float, text: str, anchor: str = "middle", extra: str = "") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-family="sans-serif" font-size="{_TEXT:g}" '
        f'text-anchor="{anchor}"{extra} fill="{_INK}">{escape(text)}</text>'
    )


def _triangle(x: float, y: float, filled: bool) -> str:
    side = -3.2 if filled else 3.2
    fill = _INK if filled else "#ffffff"
    return (
        f'<path d="M{x - 3.4:.1f} {y + side:.1f} H{x + 3.4:.1f} L{x:.1f} {y - side:.1f} Z" '
        f'fill="{fill}" stroke="{_INK}" stroke-width="0.8"/>'
    )


def _bar(left: float, top: float, right: float, bottom: float) -> str:
    return (
        f'<path d="M{left:.1f} {top:.1f} H{right:.1f} V{bottom:.1f} H{left:.1f} Z" fill="{_GREY}"/>'
    )


def _circle(x: float, y: float) -> str:
    return (
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.8" fill="#ffffff" stroke="{_INK}" '
        'stroke-width="1"/>'
    )


def _square(x: float, y: float) -> str:
    return f'<rect x="{x - 2.6:.1f}" y="{y - 2.6:.1f}" width="5.2" height="5.2" fill="{_INK}"/>'
