"""Instruments by VISA: their resource names, and links through PyVISA.

The system's VISA is used where there is one, else PyVISA-py. PyVISA is imported when the first such
address is opened.
"""

from __future__ import annotations

import contextlib
import re
import threading
from typing import TYPE_CHECKING, Any

from instruments.scope.links import Bytes, Deadline, MessageLink, StreamLink, boundary, reach
from instruments.scope.ports import hint_for
from instruments.source import AddressError, SourceError, SourceUnavailable

if TYPE_CHECKING:
    import pyvisa

_HISLIP, _PORTMAPPER = 4880, 111  # IVI-6.1; ONC RPC (RFC 1833)
_VICP = 1861  # WaveSurfer 3000 remote control manual, p. 1-7: each answer has a header before it
_MOST_PORT = 65535

_HOST = r"(\[[0-9a-f:.]+(?:%[^\]\s:]+)?\]|[^\[\]:,\s]+)"
_SOCKET = re.compile(rf"TCPIP\d*::{_HOST}::(\d+)::SOCKET", re.IGNORECASE)
_NETWORK = re.compile(rf"TCPIP\d*::{_HOST}(?:,(\d+))?(?:::(\w+)(?:,(\d+))?)?::INSTR", re.IGNORECASE)
_KINDS = (
    _SOCKET,
    _NETWORK,
    re.compile(r"(?:USB\d*|GPIB\d*|VXI\d*)::\S+::INSTR", re.IGNORECASE),
    re.compile(r"ASRL\S+?(?:::INSTR)?", re.IGNORECASE),
)
_MEANT = re.compile(
    r"(?:(?:TCPIP|USB|GPIB|VXI)\d*::|ASRL(?:/|COM|\d)).*", re.IGNORECASE | re.DOTALL
)
_NUMBERS = re.compile(r"\d{1,3}(?:\.\d{1,3}){3}(?::\d+)?")


def socket_place(resource: str) -> tuple[str, int] | None:
    """Return host and port of a raw socket; None for every other resource."""
    found = _SOCKET.fullmatch(resource)
    return None if found is None else (found[1].strip("[]"), int(found[2]))


def server_place(resource: str) -> tuple[str, int] | None:
    """Return host and port where the server of VXI-11 or HiSLIP is asked for; else None."""
    found = _NETWORK.fullmatch(resource)
    if found is None:
        return None
    host, named, device, numbered = found.groups()
    usual = _HISLIP if (device or "").lower().startswith("hislip") else _PORTMAPPER
    return host.strip("[]"), int(named or numbered or usual)


def check_resource(text: str, resource: str) -> None:
    """Refuse what cannot be a scope's; nothing at all means the one that is attached.

    Parameters
    ----------
    text : str
        The whole address, for messages.
    resource : str
        As VISA names it.

    Raises
    ------
    AddressError
        When it cannot be.
    """
    if resource and not any(kind.fullmatch(resource) for kind in _KINDS):
        raise AddressError(
            f"address “{text}”: “{resource}” is not where a scope can be; write for example "
            "visa:TCPIP::192.168.0.5::5025::SOCKET, visa:USB0::…::INSTR or visa:ASRL/dev/ttyUSB0"
        )
    place = socket_place(resource) or server_place(resource)
    if place is not None and not 1 <= place[1] <= _MOST_PORT:
        raise AddressError(
            f"address “{text}”: there is no port {place[1]}; it must be 1 to {_MOST_PORT}, and is "
            "most often 5025 or 5555"
        )
    if socket_place(resource) is not None and place is not None and place[1] == _VICP:
        raise AddressError(
            f"address “{text}”: port {_VICP} is for VICP, a maker's own protocol, and not for raw "
            "TCP; choose LXI (VXI-11) as remote control in the scope's menu, and write "
            f"visa:TCPIP::{place[0]}::INSTR"
        )
    if "[" in resource and socket_place(resource) is None:
        raise AddressError(
            f"address “{text}”: an IPv6 address can be used with raw TCP alone; write "
            "visa:TCPIP::[ADDRESS]::PORT::SOCKET, or give the scope's name or IPv4 address"
        )


def meant_as_resource(text: str) -> str:
    """Return the address that was meant where somebody left ``visa:`` out; else nothing."""
    if _MEANT.fullmatch(text):
        return f"visa:{text}"
    if _NUMBERS.fullmatch(text):
        host, _, port = text.partition(":")
        return f"visa:TCPIP::{host}::{port or 5025}::SOCKET"
    return ""


_OPEN_MS = 2000
_SERIAL_CHUNK = 4096
_SERIAL_LOOK_S = 0.002
_LEAST_MS = 10

_managers: list[pyvisa.ResourceManager] = []
_managers_lock = threading.Lock()


def resource_manager() -> pyvisa.ResourceManager:
    """Return the one manager of this process.

    Raises
    ------
    SourceUnavailable
        When no VISA is there at all.
    """
    with _managers_lock:
        if not _managers or not _is_open(_managers[0]):
            _managers[:] = [_new_manager()]
        return _managers[0]


def _is_open(manager: pyvisa.ResourceManager) -> bool:
    """Tell whether a manager can be used: whoever closes PyVISA's own closes it for all."""
    try:
        return manager.session is not None
    except Exception:
        return False


