"""The line that steps the drive: opened for a job, and the command ``steps``, which tries it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager

from app.cli.arguments import UsageFault
from app.live.stepping import Stepping
from instruments.source import Source
from instruments.steps.line import StepsFault, steps_line
from instruments.steps.protocol import WHERE, read_command
from instruments.virtual.steps import StepsDevice, VirtualSteps

_VIRTUAL = "sim:"


@contextmanager
def stepping_for(address: str | None, source: Source) -> Iterator[Stepping | None]:
    """Open the line that steps the drive behind a source, None where none is stated.

    Raises
    ------
    UsageFault, SourceError
        When there is none at that address.
    """
    with ExitStack() as opened:
        if address is None:
            yield None
            return
        if address == _VIRTUAL:
            if source.controls is None:
                raise UsageFault(
                    f"--steps {_VIRTUAL} steps the virtual drive; write serial:PORT or run:COMMAND"
                )
            virtual = opened.enter_context(VirtualSteps(StepsDevice(source.controls)))
            address = virtual.address
        line = Stepping(address)
        opened.callback(line.close)
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
