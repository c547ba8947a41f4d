"""Whether a window can be shown here."""

from __future__ import annotations

import os
import re
import socket
import sys


def display_is_there() -> bool:
    """Tell whether there is a display, without Qt: where there is none, Qt ends the process."""
    if os.environ.get("QT_QPA_PLATFORM") or not sys.platform.startswith("linux"):
        return True
    wayland, x11 = os.environ.get("WAYLAND_DISPLAY"), os.environ.get("DISPLAY")
    if wayland:
        folder = os.environ.get("XDG_RUNTIME_DIR", "")
        return os.path.exists(os.path.join(folder, wayland))
    return bool(x11) and _x11_answers(x11)


def _x11_answers(display: str) -> bool:
    """Tell whether an X server of this machine answers; one elsewhere is taken at its word."""
    local = re.fullmatch(r"(?:unix)?:(\d+)(?:\.\d+)?", display)
    if local is None:
        return True
    path = f"/tmp/.X11-unix/X{local[1]}"  # noqa: S108 - where X servers put their socket
    for address in (path, "\0" + path):
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.settimeout(1.0)
            try:
                link.connect(address)
            except OSError:
                continue
            return True
    return False
