"""The line that steps the drive for a job, where one is stated: it does what hands would do.

Threads: *stepping*, one for each movement, waits for the line; :class:`Stepping` belongs to the
thread that leads the job, and does not wait.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future

from app.analysis.adjust.positioner import ArrivalState, ArrivalWatch
from app.job.model import Ask, Do
from instruments.source import AddressError, PracticeControls
from instruments.steps import protocol
from instruments.steps.line import StepsFault, StepsLine, steps_line
from instruments.virtual.steps import StepsDevice, VirtualSteps

Hands = Callable[[], PracticeControls | None]

VIRTUAL = "sim:"
"""Address of the line that steps the virtual drive."""

_WATCHED_S = 10.0
"""For so long the lobes are waited for, to go or to come back; then the line's word counts."""
_STILL_S = 3.0
"""Lobes that are seen for so much longer have not gone."""

_OFF_AND_BACK = 2
"""Stops that an arrival still has when it begins."""


class Stepping:
    """Steps by wire.

    Parameters
    ----------
    address : str
        ``serial:PORT`` or ``run:COMMAND``.
    clock : callable
        Monotonic seconds.
    let_go : callable, optional
        Called once when it is closed.

    Attributes
    ----------
    on : bool
        Whether the line steps; otherwise the hands do.
    said : str
        Why it steps no more; empty where it does, or where a hand has taken over.
    astray : bool
        The head may be elsewhere than was asked: until a hand, or the line once more, has brought
        it there, what is read is not read where the job has it.

    Raises
    ------
    AddressError
        When the address cannot be used as written.
    """

    def __init__(
        self,
        address: str,
        clock: Callable[[], float] = time.monotonic,
        let_go: Callable[[], None] | None = None,
    ) -> None:
        self._line: StepsLine = steps_line(address)
        self._clock = clock
        self._let_go = let_go
        self.on = True
        self.said = ""
        self.astray = False
        # Of the ask that is being done:
        self._ask: Ask | None = None
        self._left: list[int] = []
        self._since_s = 0.0
        self._lobes_s: float | None = None
        self._move: Future[None] | None = None

    @property
    def name(self) -> str:
        """The line's address."""
        return self._line.name

    def open(self) -> None:
        """Hear now that somebody answers, and not with the first movement; waits for that.

        Raises
        ------
        StepsFault
            When nobody does.
        """
        self._line.open()

    def takes(self, ask: Ask | None) -> bool:
        """Tell whether an ask is for the line to do."""
        return self.on and isinstance(ask, Do) and bool(ask.stops)

    @property
    def aim(self) -> int | None:
        """The track to which the head is on its way, None while the line waits."""
        return None if self._move is None or self._ask is None or not self._left else self._left[0]

    def tend(self, ask: Ask | None, arrival: ArrivalWatch | None) -> bool:
        """Go on with what is asked, as far as it is stepping; returns whether it is done.

        Parameters
        ----------
        ask : Ask or None
            What the job asks.
        arrival : ArrivalWatch or None
            What is seen of an arrival.
        """
        if self._move is not None and not (self._move.done() and self._has_come(arrival)):
            return False
        if not self.takes(ask):
            self._forget()
            return False
        assert isinstance(ask, Do)
        if ask is not self._ask:
            # An arrival begins on the track, wherever the head was before.
            self._ask, self._left = ask, [*ask.stops[1:], *ask.stops]
        elif arrival is not None and not self._is_seen(arrival):
            return False
        if self._left:
            self._begin(ask)
        return self._move is None

    def take_over(self) -> None:
        """Leave the stepping to the hands; a movement under way comes to its end."""
        self.on = False

    def give_back(self) -> None:
        """Have the line step again, from anew: it cannot know where hands have left the head."""
        if self._move is None or self._move.done():
            self._forget()
            self._line.close()
        self.on, self.said = True, ""

    def close(self) -> None:
        """Let go of the line; the motor is left as it is. May be called again."""
        self.on = False
        self._line.close()
        let_go, self._let_go = self._let_go, None
        if let_go is not None:
            let_go()

    # -- inside --------------------------------------------------------------------------------

    def _forget(self) -> None:
        self._ask, self._left, self._move = None, [], None

    def _begin(self, ask: Do) -> None:
        """Let the head go to the next of its stops."""
        move: Future[None] = Future()
        line, stop = self._line, self._left[0]

        def go() -> None:
            try:
                _bring(line, ask, stop)
            except Exception as fault:
                move.set_exception(fault)
            else:
                move.set_result(None)

        self._move = move
        threading.Thread(target=go, name="stepping", daemon=True).start()

    def _has_come(self, arrival: ArrivalWatch | None) -> bool:
        """Take up a movement that has ended; returns whether the head has come to its stop."""
        assert self._move is not None
        move, self._move = self._move, None
        fault = move.exception()
        if isinstance(fault, StepsFault):
            # A hand that has taken over knows better than to wait for it.
            if self.on:
                self._fail(str(fault), astray=fault.moved)
            return False
        move.result()
        self.astray = False
        self._left.pop(0)
        self._since_s = self._clock()
        if arrival is not None and len(self._left) == _OFF_AND_BACK:
            arrival.begin()
        self._lobes_s = None if arrival is None else arrival.lobes_s
        return True

    def _is_seen(self, arrival: ArrivalWatch) -> bool:
        """Tell whether the lobes have gone, or come back, as they had to."""
        if len(self._left) == _OFF_AND_BACK:
            return True
        away = bool(self._left)
        if arrival.state is (ArrivalState.AWAY if away else ArrivalState.ARRIVED):
            return True
        if self._lobes_s is None:
            self._lobes_s = arrival.lobes_s
        since_s, seen_s = self._lobes_s, arrival.lobes_s
        if away and since_s is not None and seen_s is not None and seen_s - since_s > _STILL_S:
            self._fail(
                f"steps “{self.name}”: it says that the head left the track, and the lobes are "
                "still there",
                astray=True,
            )
            return False
        return self._clock() - self._since_s > _WATCHED_S

    def _fail(self, why: str, *, astray: bool) -> None:
        self._line.close()
        self._forget()
        self.on, self.said, self.astray = False, f"{why}; go on by hand", self.astray or astray


