"""Acquisition of the virtual scope: running, stopping and single sweeps, in the drive's time.

Unpaced, time is virtual: a sweep is done as soon as somebody looks (after a first look that finds
it under way), and the drive goes on by the sweep and a dead time. Paced, the drive keeps the
clock's time and a sweep takes as long as it does.

Threads: callers hold the scope's lock, except in :meth:`SweepControl.wait`, which lets other
callers in between its looks. With `next_plan`, the thread ``scope-ahead`` makes the next sweep in
advance; it and the callers use drive and front end under ``_drive_lock``, and ``_made`` with it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from instruments.virtual.drive import VirtualDrive
from instruments.virtual.scope.frontend import (
    FrontEnd,
    InputSetup,
    input_setup_of,
    trigger_time_s,
)
from instruments.virtual.scope.panel import CHANNELS, FrontPanel, TriggerEdge
from instruments.virtual.scope.record import SweepRecord, Traits

_GRACE_S = 0.03


@dataclass(frozen=True, slots=True)
class SweepPlan:
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

    setup: InputSetup
    edge: TriggerEdge
    gain: float
    armed_s: float
    forced: bool
    number: int
    where: object


@dataclass(frozen=True, slots=True)
class Made:
    """A sweep, what it was made for, and when it ended in the drive's time."""

    plan: SweepPlan
    record: SweepRecord
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

    def go_ahead(self, next_plan: Callable[[], SweepPlan]) -> None:
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

    def times_s(self, plan: SweepPlan) -> tuple[float, float] | None:
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

    def sweep(self, plan: SweepPlan) -> Made | None:
        """Return a sweep, the one made beforehand where it fits; None when no trigger comes."""
        with self._drive_lock:
            made, self._made = self._made, None
            if made is None or made.plan != plan:
                made = self._make(plan)
        self._wanted.set()
        return made

    def _make(self, plan: SweepPlan) -> Made | None:
        times_s = self.times_s(plan)
        if times_s is None:
            return None
        trigger_s, end_s = times_s
        begin_s = trigger_s + plan.setup.start_s
        return Made(plan, self._front_end.acquire(plan.setup, begin_s, plan.number), end_s)

    def _run_ahead(self, next_plan: Callable[[], SweepPlan]) -> None:
        while True:
            self._wanted.wait()
            self._wanted.clear()
            # Whoever took the last sweep is first to have the processor for reading it.
            if self._closed.wait(_GRACE_S):
                return
            with self._drive_lock:
                if self._made is None:
                    self._made = self._make(next_plan())


DEAD_S = 0.02
"""Time in which the scope stores a sweep and arms again."""
_LONG_AGO_S = 20.0


class SweepState(Enum):
    """What the acquisition is doing."""

    STOPPED = "stopped"
    WAITING = "waiting"
    """Armed; no trigger yet."""
    SWEEPING = "sweeping"
    """A trigger came, and the sweep is under way."""
    RUNNING = "running"
    """Sweep after sweep."""


