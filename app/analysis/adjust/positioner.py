"""The head positioner: when the head has moved or arrived, and where it rests from either side.

:class:`ArrivalWatch` notices in live readings that the head left the track and came back, so that
hands stay put; :class:`MoveWatch` whether it has moved, or at least was in sight. The hysteresis is
the difference between where the head rests when it arrives from either side.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from app.analysis import messages
from app.analysis.results import Quantity, Reading, Side
from app.analysis.uncertainty import fit

_AWAY = frozenset(
    message.text
    for message in (
        messages.NO_CARRIER,
        # Noise alone may look so at a low rate; where it is so, no lobes come back.
        messages.CARRIER_BEYOND,
        messages.NO_PATTERN,
        messages.NO_LOCK,
        messages.NULLS_FILLED,
        *messages.FAR_OFF,
    )
)
"""Reasons that the signal gives when the head is not on the track; all others are the source's."""
_LOST_DB = 10.0
"""*Too uncertain* says so too where the signal has sunk by this: a weak one may be on the track."""
_SILENT_S = 1.0
"""With no reading for so long, what went before does not count on."""
_LATE = 2.5
"""Where readings come seldom, so many times longer than they usually take."""


class _Silence:
    """Tells when readings have stopped coming; a slow scope's may come but every few seconds."""

    def __init__(self) -> None:
        self._last_s: float | None = None
        self._gaps_s: deque[float] = deque(maxlen=5)

    def before(self, now_s: float) -> bool:
        """Take the time of the next reading; returns whether there was a silence before it."""
        last_s, self._last_s = self._last_s, now_s
        if last_s is None:
            return False
        usual_s = float(np.median(self._gaps_s)) if self._gaps_s else 0.0
        self._gaps_s.append(now_s - last_s)
        return now_s - last_s > max(_SILENT_S, _LATE * usual_s)


class ArrivalState(StrEnum):
    """Where the head is on its way back to the track."""

    ON_TRACK = "on track"
    """It has not left yet."""
    AWAY = "away"
    SETTLING = "settling"
    """The pattern is back."""
    ARRIVED = "arrived"


class Steadiness:
    """Judges whether an offset is at rest: both halves of a stretch of time agree.

    Parameters
    ----------
    stretch_s : float
        How long it must rest.
    slack_um : float
        A difference that counts as rest whatever the uncertainty.
    """

    def __init__(self, stretch_s: float, slack_um: float) -> None:
        self._stretch_s = stretch_s
        self._slack_um = slack_um
        self._recent: deque[tuple[float, Quantity]] = deque()

    def forget(self) -> None:
        """Begin anew."""
        self._recent.clear()

    def push(self, offset_um: Quantity, now_s: float) -> bool:
        """Take the newest offset; returns whether it rests."""
        self._recent.append((now_s, offset_um))
        # One older than the stretch is kept, which shows that the stretch is full.
        while len(self._recent) > 1 and self._recent[1][0] <= now_s - self._stretch_s:
            self._recent.popleft()
        if self._recent[0][0] > now_s - self._stretch_s:
            return False
        middle_s = now_s - self._stretch_s / 2.0
        early = [offset.value for when_s, offset in self._recent if when_s <= middle_s]
        late = [offset.value for when_s, offset in self._recent if when_s > middle_s]
        if not early or not late:
            return False
        slack_um = max(self._slack_um, 2.0 * offset_um.u)
        return abs(float(np.mean(late) - np.mean(early))) <= slack_um

    @property
    def mean_um(self) -> Quantity | None:
        """Mean of the stretch, with the u of one: neighbours share their samples."""
        if not self._recent:
            return None
        offsets = [offset for _, offset in self._recent]
        return Quantity(
            float(np.mean([offset.value for offset in offsets])),
            float(np.mean([offset.u for offset in offsets])),
        )


