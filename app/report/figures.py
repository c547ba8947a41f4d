"""The drawings of a report, from what a job measured."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from app.book.drift import Drift, drifts_of, moment_of
from app.book.model import JobRecord, JobSummary
from app.job.model import MIDDLE, CheckName, Entry, Outcome, Stage, Summary, Value
from app.job.outcomes import that_count
from app.report import drawing
from app.report.blocks import Block, Figure, Figures, Lines, amount
from app.report.drawing import Point

BOTH = (Stage.AS_FOUND, Stage.AS_LEFT)
_FAR = 1e9
"""From here up, in any unit, a number is a fault and cannot be drawn."""
_LEAST_DAYS = 30
"""A rate a year says nothing where it is stretched from less."""
_ARRIVAL = re.compile(r"(from outside|from inside) \d+")


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
    shown = [
        abs(value.value) + 2.0 * (value.u or 0.0) for value in offsets.values() if value is not None
    ]
    widest = max([1.0, *(1.6 * um for um in limits.values() if um), *(1.05 * um for um in shown)])
    step = 10.0 if widest > 10.0 else 1.0
    full_um = step * -(-widest // step)
    return Figures(
        tuple(
            drawing.needle(
                _point(offsets[stage]),
                limits[stage],
                full_um,
                f"{stage.capitalize()}: "
                + ("not measured" if (value := offsets[stage]) is None else amount(value))
                + (f"; grey band: limit ±{um:.1f} µm" if (um := limits[stage]) else ""),
            )
            for stage in BOTH
        )
    )


def traces(record: JobRecord) -> tuple[Block, ...]:
    """Draw the lobes as found and as left, side by side on one scale, a pair for each side."""
    chosen = that_count(
        ((entry.side, entry.stage), entry.stage, named(entry.values, "offset") is not None, entry)
        for entry in record.entries
        if entry.check is CheckName.RADIAL and _has_trace(entry)
    )
    if not chosen:
        return (Lines(("No trace of the lobes was kept.",)),)
    top_v = max(_top_v(entry) for entry in chosen.values())
    drawn = {key: _trace(entry, top_v) for key, entry in chosen.items()}
    sides = sorted({side for side, _ in drawn})
    for stage in BOTH:
        if not any((side, stage) in drawn for side in sides):
            # Nothing to lay side by side: the sides stand there instead.
            alone = Figures(tuple(drawn[key] for key in sorted(drawn)))
            return alone, Lines((f"No trace was kept {stage}.",))
    return tuple(
        Figures(tuple(drawn[side, stage] for stage in BOTH if (side, stage) in drawn))
        for side in sides
    )


def hysteresis(record: JobRecord, outcomes: Sequence[Outcome]) -> tuple[Block, ...]:
    """Draw the arrivals from both sides as found and as left."""
    stages = []
    for stage in BOTH:
        outcome = _outcome(outcomes, CheckName.HYSTERESIS, stage)
        middle = None if outcome is None else named(outcome.details, MIDDLE)
        chosen = that_count(
            (entry.label, stage, True, Point(offset.value, 2.0 * _own_u(entry, offset)))
            for entry in record.entries
            if entry.check is CheckName.HYSTERESIS
            and entry.stage is stage
            and _ARRIVAL.fullmatch(entry.label)
            and (offset := named(entry.values, "offset")) is not None
        )
        outside, inside = (
            tuple(point for label, point in chosen.items() if label.startswith(words))
            for words in ("from outside", "from inside")
        )
        if outside or inside:
            stages.append(
                drawing.Arrivals(stage, outside, inside, None if middle is None else middle.value)
            )
    if not stages:
        return (Lines(("No arrivals were measured.",)),)
    caption = (
        "Where the head came to rest, arrival by arrival; bars: ±U (k = 2) of the measuring "
        "itself, without the disk's scale. Broken line: middle between both sides. Grey line: "
        "track line."
    )
    return (Figures((drawing.hysteresis(stages, caption),)),)


def history(record: JobRecord, past: Sequence[JobSummary]) -> tuple[Block, ...]:
    """Draw the offset over the drive's jobs up to this one, and tell how it drifts."""
    earlier = [
        one for one in past if one.virtual == record.head.virtual and one.number != record.number
    ]
    this = record.summary
    jobs = _by_time([*earlier, this], until=moment_of(this.opened_at))
    left_out = sum(one.virtual != this.virtual and one.number != this.number for one in past)
    kind = "a real drive" if this.virtual else "the virtual drive"
    aside = [f"Left out: {left_out} of its jobs, done on {kind}."] if left_out else []
    if len(jobs) < 2:
        return (Lines(("There is no earlier job of this drive in the book.", *aside)),)
    visits = [
        drawing.Visit(at, _point(one.as_found.offset_um), _point(one.as_left.offset_um))
        for at, one in jobs
    ]
    if not any(visit.found_um or visit.left_um for visit in visits):
        return (Lines(("No job in the book has measured the offset.",)),)
    caption = f"Offset over {len(jobs)} jobs; the last of them is this one."
    courses = drifts_of([one for _, one in jobs])
    offset, *others = courses
    said = [
        _rate(offset),
        *(_rate(each) for each in others if _days(each) >= _LEAST_DAYS),
        *_since_last(jobs),
        *aside,
    ]
    return Figures((drawing.history(visits, caption),)), Lines(tuple(said))


