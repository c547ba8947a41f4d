"""List the attached instruments, with hints about those that cannot be used as they are.

USB devices and serial ports are looked at without opening one. Listing takes a second or two, and
longer on a slow network: call it from a worker thread.
"""

from __future__ import annotations

import queue
import threading
import warnings
from dataclasses import dataclass
from typing import Any

from instruments.scope.links import boundary
from instruments.scope.ports import (
    in_libusb,
    is_serial,
    is_usb_resource,
    serial_hint,
    usb_devices,
    usb_hint,
    usb_name,
)
from instruments.source import SourceError, SourceUnavailable

_LIST_S = 5.0


@dataclass(frozen=True, slots=True)
class FoundScopes:
    """What was found.

    Attributes
    ----------
    scopes : tuple of (str, str)
        Address and title of each instrument that could be a scope.
    hints : tuple of str
        Sentences about what is there and cannot be used as it is.
    """

    scopes: tuple[tuple[str, str], ...] = ()
    hints: tuple[str, ...] = ()


def find_scopes(timeout_s: float = _LIST_S) -> FoundScopes:
    """Return what is attached; nothing, with a hint, where that cannot be told in time.

    Parameters
    ----------
    timeout_s : float
        Longest wait; a listing that hangs is left to itself.
    """
    found: queue.SimpleQueue[FoundScopes] = queue.SimpleQueue()
    threading.Thread(target=lambda: found.put(_find()), name="scope-discovery", daemon=True).start()
    try:
        return found.get(timeout=timeout_s)
    except queue.Empty:
        late = f"instruments could not be listed within {timeout_s:g} s; type the scope's address"
        return FoundScopes(hints=(late,))


def the_only_scope() -> str:
    """Return the resource of the one instrument that is attached, serial ports left aside.

    Nobody can tell what hangs on a serial port without sending something there.

    Raises
    ------
    SourceUnavailable
        When there is none, or more than one.
    """
    attached = find_scopes()
    every = [address.removeprefix("visa:") for address, _ in attached.scopes]
    names = [name for name in every if not is_serial(name)]
    if not names:
        why = "; ".join(("no instrument was found", *attached.hints))
        raise SourceUnavailable(
            f"{why}; give an address, for example visa:TCPIP::HOST::5025::SOCKET"
        )
    if len(names) > 1:
        raise SourceUnavailable(
            f"{len(names)} instruments are attached: {', '.join(names)}; "
            f"name one, for example visa:{names[0]}"
        )
    return names[0]


def _find() -> FoundScopes:
    hints: list[str] = []
    scopes: list[tuple[str, str]] = []
    try:
        names = _resources()
    except SourceError as fault:
        names = ()
        hints.append(str(fault))
    devices = usb_devices()
    for name in names:
        title = _title(name, devices)
        if title:
            scopes.append((f"visa:{name}", title))
    hints += filter(None, (serial_hint(name) for name in names if is_serial(name)))
    hints += filter(None, map(usb_hint, devices))
    return FoundScopes(tuple(scopes), tuple(hints))


def _resources() -> tuple[str, ...]:
    from instruments.scope.visa import resource_manager

    manager = resource_manager()
    with in_libusb(), warnings.catch_warnings(), boundary("the list of instruments"):
        # PyVISA-py says that it would see more with packages that a scope does not need.
        warnings.simplefilter("ignore")
        return tuple(manager.list_resources("?*"))


def _title(resource: str, devices: list[Any]) -> str:
    """Return words for a list.

    Of USB instruments they come from the device's own strings: a query would be read by one that
    is at work for another program, in the middle of its record. Others keep their address.
    """
    kind, *parts = resource.split("::")
    if kind.upper().startswith("USB") and parts[-1].upper() == "INSTR":
        named = (usb_name(device) for device in devices if is_usb_resource(resource, device))
        return next(filter(None, named), f"USB instrument, serial {parts[2]}")
    if kind.upper().startswith("TCPIP"):
        return f"Network instrument at {parts[0]}, {_way(parts)}"
    if kind.upper().startswith("GPIB"):
        return f"GPIB instrument at {parts[0]}"
    if is_serial(resource):
        return f"Serial port {kind[len('ASRL') :]}"
    return ""


def _way(parts: list[str]) -> str:
    """Return how a network instrument is spoken to."""
    if parts[-1].upper() == "SOCKET":
        return f"port {parts[1]}"
    return "HiSLIP" if parts[1].lower().startswith("hislip") else "VXI-11"
