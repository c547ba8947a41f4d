"""What a shell and “man” are given of the commands: made from the grammar of the command line."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import Any

from app.cli.arguments import COMMANDS, UsageFault, grammar
from app.handbook import TOPICS
from app.stamp import version

_FILES = ("FILE", "OUT", "PATH", "SOURCE")
_FOLDERS = ("FOLDER",)


def completion(shell: str) -> str:
    """Return the script by which a shell completes the commands.

    Raises
    ------
    UsageFault
        When the library that writes it is not installed.
    """
    try:
        import shtab
    except ImportError:
        raise _missing("shtab") from None
    parser = grammar()
    for action in _actions(parser):
        # Where the library looks for what stands for an argument.
        taken: Any = action
        metavar = str(action.metavar).partition(".")[0]
        if metavar in _FILES:
            taken.complete = shtab.FILE
        elif metavar in _FOLDERS:
            taken.complete = shtab.DIRECTORY
        elif metavar == "TOPIC":
            action.choices = (*TOPICS, *COMMANDS)
    return shtab.complete(parser, shell=shell)


def man_page() -> str:
    """Return all commands and options as a page for “man”, in the roff language.

    Raises
    ------
    UsageFault
        When the library that writes it is not installed.
    """
    try:
        from argparse_manpage.manpage import Manpage
    except ImportError:
        raise _missing("argparse-manpage") from None
    page = Manpage(grammar())
    page.manual, page.source = "Evenlobe", f"evenlobe {version()}"
    return str(page)


def _actions(parser: argparse.ArgumentParser) -> Iterator[argparse.Action]:
    for action in parser._actions:  # noqa: SLF001 - the only way to what was added
        if isinstance(action, argparse._SubParsersAction):  # noqa: SLF001
            for command in action.choices.values():
                yield from _actions(command)
        else:
            yield action


def _missing(library: str) -> UsageFault:
    return UsageFault(
        f"the Python package {library} is missing; install it with “pip install {library}”"
    )
