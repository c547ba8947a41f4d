"""How VISA names an instrument: what can be a scope, and where on the network it is. Pure."""

from __future__ import annotations

import re

from instruments.source import AddressError

_HISLIP, _PORTMAPPER = 4880, 111  # IVI-6.1; ONC RPC (RFC 1833)
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
