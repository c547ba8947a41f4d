"""SCPI over a bare TCP connection: a message is a line."""

from __future__ import annotations

from instruments.virtual.scope.scope import VirtualScope
from instruments.virtual.scope.servers.wire import Wire

_LONGEST_LINE = 1 << 16


class RawFace:
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