def check_steps(address: str, *, virtual: bool) -> None:
    """Refuse what is no address of a line that could step the drive behind a source.

    Raises
    ------
    AddressError
        When it cannot be used as written, or is the virtual drive's and the source is not.
    """
    if address.strip() != VIRTUAL:
        steps_line(address)
    elif not virtual:
        raise AddressError(
            f"steps “{VIRTUAL}”: it steps the virtual drive alone; write serial:PORT or run:COMMAND"
        )


def stepping_of(address: str, hands: Hands | None) -> Stepping:
    """Return what steps by a line, not yet open; of the virtual drive by a line of its own.

    Parameters
    ----------
    hands : callable or None
        Returns those at the virtual drive as it is open now; None at any other.

    Raises
    ------
    SourceError
        When the address cannot be used as written, or not with this source.
    """
    check_steps(address, virtual=hands is not None)
    if hands is None or address.strip() != VIRTUAL:
        return Stepping(address)
    virtual = VirtualSteps(StepsDevice(_OpenNow(hands)))
    return Stepping(virtual.address, let_go=virtual.close)


class _OpenNow:
    """The hands at the virtual drive, which may have been opened anew meanwhile."""

    def __init__(self, hands: Hands) -> None:
        self._hands = hands

    def select(self, side: int) -> None:
        """Select a head."""
        self._now.select(side)

    def step(self, tracks: int) -> None:
        """Step so many tracks inward."""
        self._now.step(tracks)

    def seek(self, track: int) -> None:
        """Go to a track."""
        self._now.seek(track)

    @property
    def _now(self) -> PracticeControls:
        now = self._hands()
        if now is None:
            raise OSError("the virtual drive is not open")
        return now


def _bring(line: StepsLine, ask: Do, stop: int) -> None:
    """Bring the head that is asked for to one of its stops.

    Raises
    ------
    StepsFault
        When the line does not do so.
    """
    if not line.is_open:
        line.open()
    line.ask(protocol.WHERE)
    if not line.standing.motor:
        line.ask(protocol.motor(True))
    if line.standing.head != ask.head:
        line.ask(protocol.select(ask.head))
    arrives = len(ask.stops) > 1
    if not arrives or line.standing.track is None:
        line.ask(protocol.seek(ask.stops[-1]))
    track = line.standing.track
    assert track is not None
    if track != stop:
        line.ask(protocol.step(stop - track, line.rate_hz))
    # What it says once more, when asked for nothing else, is what it believes.
    line.ask(protocol.WHERE)