def _new_manager() -> pyvisa.ResourceManager:
    try:
        import pyvisa
    except ImportError as fault:
        raise SourceUnavailable(
            f"PyVISA cannot be loaded ({fault}); install the packages PyVISA and PyVISA-py, or "
            "reach the scope by raw TCP: visa:TCPIP::HOST::PORT::SOCKET needs no VISA"
        ) from None
    # A maker's VISA may be installed and not load: PyVISA-py is the next best.
    for library in ("", "@py"):
        with contextlib.suppress(Exception):
            return pyvisa.ResourceManager(library)
    raise SourceUnavailable(
        "no VISA was found; install the package PyVISA-py, or reach the scope by raw TCP: "
        "visa:TCPIP::HOST::PORT::SOCKET needs none"
    )


def open_resource(resource: str, what: str) -> Any:
    """Return the opened resource of PyVISA.

    Raises
    ------
    SourceError
        When it cannot be opened.
    """
    manager = resource_manager()
    _knock(resource, what)
    try:
        with boundary(what):
            return manager.open_resource(resource, open_timeout=_OPEN_MS)
    except SourceError as fault:
        if why := hint_for(resource):
            raise SourceUnavailable(f"{what}: {why}") from fault
        if isinstance(fault, SourceUnavailable):
            raise
        raise SourceUnavailable(
            f"{what}: it cannot be opened ({_last_words(fault)}); check the address, the cable "
            "and that no other program holds it"
        ) from fault


def _knock(resource: str, what: str) -> None:
    """See that somebody listens: PyVISA-py takes long to notice, and leaves its socket open.

    Raises
    ------
    SourceUnavailable
        When nobody does.
    """
    place = server_place(resource)
    if place is not None:
        reach(*place, what, Deadline(_OPEN_MS / 1e3)).close()


def _last_words(fault: BaseException) -> str:
    cause = fault.__cause__ or fault
    return (str(cause) or type(cause).__name__).splitlines()[0]


class _Resource:
    """A resource, its time-out kept to the deadline's."""

    def __init__(self, resource: Any, what: str) -> None:
        self.raw = resource
        self._what = what
        self._timeout_ms = 0

    def within(self, deadline: Deadline) -> Any:
        """Return the resource, ready for a call that ends with `deadline`."""
        wanted_ms = max(_LEAST_MS, round(1e3 * deadline.check_time(self._what)))
        # Setting it costs about as much as a small read: let it stand where it nearly fits.
        if not 0.8 * wanted_ms <= self._timeout_ms <= wanted_ms:
            self.raw.timeout = self._timeout_ms = wanted_ms
        return self.raw

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self.raw.close()


class VisaLink(MessageLink):
    """USB-TMC, VXI-11 or HiSLIP.

    Parameters
    ----------
    resource : str
        As VISA names it.
    what : str
        The scope, as messages begin.

    Raises
    ------
    SourceError
        When it cannot be opened.
    """

    def __init__(self, resource: str, what: str) -> None:
        super().__init__(what)
        self._resource = _Resource(open_resource(resource, what), what)

    def _write(self, data: bytes, deadline: Deadline) -> None:
        with boundary(self.what):
            self._resource.within(deadline).write_raw(data)

    def _read(self, size: int, deadline: Deadline) -> Bytes:
        with boundary(self.what):
            return self._resource.within(deadline).read_raw(size)

    def abort(self) -> None:
        """Do nothing: a VISA's call cannot be ended from outside, its thread is given up."""

    def close(self) -> None:
        """Let go of the instrument."""
        self._resource.close()


class SerialLink(StreamLink):
    """A serial port: exact numbers of bytes, for a read would stop at the first newline.

    Parameters
    ----------
    resource : str
        As VISA names it.
    what : str
        The scope, as messages begin.
    baud : int
        Bits a second.

    Raises
    ------
    SourceError
        When it cannot be opened.
    """

    def __init__(self, resource: str, what: str, baud: int) -> None:
        super().__init__(what)
        opened = open_resource(resource, what)
        self._resource = _Resource(opened, what)
        self._baud = baud
        with boundary(what):
            from pyvisa.constants import SerialTermination

            opened.baud_rate = baud
            opened.end_input = SerialTermination.none
            opened.end_output = SerialTermination.none

    def _write(self, data: bytes, deadline: Deadline) -> None:
        with boundary(self.what):
            self._resource.within(deadline).write_raw(data)

    def _receive(self, least: int, deadline: Deadline) -> Bytes:
        # A read that waits could not be ended, and one that times out loses what has come.
        while not (came := self._waiting()):
            deadline.check(self.what)
            deadline.pause(_SERIAL_LOOK_S)
        return came

    def _fill(self, view: memoryview, deadline: Deadline) -> None:
        here = 0
        while here < len(view):
            part = self._receive(len(view) - here, deadline)
            taken = min(len(part), len(view) - here)
            view[here : here + taken] = part[:taken]
            self._buffer += part[taken:]
            here += taken

    def _waiting(self) -> Bytes:
        with boundary(self.what):
            resource = self._resource.raw
            count = min(_SERIAL_CHUNK, resource.bytes_in_buffer)
            return resource.read_bytes(count, chunk_size=count) if count else b""

    def transfer_s(self, size: int) -> float:
        """Return the seconds that so many bytes need: start and stop bit make ten bits of each."""
        return 10 * size / self._baud

    def abort(self) -> None:
        """Do nothing: a serial read ends with its own time-out."""

    def close(self) -> None:
        """Let go of the port."""
        self._resource.close()
