"""A capture program of the user's, started for the frames that it writes.

Threads: *pipe-reader* reads its output, one for each opening; it ends with the program.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from math import inf

from instruments.options import split_options
from instruments.pipe.source import KEYS, Feed, StreamOptions, StreamSource, read_options
from instruments.program import Program, ending, split_command
from instruments.source import (
    ChannelRoles,
    SourceError,
    SourceLost,
    SourceRequest,
    SourceUnavailable,
)

PAUSE_S = 0.9
"""So long a program that died is left alone; it is started again as often as it dies, for what it
captures from may be plugged in again at any moment. A lost source is opened each second."""


class ProgramSource(StreamSource):
    """Frames that a program writes to its standard output, as WAV or raw.

    It is started without a shell, in a process group of its own, and ends with the source. When it
    dies, opening starts it again, after `PAUSE_S`.

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
        self._program: Program | None = None
        self._died_s = -inf

    @classmethod
    def from_address(cls, text: str, rest: str, request: SourceRequest) -> ProgramSource:
        """Make a source from what follows ``run:``.

        Raises
        ------
        AddressError
            When no program is named, or an option cannot be used.
        """
        line, options = split_stream(text, rest)
        command = split_command(text, line)
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
        if self._clock() < self._died_s + PAUSE_S:
            raise SourceUnavailable(self._said("it died; it is started again in a second"))
        self._reader = self._options.frames()
        self._program = Program(self._command)
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
        if status is not None:
            self._died_s = self._clock()
        how = ending(status)
        if status is not None and not self._program.said:
            how += " and did not say why; try it in a terminal"
        return SourceLost(self._said(how))


def split_stream(text: str, rest: str) -> tuple[str, dict[str, str]]:
    """Split what follows ``run:`` into the command and the options of its stream.

    Only where all that follows the last question mark are such options is it not part of the
    command.
    """
    body, _, tail = rest.rpartition("?")
    stated = body and all(part.partition("=")[0] in KEYS for part in tail.split("&"))
    return split_options(text, rest) if stated else (rest, {})
