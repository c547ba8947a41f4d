"""The one thread that owns a session with a scope, fed by a queue of jobs.

Threads: *scope-session*, one for each :class:`Owner`, runs the jobs in turn. Any thread may hand
in a job and wait for it. A job that does not come back (a VISA that hangs) is given up together
with its thread, which ends when the call does.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Any, Generic, TypeVar

T = TypeVar("T")


class Job(Generic[T]):
    """Something for the owner to do, and what became of it.

    The owner's thread writes the result and then sets the event; nobody else writes.
    """

    def __init__(self, work: Callable[[], T]) -> None:
        self._work = work
        self._done = threading.Event()
        self._result: T | None = None
        self._fault: BaseException | None = None

    def run(self) -> None:
        """Do it; the owner's thread calls this."""
        try:
            self._result = self._work()
        except BaseException as fault:  # handed on to whoever waits
            self._fault = fault
        self._done.set()

    def wait(self, timeout_s: float) -> bool:
        """Return whether it is done."""
        return self._done.wait(max(0.0, timeout_s))

    def result(self) -> T:
        """Return what it gave, or raise what it raised; only once it is done."""
        if self._fault is not None:
            raise self._fault
        result: Any = self._result
        return result


class Owner:
    """A thread and its queue."""

    def __init__(self) -> None:
        self._jobs: queue.SimpleQueue[Job[Any] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="scope-session", daemon=True)
        self._thread.start()

    def submit(self, work: Callable[[], T]) -> Job[T]:
        """Hand in a job."""
        job = Job(work)
        self._jobs.put(job)
        return job

    def leave(self, timeout_s: float) -> bool:
        """Let the thread end after the jobs handed in; return whether it did in that time."""
        self._jobs.put(None)
        self._thread.join(max(0.0, timeout_s))
        return not self._thread.is_alive()

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            job.run()
