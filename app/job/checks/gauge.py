"""Moving the head by known distances: by a dial gauge at the carriage, or by half steps."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from app.analysis.messages import fill
from app.analysis.results import Message, Quantity
from app.job import messages
from app.job.checks.common import Barred, Hands, change
from app.job.model import Action, Ask, Do, Enter, Situation
from app.job.verdicts import near

PLACE = "place by the gauge"
BY_NUDGES, BY_STEPS = "nudges", "half steps"
_PLACE_U_UM = 3.0
"""Of a place where nothing is said of it (our choice, from no source)."""
_FARTHEST_UM = 5000.0
_MOST_LOCKS = 3
_MOST_NUDGES = 3
"""Before each tightening."""


@dataclass(slots=True)
class Gauge:
    """What tells how far the head was moved.

    Attributes
    ----------
    by_nudges : bool
        Whether the loose body is nudged, beside a dial gauge; else the stepper's half steps move.
    u_um : float
        Standard uncertainty of a single place.
    now_um : float
        Where it has the head, outward of the first place.
    """

    by_nudges: bool
    u_um: float
    now_um: float = 0.0

    @property
    def place_um(self) -> Quantity:
        """Where it has the head, with its u."""
        return Quantity(self.now_um, self.u_um)


def with_gauge(situation: Situation) -> Generator[Ask, Any, Gauge]:
    """Have a way to move the head by known distances."""
    way = yield Enter("moved by", messages.MOVED_BY, choices=(BY_NUDGES, BY_STEPS))
    u_um = yield Enter("u of a place", messages.PLACE_U, "µm", 0.1, 50.0)
    gauge = Gauge(way != BY_STEPS, _PLACE_U_UM if u_um is None else u_um)
    if gauge.by_nudges:
        # Before the screws are touched: loosening may move what was locked under strain.
        yield Do(Action.ZERO_GAUGE, messages.ZERO_GAUGE)
        if situation.drive.loose is not True:
            yield from _loosened(situation, gauge, messages.LOOSEN)
    return gauge


def moved_to(gauge: Gauge, aim_um: float) -> Generator[Ask, Any, bool]:
    """Have the head moved near a place; returns whether it was told where it is then."""
    text = messages.MOVE_BY_GAUGE if gauge.by_nudges else messages.MOVE_BY_STEPS
    words = fill(text, f"{aim_um:+.0f}")
    yield Do(Action.NUDGE, words, amount=aim_um - gauge.now_um)
    told = yield Enter(PLACE, messages.WHERE_BY_GAUGE, "µm", -_FARTHEST_UM, _FARTHEST_UM)
    if told is not None:
        gauge.now_um = told
    return told is not None


def left_at(situation: Situation, gauge: Gauge, aim_um: float) -> Hands:
    """Have the head brought to a place and tightened, again while that moves it away.

    Half steps move no screw, and leave it to the hand.

    Raises
    ------
    Barred
        When it is not told where the head is.
    """
    if not gauge.by_nudges:
        return
    # Closer than a place is known, another nudge would be a guess.
    lock_um = max(situation.options.lock_um, gauge.u_um)
    close_um, creep_um = near(situation.profile, lock_um), 0.0
    for number in range(_MOST_LOCKS):
        if number:
            off = (f"{gauge.now_um - aim_um:+.1f}", f"{creep_um:+.1f}")
            yield from _loosened(situation, gauge, fill(messages.BACK_OFF_BY_GAUGE, *off))
        yield from _nudged_to(situation, gauge, aim_um - creep_um)
        loose_um = gauge.now_um
        yield from _tightened(situation, gauge)
        creep_um = gauge.now_um - loose_um
        if abs(gauge.now_um - aim_um) <= close_um:
            return


def _nudged_to(situation: Situation, gauge: Gauge, aim_um: float) -> Hands:
    close_um = near(situation.profile, situation.options.preset_um)
    for _ in range(_MOST_NUDGES):
        if abs(aim_um - gauge.now_um) <= close_um:
            return
        told = yield from moved_to(gauge, aim_um)
        change(situation, nudges=situation.drive.nudges + 1)
        if not told:
            raise Barred(str(messages.PLACE_UNTOLD))


def _loosened(situation: Situation, gauge: Gauge, words: Message) -> Hands:
    yield Do(Action.LOOSEN, words)
    change(situation, loose=True)
    yield from _placed(gauge)


def _tightened(situation: Situation, gauge: Gauge) -> Hands:
    yield Do(Action.TIGHTEN, messages.TIGHTEN_BY_GAUGE)
    drive = situation.drive
    # A tightening after the first is one more move of the adjustment.
    nudges = drive.nudges + (1 if drive.tightened else 0)
    change(situation, loose=False, tightened=drive.tightened + 1, nudges=nudges)
    yield from _placed(gauge)


def _placed(gauge: Gauge) -> Hands:
    """Ask where the head stands now.

    Raises
    ------
    Barred
        When that is not told.
    """
    told = yield Enter(PLACE, messages.WHERE_BY_GAUGE, "µm", -_FARTHEST_UM, _FARTHEST_UM)
    if told is None:
        raise Barred(str(messages.PLACE_UNTOLD))
    gauge.now_um = told
