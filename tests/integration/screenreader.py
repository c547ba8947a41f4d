"""What a screen reader is told of a program, on the desktop's own way: the bus of accessibility.

A process of its own listens there as a screen reader does: to announcements, to what takes the
keys, and to what a control says of itself while it has them. Each is a line on its standard
output; the program is asked for nothing else.
"""

from __future__ import annotations

import contextlib
import queue
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import SLOT, QCoreApplication, QObject, Slot
from PySide6.QtDBus import QDBusConnection, QDBusInterface, QDBusMessage, QDBusVariant

ROOT = Path(__file__).parents[2]
READY = "ready"
SAID, FOCUSED = "said", "focused"
_DEADLINE_S = 60.0
_PROPERTIES = "org.freedesktop.DBus.Properties"
_ACCESSIBLE = "org.a11y.atspi.Accessible"
_CHANGES = "object:property-change:accessible-"
_EVENTS = (
    "object:announcement",
    "object:state-changed:focused",
    f"{_CHANGES}name",
    f"{_CHANGES}value",
    f"{_CHANGES}description",
)
_SIGNALS = ("Announcement", "StateChanged", "PropertyChange")


class Listener(QObject):
    """Prints what is told on the bus of accessibility, a line each."""

    def __init__(self, bus: QDBusConnection) -> None:
        super().__init__()
        self._bus = bus
        self._focused = ""
        path = "/org/a11y/atspi/registry"
        name = "org.a11y.atspi.Registry"
        registry = QDBusInterface(name, path, name, bus)
        for event in _EVENTS:
            registry.call("RegisterEvent", event)
        for signal in _SIGNALS:
            slot = SLOT("heard(QDBusMessage)")
            assert bus.connect("", "", "org.a11y.atspi.Event.Object", signal, self, slot)

    @Slot(QDBusMessage)
    def heard(self, message: QDBusMessage) -> None:
        """Print what came."""
        kind, on, _, value, *_ = message.arguments()
        place = message.path()
        if message.member() == "Announcement":
            self._tell(SAID, _plain(value))
        elif message.member() == "StateChanged" and kind == "focused" and on:
            self._focused = place
            self._tell(FOCUSED, self._words(message.service(), place))
        elif message.member() == "PropertyChange" and place == self._focused:
            self._tell(FOCUSED, f"{kind}: {_plain(value)}")

    def _tell(self, kind: str, words: str) -> None:
        print(kind, " ".join(words.split()), flush=True)

    def _words(self, service: str, path: str) -> str:
        """Return name, description and role of what has the keys."""
        properties = QDBusInterface(service, path, _PROPERTIES, self._bus)
        told = [properties.call("Get", _ACCESSIBLE, each) for each in ("Name", "Description")]
        told.append(QDBusInterface(service, path, _ACCESSIBLE, self._bus).call("GetRoleName"))
        words = (_plain(answer.arguments()[0]) for answer in told if answer.arguments())
        return ". ".join(filter(None, words))


def _plain(value: object) -> str:
    return str(value.variant() if isinstance(value, QDBusVariant) else value)


def listen() -> int:
    """Listen as the session's screen reader until the process is ended."""
    app = QCoreApplication(sys.argv)
    session = QDBusConnection.sessionBus()
    place = "org.a11y.Bus", "/org/a11y/bus"
    (address,) = QDBusInterface(*place, "org.a11y.Bus", session).call("GetAddress").arguments()
    listener = Listener(QDBusConnection.connectToBus(address, "accessibility"))
    on = QDBusVariant()
    on.setVariant(True)
    status = QDBusInterface(*place, _PROPERTIES, session)
    for each in ("IsEnabled", "ScreenReaderEnabled"):
        status.call("Set", "org.a11y.Status", each, on)
    print(READY, flush=True)
    ended = app.exec()
    del listener
    return ended


class ScreenReader:
    """A screen reader in a session of its own; what it is told is asked for line by line."""

    def __init__(self, environment: dict[str, str]) -> None:
        for tool, package in (("dbus-daemon", "dbus-daemon"),):
            if shutil.which(tool) is None:
                pytest.fail(f"{tool} is missing: apt install {package}")
        words = ["dbus-daemon", "--session", "--nofork", "--print-address=1"]
        self._bus = subprocess.Popen(
            words, env=environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        assert self._bus.stdout is not None
        address = self._bus.stdout.readline().strip()
        self.environment = {**environment, "DBUS_SESSION_BUS_ADDRESS": address}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.integration.screenreader"],
            cwd=ROOT,
            env=self.environment,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._told: queue.Queue[tuple[str, str]] = queue.Queue()
        self._listener = threading.Thread(target=self._take, daemon=True)
        self._listener.start()
        if self._told.get(timeout=_DEADLINE_S)[0] != READY:
            pytest.fail("no bus of accessibility: apt install at-spi2-core")

    def _take(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            kind, _, words = line.strip().partition(" ")
            self._told.put((kind, words))

    def next(self, within_s: float) -> tuple[str, str] | None:
        """Return the next that is told, how and in words; None where nothing is for so long."""
        with contextlib.suppress(queue.Empty):
            return self._told.get(timeout=within_s)
        return None

    def close(self) -> None:
        """End the session: what was started for it on its bus ends with that."""
        for process in (self._process, self._bus):
            process.terminate()
            process.wait(_DEADLINE_S)
        self._listener.join(_DEADLINE_S)
        for process in (self._process, self._bus):
            assert process.stdout is not None
            process.stdout.close()


@contextlib.contextmanager
def screen_reader(environment: dict[str, str]) -> Iterator[ScreenReader]:
    """A screen reader for as long as the block lasts."""
    reader = ScreenReader(environment)
    try:
        yield reader
    finally:
        reader.close()


if __name__ == "__main__":
    sys.exit(listen())
