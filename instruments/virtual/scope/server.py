"""A virtual scope behind a TCP port, and the command that serves it.

Threads: ``scope-accept`` takes connections, and each has one ``scope-link``, which ends with the
connection. :meth:`ScopeServer.close` ends them all; ``_links`` is written by all of them under
``_lock``.
"""

from __future__ import annotations

import contextlib
import signal
import socket
import threading
import time
from collections.abc import Callable, Sequence
from types import FrameType, TracebackType
from typing import Protocol

from instruments.source import AddressError
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import read_options
from instruments.virtual.practice import afflicted
from instruments.virtual.scope.hislip import HislipTransport
from instruments.virtual.scope.scope import FAMILIES, MODELS, VirtualScope
from instruments.virtual.scope.vxi11 import Vxi11Transport
from instruments.virtual.scope.wire import Wire, WireClosed

_LONGEST_LINE = 1 << 16


class RawTransport:
    """Serves connections of bare TCP.

    Parameters
    ----------
    scope : VirtualScope
        Who answers.
    """

    def __init__(self, scope: VirtualScope) -> None:
        self._scope = scope

    def address(self, host: str, port: int) -> str:
        """Return the address that a VISA opens."""
        return f"TCPIP::{host}::{port}::SOCKET"

    def serve(self, wire: Wire) -> None:
        """Serve a connection until it ends."""
        waiting = bytearray()
        while True:
            waiting += wire.receive()
            while (end := waiting.find(b"\n") + 1) > 0:
                message = bytes(waiting[:end])
                del waiting[:end]
                wire.play(self._scope.deliver(message, wire.gone))
            if len(waiting) > _LONGEST_LINE:
                self._scope.fail(-363)
                waiting.clear()


MOST_LINKS = 32
"""Connections at a time; more are closed as they come."""
_BACKLOG = 128
_FINISHING_S, _ENDING_S = 1.0, 5.0
_LONGEST_S = 600.0
_MOST_PORT = 65535


class Transport(Protocol):
    """What a transport makes of connections."""

    def address(self, host: str, port: int) -> str:
        """Return the address that a VISA opens."""
        ...

    def serve(self, wire: Wire) -> None:
        """Serve a connection until it ends."""
        ...


_TRANSPORTS = {"socket": RawTransport, "vxi11": Vxi11Transport, "hislip": HislipTransport}
TRANSPORTS = tuple(_TRANSPORTS)


class ScopeServer:
    """Serves a scope until closed; also a context manager.

    Parameters
    ----------
    scope : VirtualScope
        Who answers; it is the caller's to close.
    transport : str
        One of :data:`TRANSPORTS`.
    port : int
        The TCP port, 0 for any that is free.
    host : str
        The address to listen at.

    Raises
    ------
    ValueError
        When the transport is not known.
    OSError
        When the port cannot be had.
    """

    def __init__(
        self, scope: VirtualScope, transport: str, port: int = 0, host: str = "127.0.0.1"
    ) -> None:
        if transport not in _TRANSPORTS:
            raise ValueError(f"transport “{transport}” is not known; use {', '.join(TRANSPORTS)}")
        self._scope = scope
        self._transport: Transport = _TRANSPORTS[transport](scope)
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._links: dict[threading.Thread, Wire] = {}
        self._listener = socket.create_server((host, port), backlog=_BACKLOG)
        self.port: int = self._listener.getsockname()[1]
        self.address = self._transport.address(host, self.port)
        self._acceptor = threading.Thread(target=self._accept, name="scope-accept", daemon=True)
        self._acceptor.start()

    def __enter__(self) -> ScopeServer:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """End every connection and thread; may be called again.

        Commands that have arrived are carried out, as a scope does when its cable is pulled.
        """
        self._stopping.set()
        # Shutting down wakes the thread that waits for connections, where closing does not.
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._acceptor.join(_ENDING_S)
        with self._lock:
            links = dict(self._links)
        for wire in links.values():
            wire.finish()
        finished_s = time.monotonic() + _FINISHING_S
        for thread, wire in links.items():
            thread.join(max(finished_s - time.monotonic(), 0.0))
            wire.close()
        for thread in links:
            thread.join(_ENDING_S)

    def _accept(self) -> None:
        while not self._stopping.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            wire = Wire(connection, self._stopping)
            with self._lock:
                full = len(self._links) >= MOST_LINKS
            if full or self._scope.refuses_links():
                wire.close()
                continue
            thread = threading.Thread(
                target=self._serve, args=(wire,), name="scope-link", daemon=True
            )
            with self._lock:
                self._links[thread] = wire
            thread.start()

    def _serve(self, wire: Wire) -> None:
        try:
            with contextlib.suppress(WireClosed):
                self._transport.serve(wire)
        finally:
            wire.close()
            with self._lock:
                del self._links[threading.current_thread()]


