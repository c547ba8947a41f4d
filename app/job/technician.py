"""The virtual technician: does at the virtual drive what a job asks, and nothing else."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import pairwise

from app.job.checks.centre import LEAVE, MIDDLE_OF_TRACK
from app.job.checks.gauge import PLACE
from app.job.checks.mechanics import IN_ORDER, NOT_IN_ORDER, PARTS
from app.job.checks.prepare import NO, YES
from app.job.model import ALIGNMENT, SCRATCH, Action, Answer, Do, Enter
from instruments.source import PracticeControls

_PROTECTED = "protected"
"""A scratch disk whose notch is covered."""
_AWAY_S = 0.8
"""Off the track for so long, that it is seen: an analysis needs some turns."""
_SAID: dict[str, float | str] = {
    LEAVE: MIDDLE_OF_TRACK,
    "room temperature": 23.0,
    "chassis temperature": 23.0,
    "relative humidity": 50.0,
    "minutes since power-on": 30.0,
}
"""The virtual drive stands in a room at the temperature of the standards' tests, and is brought to
the middle of an ordinary track."""


class Technician:
    """Answers what is for hands and eyes.

    Nudges go by what the tool says alone: the technician does not know where the head is.

    Parameters
    ----------
    hands : PracticeControls
        The virtual drive's.
    said : mapping, optional
        What is told of the room, by the key that it is asked for by, where it is another than that
        of the standards' tests.
    """

    def __init__(
        self, hands: PracticeControls, said: Mapping[str, float | str] | None = None
    ) -> None:
        self._hands = hands
        self._said = {**_SAID, **(said or {})}

    def answer(self, ask: Do | Enter) -> Answer:
        """Do what is asked, or tell what is seen, None where there is nothing to see."""
        if isinstance(ask, Enter):
            return self._seen(ask)
        self._do(ask)
        return True

    def _do(self, ask: Do) -> None:
        hands, amount = self._hands, ask.amount or 0.0
        ways: dict[Action, Callable[[], object]] = {
            Action.INSERT_ALIGNMENT: lambda: hands.insert(ALIGNMENT),
            Action.PROVE_PROTECT: lambda: (hands.insert(_PROTECTED), hands.write("2F")),
            Action.INSERT_SCRATCH: lambda: hands.insert(SCRATCH),
            # What is recorded on the disk that came with the drive is among the drive's options.
            Action.INSERT_COVERED: lambda: hands.insert(ALIGNMENT),
            Action.ZERO_GAUGE: hands.zero_gauge,
            Action.SEEK: lambda: (hands.select(ask.head), hands.seek(ask.track or 0)),
            Action.RESEAT: hands.reseat,
            Action.ARRIVE_FROM_OUTSIDE: lambda: self._step_by(ask.stops),
            Action.ARRIVE_FROM_INSIDE: lambda: self._step_by(ask.stops),
            Action.PUSH_OUTWARD: lambda: hands.push(True),
            Action.PUSH_INWARD: lambda: hands.push(False),
            Action.WAIT: lambda: hands.let_pass(amount),
            Action.TRIM_SPEED: lambda: hands.trim_speed(amount),
            Action.LOOSEN: hands.loosen,
            Action.NUDGE: lambda: hands.nudge(amount),
            Action.TIGHTEN: hands.tighten,
            Action.WRITE_1F: lambda: hands.write("1F"),
            Action.WRITE_2F: lambda: hands.write("2F"),
        }
        if ask.action in ways:
            ways[ask.action]()

    def _step_by(self, stops: tuple[int, ...]) -> None:
        """Step from the last of the stops to each in turn."""
        for place, (before, stop) in enumerate(pairwise((*stops[-1:], *stops))):
            if place:
                self._hands.wait(_AWAY_S)
            self._hands.step(stop - before)

    def _seen(self, ask: Enter) -> float | str | None:
        if ask.key == "write refused":
            return YES if self._hands.write_protected else NO
        if ask.key.startswith("track-zero sensor"):
            return YES if self._hands.at_track_zero else NO
        if ask.key in dict(PARTS):
            return NOT_IN_ORDER if self._hands.is_worn(ask.key) else IN_ORDER
        if ask.key == PLACE:
            return self._hands.gauge_um
        return self._said.get(ask.key)