class ArrivalWatch:
    """Follows live readings; it has no clock, times are passed in.

    A reading without lobes says *away* only when the signal itself gives the reason: a stale or
    clipped source, a gap or a wait say nothing either way, and stop the clock.

    Parameters
    ----------
    away_s : float
        For how long the signal must say so.
    settle_s, settle_um : float
        How long the offset must rest once it is back, and a difference that counts as rest.
    """

    def __init__(
        self, *, away_s: float = 0.3, settle_s: float = 1.0, settle_um: float = 1.0
    ) -> None:
        self._away_s = away_s
        self._steady = Steadiness(settle_s, settle_um)
        self._silence = _Silence()
        self._end_index: int | None = None
        self._snr_db = -np.inf
        self.lobes_s: float | None = None
        """When the lobes were seen last."""
        self.begin()

    def begin(self) -> None:
        """Watch from now on for the head to leave."""
        self.state = ArrivalState.ON_TRACK
        self._since_s: float | None = None
        self._steady.forget()

    @property
    def arrived(self) -> bool:
        """Whether the head left, came back and rests; stays so."""
        return self.state is ArrivalState.ARRIVED

    def push(self, reading: Reading, now_s: float) -> ArrivalState:
        """Take the newest live reading at a monotonic time; the same one again counts as none."""
        if self.arrived or reading.end_index == self._end_index:
            return self.state
        self._end_index = reading.end_index
        if self._silence.before(now_s):
            self._pause()
        if reading.valid and reading.offset_um is not None:
            self._snr_db = max(reading.snr_db or -np.inf, self._snr_db)
            self._there(own(reading.offset_um, reading.balance), now_s)
        elif self._is_off_track(reading):
            self._gone(now_s)
        else:
            self._pause()
        return self.state

    def _is_off_track(self, reading: Reading) -> bool:
        sunk = reading.snr_db is not None and reading.snr_db < self._snr_db - _LOST_DB
        away = {messages.TOO_UNCERTAIN.text, *_AWAY} if sunk else _AWAY
        return bool(reading.reasons) and all(reason.text in away for reason in reading.reasons)

    def _there(self, offset_um: Quantity, now_s: float) -> None:
        self._since_s, self.lobes_s = None, now_s
        if self.state is ArrivalState.AWAY:
            self.state = ArrivalState.SETTLING
        if self.state is ArrivalState.SETTLING and self._steady.push(offset_um, now_s):
            self.state = ArrivalState.ARRIVED

    def _gone(self, now_s: float) -> None:
        self._steady.forget()
        if self._since_s is None:
            self._since_s = now_s
        if now_s - self._since_s >= self._away_s:
            self.state = ArrivalState.AWAY

    def _pause(self) -> None:
        self._steady.forget()
        self._since_s = None


def own(offset_um: Quantity, balance: Quantity | None) -> Quantity:
    """Return an offset with u of the balance alone: the scale's makes nothing move."""
    if balance is None or balance.value == 0.0:
        return offset_um
    return Quantity(offset_um.value, balance.u * abs(offset_um.value / balance.value))


_LEAST_MOVE_UM = 1.0
"""No less counts as a move: the arm breathes with the spindle (common practice)."""
_RESTS_S, _RESTS_LONG_S = 2.0, 6.0
"""So long a head stands still that a hand has ended; and that it has not but changed its grip."""


