"""What a job says and asks, in the unit that a person has chosen; kept it is in its own."""

from __future__ import annotations

from dataclasses import replace

from app.analysis.results import Message, Verdict
from app.job.model import Answer, Do, Enter, Limit, Outcome, Value
from app.numbers import Unit, span_shown, unit_shown, value_meant, value_shown, words_shown


def value_in(value: Value, shown: Unit) -> Value:
    """Return a value as it is shown."""
    return replace(
        value,
        value=value_shown(value.value, value.unit, shown),
        u=None if value.u is None else span_shown(value.u, value.unit, shown),
        unit=unit_shown(value.unit, shown),
    )


def limit_in(limit: Limit, shown: Unit) -> Limit:
    """Return a limit as it is shown."""
    low, high = (
        None if end is None else value_shown(end, limit.unit, shown)
        for end in (limit.low, limit.high)
    )
    return Limit(low, high, unit_shown(limit.unit, shown), words_shown(limit.source, shown))


def outcome_in(outcome: Outcome, shown: Unit) -> Outcome:
    """Return an outcome as it is shown; why a check was skipped is in the user's own words."""
    unit = outcome.unit
    value, u, expanded_u = outcome.value, outcome.u, outcome.expanded_u
    skipped = outcome.verdict is Verdict.SKIPPED
    return replace(
        outcome,
        value=None if value is None else value_shown(value, unit, shown),
        u=None if u is None else span_shown(u, unit, shown),
        expanded_u=None if expanded_u is None else span_shown(expanded_u, unit, shown),
        unit=unit_shown(unit, shown),
        limit=None if outcome.limit is None else limit_in(outcome.limit, shown),
        reason=outcome.reason if skipped else words_shown(outcome.reason, shown),
        details=tuple(value_in(each, shown) for each in outcome.details),
        budget=tuple(
            each.scaled(span_shown(1.0, each.unit, shown), unit_shown(each.unit, shown))
            for each in outcome.budget
        ),
        aim=words_shown(outcome.aim, shown),
    )


def entry_in(ask: Enter, shown: Unit) -> Enter:
    """Return what is to be entered as it is shown; the answer goes through :func:`answer_meant`."""
    low, high = (
        None if end is None else value_shown(end, ask.unit, shown) for end in (ask.low, ask.high)
    )
    return replace(ask, low=low, high=high, unit=unit_shown(ask.unit, shown))


def ask_in(ask: Do | Enter, shown: Unit) -> Do | Enter:
    """Return an ask with its sentence as it is shown, and likewise what is to be entered."""
    if shown is Unit.UM:
        return ask
    message = Message("{0}", (words_shown(str(ask.message), shown),))
    if isinstance(ask, Do):
        return replace(ask, message=message)
    return replace(entry_in(ask, shown), message=message)


def answer_meant(ask: Do | Enter, answer: Answer, shown: Unit) -> Answer:
    """Return what was answered to an ask as it is shown, in the ask's own unit.

    What is no number is left for the job to refuse.
    """
    if not isinstance(ask, Enter) or unit_shown(ask.unit, shown) == ask.unit:
        return answer
    if not isinstance(answer, str | float | int):
        return answer
    try:
        return value_meant(float(answer), ask.unit, shown)
    except ValueError:
        return answer