class SweepControl:
    """The sweeps of a scope.

    Parameters
    ----------
    sweeper : Sweeper
        What makes the sweeps.
    panel : Panel
        The settings; a reset puts another in its place.
    traits : Traits
        The model.
    gains : callable
        Volts that the scope reckons for one at the tip, by trigger source.
    clock : callable or None
        Monotonic seconds for a paced scope, None for virtual time.
    """

    def __init__(
        self,
        sweeper: Sweeper,
        panel: FrontPanel,
        traits: Traits,
        *,
        gains: Callable[[int], float],
        clock: Callable[[], float] | None,
    ) -> None:
        self.panel = panel
        self._sweeper = sweeper
        self._traits = traits
        self._gains = gains
        self._clock = clock
        self._epoch_s = clock() if clock else 0.0
        self._armed_s = 0.0
        self._single = False
        self._running = True
        self._looks = 0
        self._forced = False
        self._count = 0
        self._fresh = False
        self._record: SweepRecord | None = None

    @property
    def count(self) -> int:
        """Sweeps made."""
        return self._count

    @property
    def awaited(self) -> bool:
        """Whether a single sweep was asked for and not yet found done."""
        return self._single

    @property
    def stopped(self) -> bool:
        """Whether no sweep is under way or awaited; in virtual time asking is no look."""
        return not self.running

    def run(self) -> None:
        """Sweep from now on."""
        self._running, self._single = True, False
        self._arm()

    def single(self) -> None:
        """Make one sweep and stop."""
        self._running, self._single = False, True
        self._looks = 0
        self._fresh = False
        self._arm()

    def stop(self) -> None:
        """Stop, and keep the last whole sweep."""
        self.newest()
        self._running = self._single = False

    def force(self) -> None:
        """Trigger now."""
        self._forced = True

    @property
    def running(self) -> bool:
        """Whether it makes sweep after sweep, or waits for a single one."""
        self._settle()
        return self._running or self._single

    def take_fresh(self) -> bool:
        """Return whether a sweep was made since this was asked last."""
        self.look()
        fresh, self._fresh = self._fresh, False
        return fresh

    def look(self) -> SweepState:
        """Return what is going on; a single sweep may be found done."""
        if self._running:
            return SweepState.RUNNING
        if not self._single:
            return SweepState.STOPPED
        times_s = self._sweeper.times_s(self.plan())
        if times_s is None:
            return SweepState.WAITING
        if self._clock is not None:
            trigger_s, end_s = times_s
            now_s = self._now_s()
            if now_s < end_s:
                return SweepState.WAITING if now_s < trigger_s else SweepState.SWEEPING
        else:
            self._looks += 1
            if self._looks == 1:
                return SweepState.SWEEPING
        self._sweep()
        self._single = False
        return SweepState.STOPPED

    def idle(self) -> bool:
        """Return whether no single sweep is awaited."""
        return self.look() in (SweepState.STOPPED, SweepState.RUNNING)

    def newest(self) -> SweepRecord | None:
        """Return the last whole sweep; a running scope may have a new one."""
        self._settle()
        if self._running:
            self._catch_up()
        return self._record

    def held(self) -> SweepRecord | None:
        """Return the sweep that was looked at last, the newest when there is none."""
        return self._record or self.newest()

    def wait(self, cancelled: Callable[[], bool], step: Callable[[], None]) -> bool:
        """Wait for a single sweep; return False when nobody waits any more.

        `step` is called between two looks, and should take some milliseconds.
        """
        while self._single:
            if self.look() is SweepState.STOPPED:
                return True
            if self._sweeper.closed or cancelled():
                return False
            step()
        return True

    def forget(self) -> None:
        """Empty the memory."""
        self._record = None
        self._fresh = False

    def _arm(self) -> None:
        self._forced = False
        if self._clock is not None:
            self._armed_s = max(self._armed_s, self._now_s())

    def _now_s(self) -> float:
        return (self._clock() if self._clock else 0.0) - self._epoch_s

    def plan(self) -> SweepPlan:
        """Return what the next sweep hangs on now."""
        edge = self.panel.trigger.edge
        return SweepPlan(
            setup=input_setup_of(self.panel, self._traits),
            edge=edge,
            gain=self._gains(edge.source) if edge.source in CHANNELS else 1.0,
            armed_s=self._armed_s,
            # A screen that rolls ends when it is full, wherever the disk stands.
            forced=self._forced or self._traits.rolls(self.panel),
            number=self._count + 1,
            where=self._sweeper.where,
        )

    def _settle(self) -> None:
        """Find a single sweep done that the clock says is done, though nobody looked."""
        if self._single and self._clock is not None:
            self.look()

    def _catch_up(self) -> None:
        """Make the last sweep that a running scope would have finished by now."""
        if self._clock is None:
            self._sweep()
            return
        now_s = self._now_s()
        span_s = self.plan().setup.span_s
        self._armed_s = max(self._armed_s, now_s - _LONG_AGO_S - 3 * span_s)
        last_s: float | None = None
        while (times_s := self._sweeper.times_s(self.plan())) and times_s[1] <= now_s:
            last_s = self._armed_s
            self._armed_s = times_s[1] + DEAD_S
        if last_s is not None:
            self._armed_s = last_s
            self._sweep()

    def _sweep(self) -> None:
        made = self._sweeper.sweep(self.plan())
        if made is None:
            return
        self._count += 1
        self._record = made.record
        self._armed_s = made.end_s + DEAD_S
        self._forced = False
        self._fresh = True
