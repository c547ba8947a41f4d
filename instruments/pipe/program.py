"""A capture program of the user's, started for the frames that it writes.

Threads: *pipe-reader* reads its output and *program-listener* what it says on standard error, one
each for each opening; both end with the program.

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
import time
from collections.abc import Callable

from instruments.options import split_options
from instruments.pipe.source import OPTIONS, Feed, StreamOptions, StreamSource, read_options
from instruments.source import (
    AddressError,
    ChannelRoles,
    SourceError,
    SourceLost,
    SourceRequest,
    SourceUnavailable,
)

PAUSES_S = (1.0, 2.0, 4.0, 8.0, 16.0)
"""How long a program that died is left alone before it is started again, each time."""
_WELL_S = 60.0
"""A program that ran for so long begins with the first pause again."""
_END_S = 0.4
_SAID_BYTES = 4096
_SHOWN = 160


class ProgramSource(StreamSource):
    """Frames that a program writes to its standard output, as WAV or raw.

    It is started without a shell, in a process group of its own, and ends with the source. When it
    dies, opening starts it again, after the next of `PAUSES_S`.

    Parameters
    ----------
    command : list of str
        The program and its arguments.
    options : StreamOptions
        What it writes.
    roles : tuple or None
        One a column, as the user asks.
    name : str
        The address as it was typed.
    clock : callable
        Monotonic time in seconds.
    """

    def __init__(
        self,
        command: list[str],
        options: StreamOptions,
        roles: ChannelRoles | None,
        name: str,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__("run", options, roles, name)
        self._command = command
        self._clock = clock
        self._program: _Program | None = None
        self._deaths = 0
        self._began_s = self._died_s = 0.0

    @classmethod
    def from_address(cls, text: str, rest: str, request: SourceRequest) -> ProgramSource:
        """Make a source from what follows ``run:``.

        Only where all that follows the last question mark are options of a stream is it not part
        of the command.

        Raises
        ------
        AddressError
            When no program is named, or an option cannot be used.
        """
        body, _, tail = rest.rpartition("?")
        stated = body and all(part.partition("=")[0] in OPTIONS for part in tail.split("&"))
        line, options = split_options(text, rest) if stated else (rest, {})
        try:
            command = shlex.split(line)
        except ValueError as fault:
            raise AddressError(
                f"address “{text}”: a quotation in the command is not closed ({fault})"
            ) from None
        if not command:
            raise AddressError(f"address “{text}” names no program; write run:PROGRAM ARGUMENTS")
        return cls(command, read_options(text, options), request.roles, text)

    def close(self) -> None:
        """End the program and all that it started; from any thread, within two seconds."""
        program = self._program
        if program is not None:
            program.end()
        super().close()
        if program is not None and self._feed is not None and not self._feed.busy:
            program.release()

    def _begin(self) -> Feed:
        if self._deaths > len(PAUSES_S):
            raise SourceError(
                self._said(f"it died {self._deaths} times; mend that, and open it again")
            )
        pause_s = PAUSES_S[self._deaths - 1] if self._deaths else 0.0
        wait_s = self._died_s + pause_s - self._clock()
        if self._deaths and wait_s > 0:
            raise SourceUnavailable(self._said(f"it died; it is started again in {wait_s:.0f} s"))
        self._reader = self._options.frames()
        self._began_s = self._clock()
        self._program = _Program(self._command)
        return Feed(self._program.output, self._kind)

    def _said(self, fault: str) -> str:
        said = self._program.said if self._program else ""
        wrote = f" (it wrote: {said})" if said else ""
        return f"run: “{self._command[0]}”: {fault}{wrote}"

    def _end(self) -> SourceError:
        assert self._program is not None
        status = self._program.wait()
        if status == 0:
            return super()._end()
        now_s = self._clock()
        if status is not None:
            well = now_s - self._began_s >= _WELL_S
            self._deaths, self._died_s = (1 if well else self._deaths + 1), now_s
        return SourceLost(self._said(_ending(status)))


def _ending(status: int | None) -> str:
    if status is None:
        return "it closed its output and runs on; let it write to standard output"
    if status > 0:
        return f"it ended with status {status}"
    try:
        return f"it was ended by {signal.Signals(-status).name}"
    except ValueError:
        return f"it was ended by signal {-status}"


class _Program:
    """A program that runs, and the last that it said on standard error."""

    def __init__(self, command: list[str]) -> None:
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
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
        """Close its output, which nobody reads any more."""
        assert self._process.stdout is not None
        self._process.stdout.close()

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
                self.said = _printable(lines[-1]) if lines else self.said


def _printable(line: bytes) -> str:
    text = "".join(c if c.isprintable() else " " for c in line.decode("utf-8", "replace"))
    return " ".join(text.split())[:_SHOWN]
