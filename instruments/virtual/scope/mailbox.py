"""Messages in, replies kept until they are fetched: for VXI-11 and USBTMC.

Threads: ``scope-mailbox`` carries messages out, one after another, so that whoever writes one does
not wait for it. The link's thread writes and fetches. All state lives under ``_changed``.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass

from instruments.virtual.scope.faults import Break, Fault, Pause, Send, Step
from instruments.virtual.scope.scope import VirtualScope


@dataclass(frozen=True, slots=True)
class Fetched:
    """What a fetch got.

    Attributes
    ----------
    data : bytes
        Bytes of the reply; none when the time was over.
    end : bool
        Whether they are the reply's last.
    broken : Fault or None
        What the link is to do instead of going on.
    """

    data: bytes = b""
    end: bool = False
    broken: Fault | None = None


class Mailbox:
    """The messages of one link.

    Parameters
    ----------
    scope : VirtualScope
        Who answers.
    """

    def __init__(self, scope: VirtualScope) -> None:
        self._scope = scope
        self._changed = threading.Condition()
        self._coming = bytearray()
        self._messages: deque[bytes] = deque()
        self._steps: deque[Step] = deque()
        self._interrupted = False
        self._closed = False
        self._cleared = 0
        self._thread = threading.Thread(target=self._work, name="scope-mailbox", daemon=True)
        self._thread.start()

    def write(self, data: bytes, *, end: bool) -> None:
        """Take a part of a message; with its `end` it is carried out."""
        with self._changed:
            self._coming += data
            if end:
                # At once: whoever fetches next asks for the answer to this message.
                self._interrupted |= bool(self._steps)
                self._steps.clear()
                self._messages.extend(bytes(self._coming).splitlines(keepends=True))
                self._coming.clear()
                self._changed.notify_all()

    def fetch(self, limit: int, timeout_s: float) -> Fetched:
        """Return the next bytes of the reply, waiting for them no longer than `timeout_s`."""
        deadline_s = time.monotonic() + timeout_s
        with self._changed:
            while True:
                if self._steps:
                    return self._taken(limit)
                left_s = deadline_s - time.monotonic()
                if left_s <= 0 or self._closed:
                    return Fetched()
                self._changed.wait(left_s)

    def waiting(self) -> bool:
        """Return whether a reply waits to be fetched."""
        with self._changed:
            return bool(self._steps)

    def clear(self) -> None:
        """Forget all messages and replies, and end a wait for a sweep."""
        with self._changed:
            self._cleared += 1
            self._interrupted = False
            self._coming.clear()
            self._messages.clear()
            self._steps.clear()
            self._changed.notify_all()

    def close(self) -> None:
        """End the thread."""
        with self._changed:
            self._closed = True
            self._messages.clear()
            self._changed.notify_all()
        self._thread.join()

    def _taken(self, limit: int) -> Fetched:
        data = bytearray()
        while self._steps and len(data) < limit:
            step = self._steps[0]
            if isinstance(step, Send):
                view = memoryview(step.data)
                part, rest = view[: limit - len(data)], view[limit - len(data) :]
                data += part
                self._steps.popleft()
                if rest:
                    self._steps.appendleft(Send(rest))
            elif data:
                break
            elif isinstance(step, Pause):
                self._steps.popleft()
                self._changed.wait(step.seconds)
            elif isinstance(step, Break):
                self._steps.clear()
                return Fetched(broken=step.fault)
        return Fetched(bytes(data), end=not self._steps)

    def _work(self) -> None:
        while (found := self._next()) is not None:
            message, epoch = found
            steps = self._scope.deliver(
                message, lambda at=epoch: self._closed or self._cleared != at
            )
            with self._changed:
                if self._cleared == epoch:
                    self._steps.extend(steps)
                    self._changed.notify_all()

    def _next(self) -> tuple[bytes, int] | None:
        """Return the next message and how often was cleared before it, None when all is over.

        A reply that nobody fetched is lost to it.
        """
        with self._changed:
            while not self._messages and not self._closed:
                self._changed.wait()
            if self._closed:
                return None
            interrupted = self._interrupted or bool(self._steps)
            self._interrupted = False
            self._steps.clear()
            found = self._messages.popleft(), self._cleared
        if interrupted:
            self._scope.fail(-410)
        return found
