"""What the job's card says at one moment: the ask in large words, and the ways on."""

from __future__ import annotations

from dataclasses import dataclass, replace

from app.analysis.bench.arrival import ArrivalState
from app.analysis.bench.locking import LockAdvice
from app.analysis.reading import Reading
from app.dashboard.job.desk import Desk, Writing
from app.dashboard.job.words import (
    check_name,
    outcome_words,
    step_name,
    step_title,
    value_words,
    verdict_name,
)
from app.dashboard.words import said, translate
from app.job import messages
from app.job.job import Job
from app.job.model import Action, Do, Enter, Outcome, Take, Verdict
from app.job.plan import State
from app.records.wording import amount

_CLOCKWISE = (messages.NUDGE_CLOCKWISE.text, messages.NUDGE_TRIAL.text)


@dataclass(frozen=True, slots=True)
class Card:
    """What the card shows.

    Attributes
    ----------
    title, words : str
        Which check, and the ask, or what the check came to.
    figure : str
        The size of what the hand is to do; large.
    live : str
        How far it has come, at the pace of the reading.
    button : str
        What Enter does.
    verdict : Verdict or None
        Of a check that is looked at.
    entry : str or None
        What stands beside the entry: unit and range; None without one.
    choices : tuple of str
        Answers of which one is chosen.
    part : float or None
        How far a measurement has come.
    may_skip, may_back, may_lend, may_close : bool
        Which further ways there are.
    """

    title: str = ""
    words: str = ""
    figure: str = ""
    live: str = ""
    button: str = ""
    verdict: Verdict | None = None
    entry: str | None = None
    choices: tuple[str, ...] = ()
    part: float | None = None
    may_skip: bool = False
    may_back: bool = False
    may_lend: bool = False
    may_close: bool = True


def card_of(desk: Desk, reading: Reading | None) -> Card:
    """Return what the card shows of a job; `reading` is the newest that speaks of now."""
    job = desk.job
    if job is None:
        return Card()
    if desk.writing:
        return _writing(desk, job)
    if job.closed:
        return _closed(job)
    if desk.elsewhere and desk.chosen is not None:
        return _looked_at(job, desk.chosen)
    if job.step is None or job.ask is None:
        return _ended(job)
    return _asked(desk, job, reading)


def _writing(desk: Desk, job: Job) -> Card:
    skips = desk.writing is Writing.SKIP
    if skips:
        title = "" if job.step is None else step_name(job.step, job.profile.sides)
        words = translate("job", "Leave this check out: give the reason, which is kept.")
    else:
        title = translate("job", "Close the job with what is open")
        words = _open_words(job)
    return Card(
        title,
        words,
        button=translate("job", "Leave out") if skips else translate("job", "Close the job"),
        entry=translate("job", "reason"),
        may_back=True,
    )


def _open_words(job: Job) -> str:
    failed = [f"{check_name(each.check)}: {value_words(each)}" for each in job.open_failures]
    pending = sum(step.state in (State.PENDING, State.IN_HAND) for step in job.steps)
    lines = []
    if failed:
        lines.append(translate("job", "Failed: {0}.").format("; ".join(failed)))
    if pending:
        lines.append(translate("job", "Not done: {0} checks.").format(pending))
    lines.append(translate("job", "Give the reason, which is kept."))
    return "\n".join(lines)


def _closed(job: Job) -> Card:
    rows = (
        (translate("job", "offset"), job.as_found.offset_um, job.as_left.offset_um),
        (translate("job", "hysteresis"), job.as_found.hysteresis_um, job.as_left.hysteresis_um),
        (translate("job", "speed"), job.as_found.speed_rpm, job.as_left.speed_rpm),
    )
    lines = [
        f"{name}  {amount(replace(found, unit=''))} → {amount(left)}"
        for name, found, left in rows
        if found is not None and left is not None
    ]
    return Card(
        translate("job", "The job is closed"),
        "\n".join([translate("job", "As found → as left:"), *lines]),
        button=translate("job", "See the report"),
        may_close=False,
    )


