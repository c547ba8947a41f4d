"""Making a sweep from all that it hangs on, when asked or beforehand.

Threads: callers hold the scope's lock. With `next_plan`, the thread ``scope-ahead`` makes the next
sweep beforehand; it and the callers touch drive and front end under ``_drive_lock``, and ``_made``
with it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

from instruments.virtual.drive import VirtualDrive
from instruments.virtual.scope.frontend import FrontEnd, Setup
from instruments.virtual.scope.panel import Edge
from instruments.virtual.scope.record import Record
from instruments.virtual.scope.trigger import trigger_time_s

_GRACE_S = 0.03


@dataclass(frozen=True, slots=True)
class Plan:
    """All that a sweep hangs on, taken at one moment.

    Attributes
    ----------
    setup : Setup
        Inputs and time base.
    edge : Edge
        The trigger's settings.
    gain : float
        Volts that the scope reckons for one at the trigger's source.
    armed_s : float
        From when on a trigger counts, in the drive's time.
    forced : bool
        Whether to trigger at once.
    number : int
        The sweep's.
    where : object
        How head and disk stand.
    """

    setup: Setup
    edge: Edge
    gain: float
    armed_s: float
    forced: bool
    number: int
    where: object


@dataclass(frozen=True, slots=True)
class Made:
    """A sweep, what it was made for, and when it ended in the drive's time."""

    plan: Plan
    record: Record
    end_s: float


class Sweeper:
    """Makes sweeps.

    Parameters
    ----------
    drive : VirtualDrive
        The drive.
    front_end : FrontEnd
        What samples it.
    """

    def __init__(self, drive: VirtualDrive, front_end: FrontEnd) -> None:
        self._drive = drive
        self._front_end = front_end
        self._drive_lock = threading.Lock()
        self._made: Made | None = None
        self._closed = threading.Event()
        self._wanted = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def closed(self) -> bool:
        """Whether the scope is to end."""
        return self._closed.is_set()

    @property
    def ready(self) -> bool:
        """Whether a sweep was made beforehand."""
        return self._made is not None

    @property
    def where(self) -> object:
        """How head and disk stand."""
        drive = self._drive
        return (drive.positioner.offset_um, drive.clamp.seating, drive.spindle, drive.track)

    def go_ahead(self, next_plan: Callable[[], Plan]) -> None:
        """Make sweeps beforehand from now on, in a thread."""
        self._thread = threading.Thread(
            target=self._run_ahead, args=(next_plan,), name="scope-ahead", daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        """End the thread."""
        self._closed.set()
        self._wanted.set()
        if self._thread is not None:
            self._thread.join()

    def with_drive(self, use: Callable[[VirtualDrive], object]) -> object:
        """Return what `use` makes of the drive, while nothing samples it."""
        with self._drive_lock:
            return use(self._drive)

    def times_s(self, plan: Plan) -> tuple[float, float] | None:
        """Return when a sweep's trigger comes and when it ends, None when none comes."""
        # Nothing counts as a trigger before the part ahead of it is filled.
        ready_s = plan.armed_s + max(-plan.setup.start_s, 0.0)
        span_s = plan.setup.span_s
        trigger_s = (
            ready_s
            if plan.forced
            else trigger_time_s(self._drive, plan.edge, ready_s, span_s, plan.gain)
        )
        if trigger_s is None:
            return None
        return trigger_s, trigger_s + plan.setup.start_s + span_s

    def sweep(self, plan: Plan) -> Made | None:
        """Return a sweep, the one made beforehand where it fits; None when no trigger comes."""
        with self._drive_lock:
            made, self._made = self._made, None
            if made is None or made.plan != plan:
                made = self._make(plan)
        self._wanted.set()
        return made

    def _make(self, plan: Plan) -> Made | None:
        times_s = self.times_s(plan)
        if times_s is None:
            return None
        trigger_s, end_s = times_s
        begin_s = trigger_s + plan.setup.start_s
        return Made(plan, self._front_end.acquire(plan.setup, begin_s, plan.number), end_s)

    def _run_ahead(self, next_plan: Callable[[], Plan]) -> None:
        while True:
            self._wanted.wait()
            self._wanted.clear()
            # Whoever took the last sweep is first to have the processor for reading it.
            if self._closed.wait(_GRACE_S):
                return
            with self._drive_lock:
                if self._made is None:
                    self._made = self._make(next_plan())
