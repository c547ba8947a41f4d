"""Serving a virtual scope from the command line, until it is interrupted."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from types import FrameType

from instruments.source import AddressError
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import read_options
from instruments.virtual.scope.scope import FAMILIES, VirtualScope
from instruments.virtual.scope.servers.server import TRANSPORTS, ScopeServer


def serve(
    family: str,
    transport: str = "socket",
    port: int = 0,
    options: str = "",
    *,
    tell: Callable[[str], None],
) -> None:
    """Serve a virtual scope until SIGINT or SIGTERM; for a process's main thread.

    Parameters
    ----------
    family, transport : str
        One of the families and of the transports.
    port : int
        The TCP port, 0 for any that is free.
    options : str
        Of the virtual drive, as in a ``sim:`` address: ``offset_um=25&seed=1``. With
        ``pace=fast`` sweeps take no time.
    tell : callable
        Gets the address once the scope can be reached.

    Raises
    ------
    AddressError
        When a family, transport, port or option cannot be used; the message says what can.
    """
    for what, name, known in (("family", family, FAMILIES), ("transport", transport, TRANSPORTS)):
        if name not in known:
            raise AddressError(f"{what} “{name}” is not known; use {', '.join(known)}")
    params = read_options(f"sim:{options}", _split(options))
    paced = params.pace == "live"
    scope = VirtualScope(
        VirtualDrive(params), family, seed=params.seed, paced=paced, ahead=not paced
    )
    try:
        server = ScopeServer(scope, transport, port)
    except (OSError, OverflowError):
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
