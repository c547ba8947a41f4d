"""The virtual technician: does at the virtual drive what a job asks, and nothing else."""

from __future__ import annotations

from app.job.checks.prepare import NO, YES
from app.job.model import ALIGNMENT, SCRATCH, Action, Answer, Do, Enter
from instruments.source import PracticeControls

_PROTECTED = "protected"
"""A scratch disk whose notch is covered."""
_AWAY_TRACKS = 2
_ROOM: dict[str, float] = {
    "room temperature": 23.0,
    "chassis temperature": 23.0,
    "relative humidity": 50.0,
    "minutes since power-on": 30.0,
}
"""The virtual drive stands in a room at the temperature of the standards' tests."""


class Technician:
    """Answers what is for hands and eyes.

    Nudges go by what the tool says alone: the technician knows nothing of where the head stands.

    Parameters
    ----------
    hands : PracticeControls
        The virtual drive's controls.
    """

    def __init__(self, hands: PracticeControls) -> None:
        self._hands = hands

    def answer(self, ask: Do | Enter) -> Answer:
        """Do what is asked, or tell what is seen, None where there is nothing to see."""
        if isinstance(ask, Enter):
            return self._seen(ask)
        self._do(ask)
        return True

    def _do(self, ask: Do) -> None:
        hands = self._hands
        match ask.action:
            case Action.INSERT_ALIGNMENT:
                hands.insert(ALIGNMENT)
            case Action.PROVE_PROTECT:
                hands.insert(_PROTECTED)
                hands.write("2F")
            case Action.INSERT_SCRATCH:
                hands.insert(SCRATCH)
            case Action.SEEK:
                hands.select(ask.side)
                hands.seek(ask.track or 0)
            case Action.RESEAT:
                hands.reseat()
            case Action.LOOSEN:
                hands.loosen()
            case Action.TIGHTEN:
                hands.tighten()
            case _:
                self._do_by_amount(ask)

    def _seen(self, ask: Enter) -> float | str | None:
        if ask.key == "write refused":
            return YES if self._hands.write_protected else NO
        if ask.key.startswith("track-zero sensor"):
            return YES if self._hands.at_track_zero else NO
        return _ROOM.get(ask.key)

    def _do_by_amount(self, ask: Do) -> None:
        hands, amount = self._hands, ask.amount or 0.0
        match ask.action:
            case Action.NUDGE:
                hands.nudge(amount)
            case Action.TRIM_SPEED:
                hands.trim_speed(amount)
            case Action.ARRIVE_FROM_OUTSIDE | Action.ARRIVE_FROM_INSIDE:
                # A track number grows inward.
                away = -_AWAY_TRACKS if ask.action is Action.ARRIVE_FROM_OUTSIDE else _AWAY_TRACKS
                hands.step(away)
                hands.step(-away)
            case Action.WRITE_1F:
                hands.write("1F")
            case Action.WRITE_2F:
                hands.write("2F")
            case _:
                pass
