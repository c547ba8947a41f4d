"""A capture program of the user's, started for the frames that it writes.

Threads: *pipe-reader* reads its output, one for each opening; it ends with the program.
"""

from __future__ import annotations

import time
from collections.abc import Callable

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

PAUSES_S = (1.0, 2.0, 4.0, 8.0, 16.0)
"""How long a program that died is left alone before it is started again, each time."""
_WELL_S = 60.0
"""A program that ran for so long begins with the first pause again."""


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
        self._program: Program | None = None
        self._deaths = 0
        self._began_s = self._died_s = 0.0

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
        now_s = self._clock()
        if status is not None:
            well = now_s - self._began_s >= _WELL_S
            self._deaths, self._died_s = (1 if well else self._deaths + 1), now_s
        return SourceLost(self._said(ending(status)))


def split_stream(text: str, rest: str) -> tuple[str, dict[str, str]]:
    """Split what follows ``run:`` into the command and the options of its stream.

    Only where all that follows the last question mark are such options is it not part of the
    command.
    """
    body, _, tail = rest.rpartition("?")
    stated = body and all(part.partition("=")[0] in KEYS for part in tail.split("&"))
    return split_options(text, rest) if stated else (rest, {})
