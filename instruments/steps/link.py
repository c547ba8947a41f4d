"""What a line runs over: a serial port, or a program's standard input and output."""

from __future__ import annotations

import contextlib
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING

from instruments.pipe.source import Feed
from instruments.program import Program, ending
from instruments.source import SourceLost, SourceUnavailable

if TYPE_CHECKING:
    import serial


class StepLink(ABC):
    """Bytes to and from what steps the drive; :meth:`close` may come from any thread."""

    @abstractmethod
    def send(self, data: bytes) -> None:
        """Send bytes; raises :class:`SourceLost` when they cannot be."""

    @abstractmethod
    def receive(self, timeout_s: float) -> bytes:
        """Return what has come, nothing after `timeout_s`; raises :class:`SourceLost`."""

    @abstractmethod
    def close(self) -> None:
        """Let go of it."""


class SerialStepLink(StepLink):
    """A serial port, at eight bits without parity.

    Raises
    ------
    SourceUnavailable
        When it cannot be opened.
    """

    def __init__(self, port: str, baud: int) -> None:
        # Imported here: only whoever steps by a serial port needs it.
        import serial

        try:
            self._port: serial.Serial = serial.Serial(port, baud, timeout=0.0, write_timeout=1.0)
        except (OSError, ValueError) as fault:  # serial's own error is an OSError
            raise SourceUnavailable(
                f"port “{port}” cannot be opened ({_why(fault)}); check its name, and whether you "
                "may use it"
            ) from None

    def send(self, data: bytes) -> None:
        """Send bytes."""
        try:
            self._port.write(data)
        except (OSError, TypeError) as fault:
            raise SourceLost(f"the port cannot be written ({_why(fault)})") from None

    def receive(self, timeout_s: float) -> bytes:
        """Return what has come, nothing after `timeout_s`."""
        try:
            self._port.timeout = timeout_s
            return self._port.read(1) + self._port.read(self._port.in_waiting)
        # pyserial has a descriptor that is None where the port was closed meanwhile.
        except (OSError, TypeError) as fault:
            raise SourceLost(f"the port cannot be read ({_why(fault)})") from None

    def close(self) -> None:
        """Close the port."""
        with contextlib.suppress(OSError):
            self._port.close()


def _why(fault: Exception) -> str:
    return getattr(fault, "strerror", None) or str(fault)


class ProgramLink(StepLink):
    """A program that reads commands on standard input and answers on standard output.

    Raises
    ------
    SourceUnavailable
        When it cannot be started.
    """

    def __init__(self, command: list[str]) -> None:
        self._program = Program(command, asked=True)
        self._feed = Feed(self._program.output, "run")

    def send(self, data: bytes) -> None:
        """Send bytes."""
        try:
            self._program.write(data)
        except (OSError, ValueError):  # ValueError: closed here
            raise self._ended() from None

    def receive(self, timeout_s: float) -> bytes:
        """Return what has come, nothing after `timeout_s`."""
        data = self._feed.get(timeout_s)
        if data == b"":
            raise self._ended()
        return data or b""

    def close(self) -> None:
        """End the program and all that it started."""
        self._program.end()
        self._feed.close()
        if not self._feed.busy:
            self._program.release()

    def _ended(self) -> SourceLost:
        status = self._program.wait()
        said = f" (it wrote: {self._program.said})" if self._program.said else ""
        return SourceLost((ending(status) if status else "it ended") + said)
