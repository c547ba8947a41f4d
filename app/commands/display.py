"""Whether a window can be shown here."""

from __future__ import annotations

import ctypes
import os
import socket
import sys


def display_fault() -> str | None:
    """Tell why there can be no window, None when there can be one.

    Asked without Qt: where Qt finds no display, it ends the process.
    """
    if os.environ.get("QT_QPA_PLATFORM") or not sys.platform.startswith("linux"):
        return None
    wayland, x11 = os.environ.get("WAYLAND_DISPLAY"), os.environ.get("DISPLAY")
    if wayland and _wayland_answers(wayland):
        return None
    if not x11:
        return f"no display answers at “{wayland}”" if wayland else "there is no display"
    return _x11_fault(x11)


def _wayland_answers(name: str) -> bool:
    path = os.path.join(os.environ.get("XDG_RUNTIME_DIR", ""), name)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.settimeout(1.0)
        try:
            link.connect(path)
        except OSError:
            return False
    return True


def _x11_fault(name: str) -> str | None:
    """Connect as Qt would, by the library that Qt uses, and with the same rights."""
    try:
        xcb = ctypes.CDLL("libxcb.so.1")
        ctypes.CDLL("libxcb-cursor.so.0")  # Qt does not do without it, and many systems lack it
    except OSError as fault:
        return f"{str(fault).partition(':')[0]} is missing; install it"
    xcb.xcb_connect.restype = ctypes.c_void_p
    for function in (xcb.xcb_connection_has_error, xcb.xcb_disconnect):
        function.argtypes = [ctypes.c_void_p]
    connection = xcb.xcb_connect(os.fsencode(name), None)
    failed = xcb.xcb_connection_has_error(connection)
    xcb.xcb_disconnect(connection)
    return f"no display answers at “{name}”" if failed else None
