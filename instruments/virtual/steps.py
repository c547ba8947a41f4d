"""The virtual drive's own line: what steps it, behind a pseudo-terminal as behind a serial port.

Threads: *virtual-steps* alone reads commands and answers them; it ends with
:meth:`VirtualSteps.close`. There are no pseudo-terminals on Windows.
"""

from __future__ import annotations

import contextlib
import os
import threading
from typing import Protocol

from instruments.source import SourceUnavailable
from instruments.steps.protocol import GREETING, Standing, read_command
from instruments.virtual.mechanics import LAST_TRACK

_OVER = b"\x04"
"""A line that nobody asks: the thread is to end."""


class Carriage(Protocol):
    """What of the hands at the virtual drive a line needs."""

    def select(self, side: int) -> None:
        """Select a head."""

    def step(self, tracks: int) -> None:
        """Step so many tracks inward."""

    def seek(self, track: int) -> None:
        """Go to a track."""


class StepsDevice:
    """Answers commands as what steps a drive does, by the hands at the virtual one."""

    def __init__(self, hands: Carriage) -> None:
        self._hands = hands
        self._standing = Standing()

    def reply(self, words: str) -> bytes:
        """Do a command, and return the bytes that answer it."""
        return f"{self._answer(words.strip())}\n".encode()

    def _answer(self, words: str) -> str:
        if words == "hello":
            self._standing = Standing(None, self._standing.head, self._standing.motor)
            return GREETING
        try:
            command = read_command(words)
        except ValueError as fault:
            return f"no {fault}"
        after = command.brings(self._standing)
        if command.by and after.track is None:
            return "no the track is not known; seek one first"
        if after.track is not None and not 0 <= after.track <= LAST_TRACK:
            return f"no the tracks are 0 to {LAST_TRACK}"
        if command.head is not None:
            self._hands.select(command.head)
        if command.by:
            self._hands.step(command.by)
        if command.track is not None:
            # Where the track is not known the stop at track 0 is met first.
            if self._standing.track is None:
                self._hands.seek(0)
            self._hands.seek(command.track)
        self._standing = after
        return f"ok {after}"


class VirtualSteps:
    """A pseudo-terminal on which a device answers; also a context manager.

    Attributes
    ----------
    address : str
        What steps the drive, as ``serial:/dev/pts/7``.

    Raises
    ------
    SourceUnavailable
        Where there are no pseudo-terminals.
    """

    def __init__(self, device: StepsDevice) -> None:
        try:
            import pty
            import tty
        except ImportError:
            raise SourceUnavailable(
                "steps “sim:”: this system has no pseudo-terminals; leave --steps out"
            ) from None
        self._device = device
        self._line, self._far = pty.openpty()
        tty.setraw(self._far)
        self.address = f"serial:{os.ttyname(self._far)}"
        self._thread = threading.Thread(target=self._serve, name="virtual-steps", daemon=True)
        self._thread.start()

    def __enter__(self) -> VirtualSteps:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the line."""
        with contextlib.suppress(OSError):
            os.write(self._far, _OVER + b"\n")
        self._thread.join()

    def _serve(self) -> None:
        come = b""
        try:
            while True:
                come += os.read(self._line, 256)
                *lines, come = come.split(b"\n")
                for line in lines:
                    if line == _OVER:
                        return
                    os.write(self._line, self._device.reply(line.decode("ascii", "replace")))
        except OSError:  # it was pulled
            pass
        finally:
            for descriptor in (self._line, self._far):
                os.close(descriptor)