def _rate(course: Drift) -> str:
    rate = course.finding.rate_per_year
    if rate is None:
        return f"Drift of the {course.name}: too few jobs to tell."
    days = _days(course)
    if days < _LEAST_DAYS:
        return f"Drift of the {course.name}: {days} days from first to last are too few to tell."
    words = amount(Value("", rate.value, rate.u, f"{course.unit} a year"))
    told = "" if course.finding.drifts else ", which cannot be told from none"
    return (
        f"Drift of the {course.name} over {course.finding.count} jobs, adjustments taken out: "
        f"{words}{told}."
    )


def _days(course: Drift) -> int:
    return (max(course.at) - min(course.at)).days if course.at else 0


def _since_last(jobs: Sequence[tuple[datetime, JobSummary]]) -> tuple[str, ...]:
    """Tell how far the drive has moved by itself since it was last left."""
    (then, last), (now, this) = jobs[-2:]
    left, found = last.as_left.offset_um, this.as_found.offset_um
    if left is None or found is None:
        return ()
    u = None
    if left.u is not None and found.u is not None:
        u = float(np.hypot(left.u, found.u))
    moved = amount(Value("", found.value - left.value, u, "µm"))
    return (f"Offset since job {last.number} left it, {(now - then).days} days before: {moved}.",)


def _by_time(
    past: Iterable[JobSummary], until: datetime | None
) -> list[tuple[datetime, JobSummary]]:
    timed = [(moment_of(one.opened_at), one) for one in past]
    kept = [
        (
            at,
            replace(
                one,
                # All of them with an offset from UTC, so that they can be told apart.
                opened_at=at.isoformat(),
                as_found=_sound(one.as_found),
                as_left=_sound(one.as_left),
            ),
        )
        for at, one in timed
        if at is not None and (until is None or at <= until)
    ]
    return sorted(kept, key=lambda pair: pair[0])


def _radial_limit_um(outcomes: Sequence[Outcome], stage: Stage) -> float | None:
    outcome = _outcome(outcomes, CheckName.RADIAL, stage)
    limit_um = None if outcome is None or outcome.limit is None else outcome.limit.high
    return None if limit_um is None or not 0.0 < limit_um < _FAR else limit_um


def _outcome(outcomes: Sequence[Outcome], check: CheckName, stage: Stage) -> Outcome | None:
    return next((each for each in outcomes if (each.check, each.stage) == (check, stage)), None)


def _point(value: Value | None) -> Point | None:
    return None if value is None else Point(value.value, 2.0 * (value.u or 0.0))


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
        _drawable(summary.offset_um),
        _drawable(summary.hysteresis_um),
        _drawable(summary.speed_rpm),
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
    return drawing.trace(entry.turns, envelope_v, top_v, _trace_caption(entry))


def _trace_caption(entry: Entry) -> str:
    words = [f"{entry.stage.capitalize()}, side {entry.side}"]
    for name in ("first lobe", "second lobe"):
        value = named(entry.values, name)
        if value is not None:
            u = None if value.u is None else 1e3 * value.u
            words.append(f"{name} {amount(Value('', 1e3 * value.value, u, 'mV'))}")
    ratio = named(entry.values, "ratio")
    if ratio is not None:
        words.append(f"ratio {amount(ratio)}")
    return "; ".join(words)