class MoveWatch:
    """Tells by live readings whether the head has moved, and whether it was in sight all the time.

    Parameters
    ----------
    before_um : Quantity or None
        Where it was, u without that of the disk's scale; the first reading when None.

    Attributes
    ----------
    moved : bool
        It was seen to move, by more than :attr:`resolution_um`.
    resolution_um : float
        What can be told apart.
    went_um : float or None
        How far it is from where it was, outward positive; None while it is not in sight.
    rests, rests_long : bool
        It has stood still for a while; and for so long that nobody turns it any more.
    """

    def __init__(self, before_um: Quantity | None = None) -> None:
        self._before_um = before_um
        self._steady = Steadiness(_RESTS_S, _LEAST_MOVE_UM)
        self._long_steady = Steadiness(_RESTS_LONG_S, _LEAST_MOVE_UM)
        self.went_um: float | None = None
        self.rests = self.rests_long = False
        self._silence = _Silence()
        self._end_index: int | None = None
        self._far: Side | None = None
        self._seen = self._broken = False
        self.moved = False
        self.resolution_um = _LEAST_MOVE_UM

    @property
    def in_sight(self) -> bool:
        """Whether the head was seen, and at no moment lost from sight."""
        return self._seen and not self._broken

    def push(self, reading: Reading, now_s: float) -> None:
        """Take the newest live reading at a monotonic time; the same one again counts as none."""
        if reading.end_index == self._end_index:
            return
        self._end_index = reading.end_index
        if silent := self._silence.before(now_s):
            self._begin_rest()
        self._broken |= silent
        self.went_um, self.rests, self.rests_long = None, False, False
        if reading.valid and reading.offset_um is not None:
            offset_um = own(reading.offset_um, reading.balance)
            self._there(offset_um)
            self.rests = self._steady.push(offset_um, now_s)
            self.rests_long = self._long_steady.push(offset_um, now_s)
            return
        self._begin_rest()
        if any(reason in messages.FAR_OFF for reason in reading.reasons):
            self._far_off(reading.side)
        elif reading.reasons != (messages.WAITING,):
            self._broken = True

    def _begin_rest(self) -> None:
        self._steady.forget()
        self._long_steady.forget()

    def _there(self, offset_um: Quantity) -> None:
        self._seen = True
        self.moved |= self._far is not None
        if self._before_um is None:
            self._before_um = offset_um
        u_um = np.hypot(self._before_um.u, offset_um.u)
        self.resolution_um = max(_LEAST_MOVE_UM, 3.0 * float(u_um))
        self.went_um = offset_um.value - self._before_um.value
        self.moved |= abs(self.went_um) > self.resolution_um

    def _far_off(self, side: Side | None) -> None:
        """With one lobe alone nothing but the side is known."""
        self._seen = True
        self.moved |= self._before_um is not None or self._far not in (None, side)
        self._far = side


@dataclass(frozen=True, slots=True)
class Arrival:
    """One arrival of the head on the track.

    Attributes
    ----------
    from_outside : bool
        Whether the last step went inward.
    offset_um : Quantity
        Where it rests; u above 0, without what all arrivals share (the uncertainty of the scale).
    at_s : float
        When, on any clock; the mere number of the arrival will do.
    """

    from_outside: bool
    offset_um: Quantity
    at_s: float


@dataclass(frozen=True, slots=True)
class HysteresisFinding:
    """Where the head rests from either side, each with the degrees of freedom of its u.

    Attributes
    ----------
    outside_um, inside_um : Quantity
        Where the head rests having arrived from each side, in the middle of the time.
    difference_um : Quantity
        The hysteresis: outside less inside.
    middle_um : Quantity
        Between both, in the middle of the time.
    drift_um : Quantity or None
        How far all went from first to last arrival; None with fewer than two from each side, when
        it is taken for none.
    scatter_um : float
        Standard deviation of single arrivals about all that.
    """

    count: int
    outside_um: Quantity
    inside_um: Quantity
    difference_um: Quantity
    middle_um: Quantity
    drift_um: Quantity | None
    scatter_um: float


def hysteresis_of(arrivals: Sequence[Arrival]) -> HysteresisFinding:
    """Return the hysteresis of arrivals, a steady drift taken out.

    They may come in any order of sides, best alternating.

    Raises
    ------
    ValueError
        When a side has none.
    """
    outside = sum(arrival.from_outside for arrival in arrivals)
    inside = len(arrivals) - outside
    if not outside or not inside:
        raise ValueError("hysteresis needs an arrival from each side; arrive from both")
    values = np.array([arrival.offset_um.value for arrival in arrivals])
    u = np.array([arrival.offset_um.u for arrival in arrivals])
    halves = np.array([0.5 if arrival.from_outside else -0.5 for arrival in arrivals])
    times = np.array([arrival.at_s for arrival in arrivals])
    span = float(np.ptp(times))
    columns = [np.ones(len(values)), halves]
    drifts = min(outside, inside) > 1 and span > 0.0
    if drifts:
        columns.append((times - (times.min() + times.max()) / 2.0) / span)
    found = fit(np.stack(columns, axis=1), values, u)
    rest = (0.0,) if drifts else ()
    return HysteresisFinding(
        count=len(arrivals),
        outside_um=found.estimate(1.0, 0.5, *rest),
        inside_um=found.estimate(1.0, -0.5, *rest),
        difference_um=found.estimate(0.0, 1.0, *rest),
        middle_um=found.estimate(1.0, 0.0, *rest),
        drift_um=found.estimate(0.0, 0.0, 1.0) if drifts else None,
        scatter_um=found.residual_sd,
    )
