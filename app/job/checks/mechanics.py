"""What eye and finger find of the mechanics, in the words of whoever looks."""

from __future__ import annotations

from app.analysis.messages import fill
from app.analysis.results import Message, Verdict
from app.job import messages
from app.job.checks.common import Check, concluded
from app.job.model import Action, Do, Enter, Situation, Value

IN_ORDER, NOT_IN_ORDER, NOT_LOOKED = "in order", "not in order", "not looked at"
PARTS: tuple[tuple[str, Message], ...] = (
    ("rails", messages.LOOK_RAILS),
    ("lubrication", messages.LOOK_LUBRICATION),
    ("belt", messages.LOOK_BELT),
    ("cone", messages.LOOK_CONE),
    ("pad", messages.LOOK_PAD),
)
"""What is looked at, and how, in the order of the trade: from the carriage to the disk."""


def words_key(part: str) -> str:
    """Return under which name what is seen at a part is entered."""
    return f"{part}: what is seen"


def mechanics(situation: Situation) -> Check:
    """Look at the parts one after the other; what is not in order is told in the person's words."""
    yield Do(Action.CONFIRM, messages.POWER_OFF)
    faulty: list[str] = []
    passed_over: list[str] = []
    for part, how in PARTS:
        found = yield Enter(part, how, choices=(IN_ORDER, NOT_IN_ORDER, NOT_LOOKED))
        if found == NOT_IN_ORDER:
            seen = yield Enter(words_key(part), fill(messages.WHAT_IS_SEEN, part))
            faulty.append(f"{part}: {seen}" if seen else part)
        elif found != IN_ORDER:
            passed_over.append(part)
    verdict = Verdict.NOTED if passed_over else Verdict.PASS
    said = [*faulty, *([f"{NOT_LOOKED}: {', '.join(passed_over)}"] if passed_over else [])]
    return concluded(
        situation,
        Verdict.FAIL if faulty else verdict,
        reason="; ".join(said),
        details=(Value("looked at", float(len(PARTS) - len(passed_over))),),
    )
