"""Raw TCP over a plain socket: no VISA is needed, and a closed peer shows at once."""

from __future__ import annotations

import contextlib
import queue
import select
import socket
import threading
from typing import Any, TypeVar

from instruments.scope.faults import Deadline, boundary
from instruments.scope.link import Bytes, StreamLink
from instruments.source import SourceLost, SourceUnavailable

_CHUNK = 4096  # answers in text are short, and of a block only the header is read so
_LOOK_S = 0.1  # so often a waiting link sees whether its source was closed
_Received = TypeVar("_Received", bytes, int)


def reach(host: str, port: int, what: str, deadline: Deadline) -> socket.socket:
    """Return a socket connected to a port.

    Raises
    ------
    SourceUnavailable
        When nobody answers there.
    """
    deadline.check(what)
    places = _resolved(host, port, deadline)
    if not places:
        raise SourceUnavailable(
            f"{what}: the name “{host}” is not known on this network; check its spelling, or give "
            "the address in numbers, which the scope's menu shows"
        )
    reason = ""
    for place, (kind, numbers) in enumerate(places):
        made = socket.socket(kind, socket.SOCK_STREAM)
        try:
            made.settimeout(max(_LOOK_S, deadline.left_s / (len(places) - place)))
            made.connect(numbers)
        except OSError as fault:
            made.close()
            reason = fault.strerror or str(fault) or "no answer"
        else:
            return made
    raise SourceUnavailable(
        f"{what}: nothing answers at {host} port {port} ({reason}); check the address, "
        "the cable and that remote control is on in the scope's menu"
    )


def _resolved(host: str, port: int, deadline: Deadline) -> list[tuple[int, Any]]:
    """Return the kinds and addresses behind a name, none where it is not known in time.

    Asking for them cannot be broken off: where it takes longer it is left to itself.
    """
    answers: queue.SimpleQueue[list[tuple[int, Any]]] = queue.SimpleQueue()

    def ask() -> None:
        found = []
        with contextlib.suppress(OSError, UnicodeError):  # a part of it is empty or overlong
            found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        answers.put([(kind, numbers) for kind, _, _, _, numbers in found])

    threading.Thread(target=ask, name="scope-name", daemon=True).start()
    try:
        return answers.get(timeout=deadline.left_s)
    except queue.Empty:
        return []


class SocketLink(StreamLink):
    """A scope behind a TCP port.

    Parameters
    ----------
    host, port : str, int
        Where it listens.
    what : str
        The scope, as messages begin.
    deadline : Deadline
        For connecting.

    Raises
    ------
    SourceUnavailable
        When nobody answers there.
    """

    def __init__(self, host: str, port: int, what: str, deadline: Deadline) -> None:
        super().__init__(what)
        self._socket = reach(host, port, what, deadline)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _write(self, data: bytes, deadline: Deadline) -> None:
        with boundary(self.what):
            self._socket.settimeout(deadline.check(self.what))
            self._socket.sendall(data)

    def _receive(self, least: int, deadline: Deadline) -> Bytes:
        received = b""
        with boundary(self.what):
            self._socket.settimeout(_LOOK_S)
            while not received:
                deadline.check(self.what)
                with contextlib.suppress(TimeoutError):
                    received = self._alive(self._socket.recv(_CHUNK))
        return received

    def _fill(self, view: memoryview, deadline: Deadline) -> None:
        here, length = 0, len(view)
        with boundary(self.what):
            self._socket.settimeout(_LOOK_S)
            while here < length:
                deadline.check(self.what)
                try:
                    here += self._alive(self._socket.recv_into(view[here:]))
                except TimeoutError:
                    continue

    def _waiting(self) -> Bytes:
        with boundary(self.what):
            if not select.select([self._socket], [], [], 0)[0]:
                return b""
            return self._alive(self._socket.recv(_CHUNK))

    def _alive(self, received: _Received) -> _Received:
        if not received:
            raise SourceLost(
                f"{self.what}: the scope closed the connection; check that it is on and that "
                "no other program holds it"
            )
        return received

    def abort(self) -> None:
        """End a call under way; from any thread."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Let go of the connection."""
        self._socket.close()