def _looked_at(job: Job, index: int) -> Card:
    step = job.steps[index]
    title = step_title(step, job.profile.sides)
    outcome: Outcome | None = step.outcome
    if outcome is None:
        return Card(
            title,
            translate("job", "Not done yet."),
            button=translate("job", "Take it in hand"),
            may_back=True,
        )
    return Card(
        f"{title}: {verdict_name(outcome.verdict)}",
        outcome_words(outcome),
        button=translate("job", "Do it again"),
        may_back=True,
        verdict=outcome.verdict,
    )


def _ended(job: Job) -> Card:
    if job.may_close:
        words = translate("job", "Every check has ended, and none is failed.")
    else:
        words = _open_words(job)
    return Card(
        translate("job", "Nothing more to do"), words, button=translate("job", "Close the job")
    )


def _asked(desk: Desk, job: Job, reading: Reading | None) -> Card:
    ask, step = job.ask, job.step
    assert ask is not None
    assert step is not None
    title = step_title(step, job.profile.sides)
    plain = Card(
        title,
        said(ask.message),
        may_skip=True,
        may_back=job.can_undo or desk.part is not None,
        may_lend=desk.may_lend_hand,
    )
    match ask:
        case Take():
            words = plain.words
            if desk.part is None:
                words = translate("job", "Ready to measure: {0}.").format(_what(ask))
            return replace(plain, words=words, button=translate("job", "Measure"), part=desk.part)
        case Enter():
            return replace(
                plain,
                button=translate("job", "Enter"),
                entry=None if ask.choices else _range(ask),
                choices=ask.choices,
            )
        case Do():
            return replace(
                plain,
                figure=_figure(ask),
                live=_live(desk, ask, reading),
                button=translate("job", "Done"),
            )


def _what(ask: Take) -> str:
    place = "" if ask.track is None else translate("job", ", track {0}, side {1}")
    place = place.format(ask.track, ask.side)
    return translate("job", "{0} turns{1}").format(ask.turns, place)


def _range(ask: Enter) -> str:
    unit = f"{ask.unit}  " if ask.unit else ""
    if ask.low is None or ask.high is None:
        return unit.strip()
    return translate("job", "{0}{1:g} to {2:g}; empty: not known").format(unit, ask.low, ask.high)


def _figure(ask: Do) -> str:
    """Return how far the body is to be turned, and which way round."""
    if ask.action is not Action.NUDGE or len(ask.message.values) < 2:
        return ""
    degrees, flange_mm = ask.message.values[:2]
    if ask.message.text == messages.NUDGE_COUNTER.text:
        arrow = "↺ "
    else:
        arrow = "↻ " if ask.message.text in _CLOCKWISE else ""
    return f"{arrow}{degrees}°   {flange_mm} mm"


def _live(desk: Desk, ask: Do, reading: Reading | None) -> str:
    if desk.hand.arrival is not None:
        return {
            ArrivalState.ON_TRACK: translate("job", "The head is on the track; it is watched."),
            ArrivalState.AWAY: translate("job", "The head is away."),
            ArrivalState.SETTLING: translate("job", "The head is back; it settles."),
            ArrivalState.ARRIVED: "",
        }[desk.hand.arrival.state]
    if reading is None or not reading.valid:
        return ""
    if desk.hand.lock is not None:
        return _lock_words(desk)
    if ask.action is Action.TRIM_SPEED and reading.speed_rpm is not None and desk.job is not None:
        rpm = reading.speed_rpm.value
        away = 100.0 * (rpm / desk.job.profile.speed_rpm - 1.0)
        return translate("job", "{0:.2f} rpm, {1:+z.2f} %").format(rpm, away).replace("-", "−")
    if ask.action is Action.NUDGE and reading.offset_um is not None:
        away_um = reading.offset_um.value - desk.zero_um
        side = translate("job", "outward") if away_um > 0 else translate("job", "inward")
        return translate("job", "The middle is {0:.1f} µm {1}.").format(abs(away_um), side)
    return ""


def _lock_words(desk: Desk) -> str:
    lock = desk.hand.lock
    if lock is None or lock.finding is None:
        return translate("job", "Wait with the screws: where the head is now is being measured.")
    moved = translate("job", "Tightening has moved the head by {0:+z.1f} µm.")
    words = moved.format(lock.finding.moved_um.value).replace("-", "−")
    if lock.advice is LockAdvice.BACK_OFF:
        return f"{words} {translate('job', 'Back off: it has gone too far.')}"
    return words
