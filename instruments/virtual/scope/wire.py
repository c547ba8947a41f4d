"""A TCP connection as a server sees it: exact reads, whole sends, and what faults do to it."""

from __future__ import annotations

import contextlib
import select
import socket
import struct
import threading
from collections.abc import Sequence

from instruments.virtual.scope.scope import Fault, Pause, Send, Step
from instruments.virtual.scope.scpi import Buffer

_LOOK_S = 0.05
_CHUNK = 65536
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)
"""SO_LINGER with no time: closing sends RST."""
_GATHERS = hasattr(socket.socket, "sendmsg")
_LEFT = getattr(select, "POLLRDHUP", 0)
"""Tells that the peer has left though what it sent is not read yet; Linux alone has it."""


class WireClosed(Exception):  # noqa: N818 - reads as the state that it names
    """The connection has ended."""


class Wire:
    """One connection. One thread reads and sends; any may call :meth:`close`.

    Parameters
    ----------
    connection : socket.socket
        The connection, blocking.
    stopping : threading.Event
        Set when the server ends.
    """

    def __init__(self, connection: socket.socket, stopping: threading.Event) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._connection = connection
        self._stopping = stopping

    def receive(self) -> bytes:
        """Return what has come, waiting for something."""
        try:
            data = self._connection.recv(_CHUNK)
        except OSError:
            data = b""
        if not data:
            raise WireClosed
        return data

    def receive_exact(self, count: int) -> bytes:
        """Return just as many bytes."""
        data = bytearray(count)
        view = memoryview(data)
        while view:
            try:
                got = self._connection.recv_into(view)
            except OSError:
                got = 0
            if not got:
                raise WireClosed
            view = view[got:]
        return bytes(data)

    def send(self, *parts: Buffer) -> None:
        """Send all of `parts`, in one call of the system where it has one for that."""
        views = [memoryview(part).cast("B") for part in parts]
        try:
            sent = self._connection.sendmsg(views) if views and _GATHERS else 0
            for view in views:
                if sent < len(view):
                    self._connection.sendall(view[sent:])
                sent = max(sent - len(view), 0)
        except OSError:
            raise WireClosed from None

    def play(self, steps: Sequence[Step]) -> None:
        """Send what `steps` say; raises :class:`WireClosed` when one ends the connection."""
        parts: list[Buffer] = []
        for step in steps:
            if isinstance(step, Send):
                parts.append(step.data)
                continue
            self.send(*parts)
            parts.clear()
            if isinstance(step, Pause):
                self.pause(step.seconds)
            else:
                self.cut(step.fault)
        self.send(*parts)

    def pause(self, seconds: float) -> None:
        """Do nothing for a time, unless the server ends."""
        if self._stopping.wait(seconds):
            raise WireClosed

    def cut(self, fault: Fault) -> None:
        """Stall until the peer leaves, close, or reset; the connection has ended then."""
        if fault is Fault.STALL:
            while not self._stopping.wait(_LOOK_S) and not self.gone():
                pass
        if fault is Fault.RESET:
            with contextlib.suppress(OSError):
                self._connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
            self._connection.close()
        else:
            self.close()
        raise WireClosed

    def gone(self) -> bool:
        """Return whether the peer has left or the server is to end."""
        if self._stopping.is_set():
            return True
        try:
            if _LEFT:
                poll = select.poll()
                poll.register(self._connection, _LEFT)
                return bool(poll.poll(0))
            readable, _, _ = select.select([self._connection], [], [], 0)
            return bool(readable) and not self._connection.recv(1, socket.MSG_PEEK)
        except (OSError, ValueError):
            return True

    def finish(self) -> None:
        """Take no more than what has come already; a thread that waits for more goes on."""
        with contextlib.suppress(OSError):
            self._connection.shutdown(socket.SHUT_RD)

    def close(self) -> None:
        """End the connection; a thread that waits for it goes on."""
        with contextlib.suppress(OSError):
            self._connection.shutdown(socket.SHUT_RDWR)
        self._connection.close()
