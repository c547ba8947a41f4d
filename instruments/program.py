"""A program of the user's own, started without a shell and ended with all that it started.

Threads: *program-listener* reads what it says on standard error; it ends with the program.

The command comes from the user's own hand, as an address does; nothing that is read from a file, a
book or a profile is ever started.
"""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import sys
import threading

from instruments.source import AddressError, SourceUnavailable

_END_S = 0.4
_SAID_BYTES = 4096
_SHOWN = 160
_LOOKED_AT = 16 * _SHOWN
"""Bytes of a line that are looked at, however long it is."""


def split_command(text: str, line: str) -> list[str]:
    """Return a command's program and arguments; `text` is the whole address, for messages.

    Raises
    ------
    AddressError
        When no program is named, or a quotation is not closed.
    """
    try:
        command = shlex.split(line)
    except ValueError as fault:
        raise AddressError(
            f"address “{text}”: a quotation in the command is not closed ({fault})"
        ) from None
    if not command:
        raise AddressError(f"address “{text}” names no program; write run:PROGRAM ARGUMENTS")
    return command


class Program:
    """A program that runs, and the last that it said on standard error.

    Parameters
    ----------
    command : list of str
        The program and its arguments.
    asked : bool
        Whether something is written to its standard input.

    Raises
    ------
    SourceUnavailable
        When it cannot be started.
    """

    def __init__(self, command: list[str], *, asked: bool = False) -> None:
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE if asked else subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                bufsize=0,
                start_new_session=True,
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )
        except (OSError, ValueError) as fault:  # ValueError: a null byte in a name
            raise SourceUnavailable(
                f"run: “{command[0]}” cannot be started "
                f"({getattr(fault, 'strerror', None) or fault}); check its name, or write its "
                "whole path"
            ) from None
        assert self._process.stdout is not None
        self.output = self._process.stdout.fileno()
        self._over = threading.Lock()
        self._gone = False
        self.said = ""
        """The last line that it wrote to standard error."""
        self._listener = threading.Thread(target=self._listen, name="program-listener", daemon=True)
        self._listener.start()

    def write(self, data: bytes) -> None:
        """Write to its standard input.

        Raises
        ------
        OSError
            When it listens no more.
        """
        assert self._process.stdin is not None
        self._process.stdin.write(data)

    def wait(self) -> int | None:
        """Return its exit status, negative for a signal; None when it does not end."""
        try:
            status = self._process.wait(_END_S)
        except subprocess.TimeoutExpired:
            return None
        self.end()
        return status

    def end(self) -> None:
        """End it and what it started: asked first, then made to."""
        with self._over:
            if self._gone:
                return
            for ask in (True, False):
                self._signal(ask)
                try:
                    self._process.wait(_END_S)
                    break
                except subprocess.TimeoutExpired:
                    continue
            # Children that outlive it would hold its output open.
            self._signal(ask=False)
            self._gone = True
            # What it said last is most often why it ended.
            self._listener.join(_END_S)

    def release(self) -> None:
        """Close its output, which nobody reads any more, and its input."""
        assert self._process.stdout is not None
        self._process.stdout.close()
        if self._process.stdin is not None:
            self._process.stdin.close()

    def _signal(self, ask: bool) -> None:
        try:
            if sys.platform == "win32":
                (self._process.terminate if ask else self._process.kill)()
            else:
                os.killpg(self._process.pid, signal.SIGTERM if ask else signal.SIGKILL)
        except OSError:  # all of them have ended
            pass

    def _listen(self) -> None:
        stream = self._process.stderr
        assert stream is not None
        left = b""
        with stream:
            while data := os.read(stream.fileno(), _SAID_BYTES):
                left = (left + data.replace(b"\r", b"\n"))[-_SAID_BYTES:]
                lines = [line for line in left.split(b"\n") if line.strip()]
                self.said = printable(lines[-1]) if lines else self.said


def ending(status: int | None) -> str:
    """Return in words how a program ended, None where it runs on without its output."""
    if status is None:
        return "it closed its output and runs on; let it write to standard output"
    if status > 0:
        return f"it ended with status {status}"
    try:
        return f"it was ended by {signal.Signals(-status).name}"
    except ValueError:
        return f"it was ended by signal {-status}"


def printable(line: bytes) -> str:
    """Return what somebody else wrote in one line that can be shown."""
    line = line[:_LOOKED_AT]
    text = "".join(c if c.isprintable() else " " for c in line.decode("utf-8", "replace"))
    return " ".join(text.split())[:_SHOWN]
