"""The line that steps the drive: opened for a job, and the command ``steps``, which tries it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager

from app.live.stepping import Stepping, stepping_of
from instruments.source import Source
from instruments.steps.line import StepsFault, steps_line
from instruments.steps.protocol import WHERE, read_command


@contextmanager
def stepping_for(address: str | None, source: Source) -> Iterator[Stepping | None]:
    """Open the line that steps the drive behind a source, None where none is stated.

    Raises
    ------
    SourceError
        When there is none at that address.
    """
    if address is None:
        yield None
        return
    hands = None if source.controls is None else lambda: source.controls
    with closing(stepping_of(address, hands)) as line:
        line.open()
        yield line


def try_steps(address: str, lines: Iterable[str], say: Callable[[str], None]) -> bool:
    """Send what is typed, command by command, and show the answers; returns whether all were right.

    Raises
    ------
    SourceError
        When nobody answers at the address.
    """
    line = steps_line(address)
    try:
        line.open()
        say(f"it answers; {line.ask(WHERE)}")
        for typed in lines:
            if not typed.strip():
                continue
            try:
                command = read_command(typed)
            except ValueError as fault:
                say(str(fault))
                continue
            begun_s = time.monotonic()
            try:
                now = line.ask(command)
            except StepsFault as fault:
                say(str(fault))
                return False
            say(f"{now}   ({time.monotonic() - begun_s:.2f} s)")
    finally:
        line.close()
    return True
