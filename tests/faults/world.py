"""Threads and a clock that nobody waits for: one thread runs at a time, and time goes on in leaps.

Modules under test are given :class:`World` in place of ``time`` and ``threading``. A thread of
theirs is a real one that runs until it waits; then the next runs whose wait is over. When all of
them wait, the clock goes on to the first that is due. So every run is the same, however busy the
machine is, and what is reckoned takes no time at all.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from math import inf
from types import ModuleType
from typing import Any
from unittest.mock import patch

_MOST_LEAPLESS = 100_000
"""So often in a row no thread waits for time to pass: two of them wake each other for ever."""


class Stuck(Exception):  # noqa: N818 - it is what has happened
    """Nothing can go on any more, or time cannot."""


class _Ended(BaseException):
    """The world is over; thrown into what still waits."""


class World:
    """A clock, and the threads that live by it. The thread that makes it is the first.

    Attributes
    ----------
    now_s : float
        The time, which only a wait moves on.
    """

    def __init__(self) -> None:
        self.now_s = 1000.0
        self._still_until_s = 0.0
        self._is_over = False
        self._leapless = 0
        self._ident = threading.get_ident()
        self._first = SimThread(self, name="first")
        self._first.is_running = True
        self._current = self._first
        self._threads = [self._first]
        self._stuck: Stuck | None = None

    # -- in place of the module `time`

    def monotonic(self) -> float:
        """Return the time in seconds."""
        return self.now_s

    def sleep(self, seconds: float) -> None:
        """Let so much time pass for who calls."""
        self.wait(lambda: False, seconds)

    # -- in place of the module `threading`

    def Thread(self, **settings: Any) -> SimThread:  # noqa: N802 - threading's name
        """Return a thread that lives by this clock."""
        return SimThread(self, **settings)

    def Event(self) -> SimEvent:  # noqa: N802 - threading's name
        """Return an event that is waited for by this clock."""
        return SimEvent(self)

    def Condition(self) -> SimCondition:  # noqa: N802 - threading's name
        """Return a condition that is waited for by this clock."""
        return SimCondition(self)

    def Lock(self) -> SimCondition:  # noqa: N802 - threading's name
        """Return a lock; with one thread at a time it keeps nobody out."""
        return SimCondition(self)

    # -- the clock

    def wait(self, is_over: Callable[[], object], timeout_s: float | None = None) -> bool:
        """Let others run until `is_over` says so or the time has passed; returns which."""
        if self._is_over:
            if threading.get_ident() != self._ident:
                raise _Ended
            return bool(is_over())
        me = self._current
        me.until_s = inf if timeout_s is None else self.now_s + max(0.0, timeout_s)
        me.is_over = is_over
        self._hand_on(me)
        return bool(is_over())

    def leap(self, seconds: float) -> None:
        """Let the clock jump, with nobody having run meanwhile."""
        self.now_s += seconds

    def stand_still(self, seconds: float) -> None:
        """Let the program stand still for a while, as on a machine that is busy elsewhere.

        Only what lies outside goes on: threads whose name begins with ``outside``.
        """
        self._still_until_s = self.now_s + seconds

    def due_s(self, thread: SimThread) -> float:
        """Return when a thread runs at the latest."""
        return thread.until_s if thread.is_outside else max(thread.until_s, self._still_until_s)

    def is_ready(self, thread: SimThread) -> bool:
        """Tell whether a thread can run now."""
        if not thread.is_outside and self.now_s < self._still_until_s:
            return False
        return self.now_s >= thread.until_s or bool(thread.is_over())

    def running(self) -> list[str]:
        """Return the names of the threads that have not ended, but for the first."""
        return [each.name for each in self._threads if each is not self._first]

    def end(self) -> None:
        """Throw every thread but the first out of its wait."""
        self._is_over = True
        for each in self._threads[1:]:
            if each.baton.locked():
                each.baton.release()
        for each in self._threads[1:]:
            each.join_really()

    def begin(self, thread: SimThread) -> None:
        """Take up a thread, which runs once the one that starts it waits."""
        self._threads.append(thread)

    def leave(self, thread: SimThread) -> None:
        """Let a thread that has come to its end go."""
        if not self._is_over:
            self._threads.remove(thread)
            self._next(thread).baton.release()

    def _hand_on(self, me: SimThread) -> None:
        other = self._next(me)
        if other is not me:
            other.baton.release()
            me.baton.acquire()
        if self._is_over and me is not self._first:
            raise _Ended
        if self._stuck is not None and me is self._first:
            raise self._stuck

    def _next(self, me: SimThread) -> SimThread:
        """Return who runs next; where nobody can, the clock goes on."""
        place = self._threads.index(me) + 1 if me in self._threads else 0
        order = self._threads[place:] + self._threads[:place]
        ready = next(filter(self.is_ready, order), None)
        if ready is None and (due_s := min(map(self.due_s, order))) < inf:
            self._leapless, self.now_s = 0, due_s
            ready = next(filter(self.is_ready, order), None)
        self._leapless += 1
        if ready is None or self._leapless > _MOST_LEAPLESS:
            self._stuck = Stuck(f"at {self.now_s:.3f} s with {', '.join(self.running())}")
            ready = self._first
        self._current = ready
        return ready


class SimThread:
    """A thread of a :class:`World`, by the interface of ``threading.Thread``."""

    def __init__(
        self,
        world: World,
        target: Callable[..., object] = lambda: None,
        args: Sequence[Any] = (),
        name: str = "",
        daemon: bool = True,
    ) -> None:
        del daemon
        self._world = world
        self._target, self._args = target, args
        self.name = name
        self.is_outside = name.startswith("outside")
        self.ident: int | None = None
        self.is_running = False
        # A lock that is not its owner's: it costs a tenth of a semaphore's hand-over.
        self.baton = threading.Lock()
        self.baton.acquire()
        self.until_s = -inf
        self.is_over: Callable[[], object] = lambda: True
        self._real = threading.Thread(target=self._run, name=f"sim-{name}", daemon=True)

    def start(self) -> None:
        """Begin, once the one that calls waits."""
        self.is_running, self.ident = True, id(self)
        self._world.begin(self)
        self._real.start()

    def is_alive(self) -> bool:
        """Tell whether it has begun and not ended."""
        return self.is_running

    def join(self, timeout: float | None = None) -> None:
        """Wait for its end."""
        self._world.wait(lambda: not self.is_running, timeout)

    def join_really(self) -> None:
        """Wait for the end of the thread beneath, once the world is over."""
        self._real.join(10.0)

    def _run(self) -> None:
        self.baton.acquire()
        try:
            self._target(*self._args)
        except _Ended:
            pass
        finally:
            self.is_running = False
            self._world.leave(self)


class SimEvent:
    """By the interface of ``threading.Event``."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._is_set = False

    def set(self) -> None:
        """Let all go on that wait for it."""
        self._is_set = True

    def clear(self) -> None:
        """Make who comes next wait again."""
        self._is_set = False

    def is_set(self) -> bool:
        """Tell whether it is set."""
        return self._is_set

    def wait(self, timeout: float | None = None) -> bool:
        """Wait until it is set; returns whether it is."""
        return self._is_set or self._world.wait(self.is_set, timeout)


class SimCondition:
    """By the interface of ``threading.Condition``, as far as it is used, and of a lock."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._told = 0

    def __enter__(self) -> SimCondition:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing is held."""

    def wait_for(self, predicate: Callable[[], Any], timeout: float | None = None) -> Any:
        """Wait until the predicate holds; returns what it says."""
        return predicate() or (self._world.wait(predicate, timeout) and predicate())

    def wait(self, timeout: float | None = None) -> bool:
        """Wait until it is notified; returns whether it was."""
        told = self._told
        return self._world.wait(lambda: self._told != told, timeout)

    def notify_all(self) -> None:
        """Let those go on that wait for news; predicates are looked at whenever somebody waits."""
        self._told += 1


@contextmanager
def injected(world: World, modules: Sequence[ModuleType]) -> Iterator[World]:
    """Give modules the world's clock and threads in place of the system's, and end it after."""
    with ExitStack() as stack:
        for module in modules:
            for name in ("time", "threading"):
                if hasattr(module, name):
                    stack.enter_context(patch.object(module, name, world))
        try:
            yield world
        finally:
            world.end()
