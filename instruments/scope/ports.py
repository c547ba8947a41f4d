"""USB devices and serial ports as they are, looked at without opening one: who may use them."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from instruments.ending import end_waits_for
from instruments.scope.links import UDEV_RULES

_LIBUSB = threading.Lock()

# Vendor and product of USB scopes that speak no SCPI (from memory).
_MUTE = frozenset({(0x04B4, 0x6022), (0x04B5, 0x6022), (0x5345, 0x1234), (0x049F, 0x505A)})
_TMC_CLASS, _TMC_SUBCLASS = 0xFE, 3


@contextmanager
def in_libusb() -> Iterator[None]:
    """Be the one thread that lists USB devices, while the program does not end."""
    end_waits_for(_LIBUSB)
    with _LIBUSB:
        yield


def usb_devices() -> list[Any]:
    """Return every device of pyusb's; none where there is no libusb."""
    try:
        import usb.core
    except ImportError:
        return []
    with in_libusb():
        try:
            return list(usb.core.find(find_all=True) or ())
        except usb.core.NoBackendError:
            pass
        try:
            import libusb_package

            return list(libusb_package.find(find_all=True) or ())
        except (ImportError, OSError, usb.core.USBError, usb.core.NoBackendError):
            return []


def usb_hint(device: Any) -> str:
    """Return a sentence about a scope that cannot be used as it is; empty for all else."""
    name = f"{device.idVendor:04x}:{device.idProduct:04x}"
    if (device.idVendor, device.idProduct) in _MUTE:
        return (
            f"the USB scope {name} speaks no SCPI; save a capture with its own software and open "
            "that file, or feed samples in by pipe:"
        )
    if is_instrument(device) and not may_open(device):
        return (
            f"this user may not open the USB instrument {name}; put these two lines into "
            "/etc/udev/rules.d/65-usbtmc.rules, then plug it in again: " + "   ".join(UDEV_RULES)
        )
    return ""


def is_serial(resource: str) -> bool:
    """Tell whether a VISA address is that of a serial port."""
    return resource.upper().startswith("ASRL")


def serial_hint(resource: str) -> str:
    """Return a sentence about a serial port that is not there or may not be opened."""
    path = _port(resource)
    if not path.startswith("/dev/"):
        return ""
    if not os.path.exists(path):
        return f"there is no {path}; plug the adapter in, and look for its name"
    if os.access(path, os.R_OK | os.W_OK):
        return ""
    return (
        f"this user may not open {path}; add yourself to its group (often dialout) and log in again"
    )


def _port(resource: str) -> str:
    return resource.partition("::")[0][len("ASRL") :]


def _unnamed_hint(resource: str) -> str:
    """Return how a serial port is named, where it was not."""
    if os.name != "posix" or _port(resource).startswith("/"):
        return ""
    return f"there is no serial port “{_port(resource)}”; name its file, as ASRL/dev/ttyUSB0"


def hint_for(resource: str) -> str:
    """Return the hint about what is behind a VISA address; empty where there is none."""
    if is_serial(resource):
        return serial_hint(resource) or _unnamed_hint(resource)
    if resource.upper().startswith("GPIB"):
        return (
            "GPIB needs the system's own VISA or a driver of its adapter, which do not come along; "
            "install one, or reach the scope by its USB or network port"
        )
    found = [device for device in usb_devices() if is_usb_resource(resource, device, alike=True)]
    return next(filter(None, map(usb_hint, found)), "")


def is_usb_resource(resource: str, device: Any, *, alike: bool = False) -> bool:
    """Tell whether a VISA address is that of a USB device.

    Parameters
    ----------
    resource, device : str, object
        The address, and a device of pyusb's.
    alike : bool
        One of the same vendor and product will do: a serial number may not be readable.
    """
    parts = resource.split("::")
    try:
        wanted = int(parts[1], 0), int(parts[2], 0)
    except (IndexError, ValueError):
        return False
    if (device.idVendor, device.idProduct) != wanted:
        return False
    return alike or _string(device, "serial_number") == parts[3]


def usb_name(device: Any) -> str:
    """Return a USB device's maker, model and serial number; empty where it does not tell them."""
    maker, model = (_string(device, name) for name in ("manufacturer", "product"))
    if not model:
        return ""
    name = model if model.startswith(maker) else f"{maker} {model}"
    return f"{name}, serial {_string(device, 'serial_number')}, USB"


def _string(device: Any, name: str) -> str:
    try:
        text = getattr(device, name) or ""
    except Exception:
        # pyusb raises ValueError, USBError or NotImplementedError for want of permission.
        return ""
    return " ".join(str(text).split())


def is_instrument(device: Any) -> bool:
    """Tell whether it has an interface of the test and measurement class (USBTMC 1.0, 4.1)."""
    try:
        return any(
            interface.bInterfaceClass == _TMC_CLASS
            and interface.bInterfaceSubClass == _TMC_SUBCLASS
            for configuration in device
            for interface in configuration
        )
    except Exception:
        # A device that went away while it was looked at is none.
        return False


def may_open(device: Any) -> bool:
    """Tell whether its serial number can be read, for which it must be opened."""
    return not device.iSerialNumber or bool(_string(device, "serial_number"))
