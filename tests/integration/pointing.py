"""What is to be seen in a window, and where, as a desktop's bus of accessibility tells it.

A pointer has to be put on what it presses: kind, name and place of what is shown are asked for with
``dbus-send``.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass

_ACCESSIBLE = "org.a11y.atspi.Accessible"
_ROOT = "org.a11y.atspi.Registry", "/org/a11y/atspi/accessible/root"
_ENABLED, _SHOWING = 8, 25
"""Bits of a state (AT-SPI 2, AtspiStateType)."""
_DEADLINE_S = 60


@dataclass(frozen=True, slots=True)
class Shown:
    """Something that a window shows: where it is on the bus, its kind and its name."""

    service: str
    path: str
    role: str
    name: str


class Eyes:
    """Looks at what windows show, in a session that has a bus of accessibility."""

    def __init__(self, environment: dict[str, str]) -> None:
        self._environment = environment
        told = self._send("--session", "org.a11y.Bus", "/org/a11y/bus", "org.a11y.Bus.GetAddress")
        self._bus = f"--bus={_texts(told)[0]}"

    def look(self) -> list[Shown]:
        """Return all that has a name and is shown now, in the order in which it was made."""
        # An application is nowhere, and so not shown; its windows are.
        windows = [each for place in self._children(*_ROOT) for each in self._children(*place)]
        return [each for place in windows for each in self._within(*place)]

    def again(self, shown: Shown) -> Shown | None:
        """Return what something is called now, None where it is shown no more."""
        if not self._state(shown.service, shown.path) >> _SHOWING & 1:
            return None
        return self._called(shown.service, shown.path)

    def middle_of(self, shown: Shown) -> tuple[int, int] | None:
        """Return where to press something, in pixels of the screen; None where it may not be."""
        place = shown.service, shown.path
        extents = self._numbers(*place, "org.a11y.atspi.Component.GetExtents", "uint32:0")
        if not self._state(*place) >> _ENABLED & 1 or len(extents) < 4:
            return None
        left, top, width, height = extents
        return left + width // 2, top + height // 2

    def _within(self, service: str, path: str) -> Iterator[Shown]:
        if not self._state(service, path) >> _SHOWING & 1:
            return
        shown = self._called(service, path)
        if shown is not None:
            yield shown
        for child in self._children(service, path):
            yield from self._within(*child)

    def _called(self, service: str, path: str) -> Shown | None:
        asked = f"string:{_ACCESSIBLE}", "string:Name"
        told = self._call(service, path, "org.freedesktop.DBus.Properties.Get", *asked)
        name = _texts(told)
        if not name or not name[0]:
            return None
        (role, *_) = [*_texts(self._call(service, path, f"{_ACCESSIBLE}.GetRoleName")), ""]
        return Shown(service, path, role, name[0])

    def _children(self, service: str, path: str) -> list[tuple[str, str]]:
        told = self._call(service, path, f"{_ACCESSIBLE}.GetChildren")
        return re.findall(r'string "(.*)"\s+object path "(.*)"', told)

    def _state(self, service: str, path: str) -> int:
        words = self._numbers(service, path, f"{_ACCESSIBLE}.GetState")
        return sum(each << 32 * at for at, each in enumerate(words))

    def _numbers(self, service: str, path: str, what: str, *words: str) -> list[int]:
        told = self._call(service, path, what, *words)
        return [int(each) for each in re.findall(r"int32 (-?\d+)", told)]

    def _call(self, service: str, path: str, what: str, *words: str) -> str:
        return self._send(self._bus, service, path, what, *words)

    def _send(self, bus: str, service: str, *words: str) -> str:
        """Return what is answered; nothing where what is asked has gone meanwhile."""
        asked = subprocess.run(
            ["dbus-send", "--print-reply", bus, f"--dest={service}", *words],
            env=self._environment,
            timeout=_DEADLINE_S,
            capture_output=True,
            check=False,
            text=True,
        )
        return asked.stdout


def _texts(told: str) -> list[str]:
    return re.findall(r'string "((?:[^"\\]|\\.)*)"', told)
