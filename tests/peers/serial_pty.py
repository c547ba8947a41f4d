"""The virtual scope on a serial line: a pseudo-terminal, whose other end a program opens.

Threads: ``scope-pty`` reads lines and answers them; it ends with :meth:`PtyScope.close`.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import threading
import tty
from collections.abc import Sequence

from instruments.virtual.scope import VirtualScope
from instruments.virtual.scope.scope import Break, Fault, Pause, Send, Step

_CHUNK = 4096


class _Over(Exception):  # noqa: N818 - reads as the state that it names
    """The line is to end."""


class PtyScope:
    """A virtual scope on a serial line; also a context manager.

    Parameters
    ----------
    scope : VirtualScope
        Who answers; the caller's to close.
    """

    def __init__(self, scope: VirtualScope) -> None:
        self._scope = scope
        self._line, self._far = pty.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._line, False)
        self.path = os.ttyname(self._far)
        self.address = f"ASRL{self.path}::INSTR"
        self._wake_read, self._wake_write = os.pipe()
        self._thread = threading.Thread(target=self._serve, name="scope-pty", daemon=True)
        self._thread.start()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def close(self) -> None:
        """End the thread and the line."""
        with contextlib.suppress(OSError):
            os.write(self._wake_write, b"x")
        self._thread.join()
        for descriptor in (self._wake_read, self._wake_write):
            os.close(descriptor)

    def _serve(self) -> None:
        waiting = bytearray()
        try:
            while True:
                waiting += self._receive()
                while (end := waiting.find(b"\n") + 1) > 0:
                    message = bytes(waiting[:end])
                    del waiting[:end]
                    self._play(self._scope.deliver(message, self._stopped))
        except (_Over, OSError):
            pass
        finally:
            os.close(self._line)
            os.close(self._far)

    def _play(self, steps: Sequence[Step]) -> None:
        for step in steps:
            match step:
                case Send(data):
                    self._send(memoryview(data))
                case Pause(seconds):
                    self._wait(seconds)
                case Break(Fault.STALL, _):
                    # The line itself stays; the next message finds the scope alive again.
                    return
                case Break(_, _):
                    raise _Over

    def _receive(self) -> bytes:
        ready, _, _ = select.select([self._line, self._wake_read], [], [])
        if self._wake_read in ready:
            raise _Over
        return os.read(self._line, _CHUNK)

    def _send(self, data: memoryview) -> None:
        while data:
            ready = select.select([self._wake_read], [self._line], [])
            if ready[0]:
                raise _Over
            data = data[os.write(self._line, data[:_CHUNK]) :]

    def _wait(self, seconds: float) -> None:
        if select.select([self._wake_read], [], [], seconds)[0]:
            raise _Over

    def _stopped(self) -> bool:
        return bool(select.select([self._wake_read], [], [], 0)[0])
