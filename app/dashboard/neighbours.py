"""The windows of this user beside this one: which device each has open, and how one is shown.

A window has two files in a folder of the user's: a lock, which is known to be stale once its
program has ended, and what it has open. Whoever wants it in front puts a third beside them, for
which each window looks four times a second. So nothing listens, and what a file says is only
compared.
"""

from __future__ import annotations

import os
from contextlib import suppress
from itertools import count
from pathlib import Path

from platformdirs import user_data_path
from PySide6.QtCore import QLockFile, Qt
from PySide6.QtWidgets import QApplication, QWidget

_SHARED = ("sound", "visa")
"""Kinds of source that are devices; any other each window has for itself."""
_LOOK_S = 0.25
_LONGEST = 4000
_NUMBERS = count()


def windows_path() -> Path:
    """Return where the windows of this user are known."""
    return user_data_path("evenlobe", appauthor=False) / "windows"


def device_of(address: str) -> str:
    """Return what two windows may both want: the device, however it is set; empty for no device."""
    device = address.partition("?")[0]
    return device if device.partition(":")[0] in _SHARED else ""


class Neighbours:
    """A window among the others.

    Parameters
    ----------
    folder : Path or None
        Where they are known; None knows of none, and is known to none.
    window : QWidget or None
        What is shown when another asks for it.
    """

    def __init__(self, folder: Path | None, window: QWidget | None) -> None:
        self._window = window
        self._own: Path | None = None
        self._lock: QLockFile | None = None
        self._held = ""
        self._looked_at_s = float("-inf")
        if folder is not None:
            with suppress(OSError):  # who cannot be known is only not found
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                own = folder / f"{os.getpid()}-{next(_NUMBERS)}"
                lock = _lock_of(own)
                if lock.tryLock(0):
                    self._own, self._lock = own, lock

    def hold(self, address: str, now_s: float) -> None:
        """Let the others know what is open here, and come to the front where one asks for it."""
        if self._own is None:
            return
        device = device_of(address)
        if device != self._held:
            self._held = device
            with suppress(OSError):
                self._own.with_suffix(".open").write_text(device, encoding="utf-8")
        if now_s - self._looked_at_s >= _LOOK_S:
            self._looked_at_s = now_s
            with suppress(OSError):  # nobody has asked
                self._own.with_suffix(".show").unlink()
                self._come()

    def has(self, address: str) -> bool:
        """Whether another window has the device of an address open."""
        return self._other(address) is not None

    def show(self, address: str) -> bool:
        """Ask the window that has it open to come to the front; return whether one has it."""
        other = self._other(address)
        if other is not None:
            with suppress(OSError):
                other.with_suffix(".show").touch()
        return other is not None

    def end(self) -> None:
        """Be known no more."""
        own, self._own = self._own, None
        if own is not None and self._lock is not None:
            for suffix in (".open", ".show"):
                own.with_suffix(suffix).unlink(missing_ok=True)
            self._lock.unlock()

    def _other(self, address: str) -> Path | None:
        device = device_of(address)
        if self._own is None or not device:
            return None
        for path in sorted(self._own.parent.glob("*.open")):
            other = path.with_suffix("")
            if other != self._own and _said(path) == device and _lives(other):
                return other
        return None

    def _come(self) -> None:
        window = self._window
        if window is not None:
            # As large as it was: it may have had the whole screen.
            window.setWindowState(window.windowState() & ~Qt.WindowState.WindowMinimized)
            window.raise_()
            window.activateWindow()
            QApplication.alert(window)


def _lock_of(window: Path) -> QLockFile:
    lock = QLockFile(str(window.with_suffix(".lock")))
    # However old it is; whether its program lives counts alone.
    lock.setStaleLockTime(0)
    return lock


def _said(path: Path) -> str:
    try:
        with path.open(encoding="utf-8") as file:
            return file.read(_LONGEST)
    except (OSError, UnicodeDecodeError):
        return ""


def _lives(window: Path) -> bool:
    """Return whether a window's program runs; what one left that was killed is put away."""
    lock = _lock_of(window)
    if not lock.tryLock(0):
        return True
    for suffix in (".open", ".show"):
        window.with_suffix(suffix).unlink(missing_ok=True)
    lock.unlock()
    return False