def serve(
    family: str,
    transport: str = "socket",
    port: int = 0,
    options: str = "",
    *,
    left: Sequence[str] = (),
    answer_s: float = 0.0,
    byte_s: float = 0.0,
    tell: Callable[[str], None],
) -> None:
    """Serve a virtual scope until SIGINT or SIGTERM; for a process's main thread.

    Parameters
    ----------
    family, transport : str
        One of the families or models, and of the transports.
    port : int
        The TCP port, 0 for any that is free.
    options : str
        Of the virtual drive, as in a ``sim:`` address: ``offset_um=25&seed=1``. With
        ``pace=fast`` sweeps take no time.
    left : sequence of str
        States in which somebody left the scope.
    answer_s, byte_s : float
        Seconds before each answer, and for each byte of a block.
    tell : callable
        Gets the address once the scope can be reached.

    Raises
    ------
    AddressError
        When a family, transport, port, option, state or time cannot be used; the message says
        what can.
    """
    families = (*FAMILIES, *MODELS)
    for what, name, known in (("family", family, families), ("transport", transport, TRANSPORTS)):
        if name not in known:
            raise AddressError(f"{what} “{name}” is not known; use {', '.join(known)}")
    if not 0 <= port <= _MOST_PORT:
        raise AddressError(
            f"port {port} cannot be had; write 0 to {_MOST_PORT}, where 0 takes a free one"
        )
    _, params = afflicted(read_options(f"sim:{options}", _split(options)))
    paced = params.pace == "live"
    for what, seconds in (("answer-s", answer_s), ("byte-s", byte_s)):
        if not 0 <= seconds <= _LONGEST_S:
            raise AddressError(f"{what} {seconds:g}: write seconds from 0 to {_LONGEST_S:g}")
    try:
        scope = VirtualScope(
            VirtualDrive(params),
            family,
            seed=params.seed,
            paced=paced,
            ahead=True,
            left=left,
            answer_s=answer_s,
            byte_s=byte_s,
        )
    except ValueError as fault:
        raise AddressError(str(fault)) from None
    try:
        server = ScopeServer(scope, transport, port)
    except OSError:
        scope.close()
        raise AddressError(f"port {port} cannot be had; use another, or 0 for a free one") from None
    ended = threading.Event()

    def end(_signal: int, _frame: FrameType | None) -> None:
        ended.set()

    before = {kind: signal.signal(kind, end) for kind in (signal.SIGINT, signal.SIGTERM)}
    try:
        tell(server.address)
        ended.wait()
    finally:
        for kind, handler in before.items():
            signal.signal(kind, handler)
        server.close()
        scope.close()


def _split(options: str) -> dict[str, str]:
    texts: dict[str, str] = {}
    for part in options.split("&") if options else ():
        name, equals, value = part.partition("=")
        if not name or not equals or not value or name in texts:
            raise AddressError(f"options “{options}”: write NAME=VALUE, each once, with & between")
        texts[name] = value
    return texts
