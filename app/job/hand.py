"""The check in hand: it asks, is answered, and may take the last answer back."""

from __future__ import annotations

from collections.abc import Callable

from app.job.asking import Barred, Check, concluded
from app.job.bench import Situation
from app.job.model import Ask, Do, Enter, Outcome, Take, Verdict
from app.job.takings import Answer


class InHand:
    """One run of a check.

    The answers are kept: to take one back, the check is run again with all but that one.

    Parameters
    ----------
    check : callable
        Returns the check's generator for a situation.
    make_situation : callable
        Returns the situation at the check's beginning, each time a new one.
    """

    def __init__(
        self, check: Callable[[Situation], Check], make_situation: Callable[[], Situation]
    ) -> None:
        self._check = check
        self._make_situation = make_situation
        self._answers: list[Answer] = []
        self.situation: Situation
        self.ask: Ask | None = None
        self.outcome: Outcome | None = None
        self._run()

    @property
    def can_undo(self) -> bool:
        """Whether there is an answer to take back."""
        return bool(self._answers)

    def answer(self, value: Answer) -> None:
        """Go on with an answer: to the next ask, or to the outcome."""
        self._answers.append(value)
        self._send(value)

    def undo(self) -> None:
        """Take back the last answer, which is asked for again."""
        self._answers.pop()
        self._run()

    def _run(self) -> None:
        self.situation = self._make_situation()
        self._generator = self._check(self.situation)
        for value in (None, *self._answers):
            self._send(value)

    def _send(self, value: Answer) -> None:
        try:
            self.ask = self._generator.send(value)
        except StopIteration as end:
            self.ask, self.outcome = None, end.value
        except Barred as bar:
            self.ask = None
            self.outcome = concluded(self.situation, Verdict.UNDECIDED, reason=str(bar))


def checked(ask: Ask, value: Answer) -> Answer:
    """Return an answer as the check wants it.

    Raises
    ------
    ValueError
        When it cannot stand; the sentence says what can.
    """
    if isinstance(ask, Do):
        if value is not True:
            raise ValueError(f"“{ask.action}” is answered once it has been done")
        return True
    if isinstance(ask, Take):
        if isinstance(value, bool | float | int | str) or value is None:
            raise ValueError(f"“{ask.label}” is answered by a measurement")
        return value
    return value if value is None else _entered(ask, value)


def _entered(ask: Enter, value: Answer) -> Answer:
    if ask.choices:
        if value not in ask.choices:
            raise ValueError(f"“{value}” cannot be chosen; choose {' or '.join(ask.choices)}")
        return value
    if ask.low is None and ask.high is None and not ask.unit:
        return str(value)
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise ValueError(
            f"“{value}” is not a number; enter one{_between(ask)}, or nothing where it is not known"
        ) from None
    low = float("-inf") if ask.low is None else ask.low
    high = float("inf") if ask.high is None else ask.high
    if not low <= number <= high:
        raise ValueError(f"{number:g} {ask.unit} cannot be; enter {low:g} to {high:g}")
    return number


def _between(ask: Enter) -> str:
    return "" if ask.low is None or ask.high is None else f" from {ask.low:g} to {ask.high:g}"
