"""The command line's grammar: a parser for each command, and the lines that help shows."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NoReturn

from app.commands import bookoptions
from app.commands.arguments import (
    DEFAULT_SOURCE,
    SOURCES,
    STATUS,
    add_analysis,
    add_book,
    add_overwrite,
    add_roles,
    add_seconds,
    whole,
)
from app.live.measure import LIVE_SECONDS
from app.stamp import version


class UsageFault(Exception):  # noqa: N818
    """Something on the command line cannot be used; the message says what to do."""


class _Parser(argparse.ArgumentParser):
    """A parser that raises instead of printing its usage: a fault is one line."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(
            formatter_class=argparse.RawDescriptionHelpFormatter, allow_abbrev=False, **settings
        )

    def error(self, message: str) -> NoReturn:
        """Raise a fault that names the argument and what is wrong with it."""
        raise UsageFault(f"{message}; “{self.prog} --help” shows what can be written")


def parse(arguments: Sequence[str]) -> tuple[str, argparse.Namespace]:
    """Read a command line: the command's name, empty for the dashboard, and its options.

    Raises
    ------
    UsageFault
        When it cannot be understood.
    SystemExit
        After help or version, which are printed.
    """
    words = _with_skips(arguments)
    command = words.pop(0) if words and words[0] in COMMANDS else ""
    title, add = COMMANDS[command] if command else (_TITLE, _dashboard)
    parser = _Parser(prog=f"evenlobe {command}".rstrip(), description=title)
    add(parser)
    return command, parser.parse_args(words)


def _with_skips(arguments: Sequence[str]) -> list[str]:
    """Join ``--roles -,plus`` to ``--roles=-,plus``: a list may begin with a dash."""
    words = list(arguments)
    for place in range(len(words) - 1, 0, -1):
        if words[place - 1] == "--roles" and words[place].startswith("-,"):
            words[place - 1 : place + 1] = [f"--roles={words[place]}"]
    return words


_TITLE = """\
A live bench instrument for the radial head alignment of removable-disk drives.
Opens the dashboard; where there is no display, a needle of text in the terminal."""


def _dashboard(parser: argparse.ArgumentParser) -> None:
    rows = "\n".join(f"  {name:<13} {title}" for name, (title, _) in COMMANDS.items())
    parser.usage = "evenlobe [SOURCE] [options]\n       evenlobe COMMAND ...   (COMMAND --help)"
    parser.epilog = f"""\
commands:
{rows}

{SOURCES}
examples:
  evenlobe                                     the dashboard, on the virtual drive
  evenlobe 'sim:offset_um=-40&seed=2'          the same, 40 µm inward, another drive
  evenlobe measure capture.wav --roles plus,minus,index
  evenlobe record 'sound:?rate=192000' found.wav --roles differential,index
"""
    parser.add_argument("--version", action="version", version=f"evenlobe {version()}")
    parser.add_argument("source", metavar="SOURCE", nargs="?", help="open this source at once")
    add_book(parser)
    add_roles(parser)
    add_analysis(parser)


def _measure(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"""\
{SOURCES}
{STATUS}
examples:
  evenlobe measure capture.wav
  evenlobe measure scope.csv --roles differential,index --json
  evenlobe measure sound: --roles envelope,index --low-corner 7 --detector-threshold 0.2
  evenlobe measure sim: --live
"""
    parser.add_argument("source", metavar="SOURCE", help="what to measure")
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="print the reading as one JSON object")
    how.add_argument("--live", action="store_true", help="show a moving needle until Ctrl-C")
    add_seconds(
        parser, f"how much to measure; without it a capture whole, all else {LIVE_SECONDS:g} s"
    )
    add_roles(parser)
    add_analysis(parser)


def _sources(parser: argparse.ArgumentParser) -> None:
    # Imported here: nobody else needs the table.
    from instruments.virtual.params import help_text

    parser.epilog = f"{SOURCES}\noptions of sim:, with their defaults:\n{help_text()}\n"


def _record(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"""\
{SOURCES}
The file appears under its name when it is whole; Ctrl-C ends the recording and keeps it.
Of a scope one record is taken, at the full rate of its deep memory and as long as that is.

examples:
  evenlobe record sound: found.wav --roles differential,index
  evenlobe record scope.csv scope.wav --roles -,plus,minus
  evenlobe record visa:TCPIP::192.0.2.7::5025::SOCKET found.wav
"""
    parser.add_argument("source", metavar="SOURCE", help="what to record")
    parser.add_argument("out", metavar="OUT.wav", type=Path, help="the file to write")
    add_seconds(parser, "how long; without it to the source's end, or until Ctrl-C")
    add_roles(parser)
    add_overwrite(parser)


def _simulate(parser: argparse.ArgumentParser) -> None:
    parser.epilog = """\
What is true of the drive (offset, ratio, speed, ...) is written beside it, to OUT.truth.json.
“evenlobe sources --help” lists the options of sim:.

examples:
  evenlobe simulate practice.wav --seconds 5
  evenlobe simulate boundary.wav --source 'sim:recording=boundary&offset_um=-40'
"""
    parser.add_argument("out", metavar="OUT.wav", type=Path, help="the file to write")
    parser.add_argument(
        "--source",
        metavar="SIM",
        default=DEFAULT_SOURCE,
        help="a sim: address with its options (default: sim:)",
    )
    add_seconds(parser, f"how long (default: {LIVE_SECONDS:g})", LIVE_SECONDS)
    add_roles(parser)
    add_overwrite(parser)


def _check_scope(parser: argparse.ArgumentParser) -> None:
    parser.epilog = """\
Every command of the family that matches is sent, and the scope is put back as it was found.
Write down what is set on its front panel before; keep the drive connected and turning.

exit status: 0 everything fits, 3 something does not, 2 nobody answers there

examples:
  evenlobe check-scope visa:TCPIP::192.0.2.7::5025::SOCKET
  evenlobe check-scope 'visa:USB0::0x1234::0x5678::SERIAL::INSTR?family=A2'
"""
    parser.add_argument("address", metavar="ADDRESS", help="a visa: address")


def _virtual_scope(parser: argparse.ArgumentParser) -> None:
    # Imported here: nobody else needs the table.
    from instruments.virtual.scope import FAMILIES, TRANSPORTS

    parser.epilog = """\
Prints its address, which can be opened like that of a real scope, and serves until Ctrl-C.
“evenlobe sources --help” lists the options of the virtual drive behind it.

examples:
  evenlobe virtual-scope
  evenlobe virtual-scope --family B --transport hislip --options 'offset_um=-40&seed=2'
"""
    parser.add_argument(
        "--family",
        metavar="NAME",
        default="A2",
        help=f"whose commands it speaks: {', '.join(FAMILIES)} (default: A2)",
    )
    parser.add_argument(
        "--transport",
        metavar="NAME",
        default="socket",
        help=f"how it is reached: {', '.join(TRANSPORTS)} (default: socket)",
    )
    parser.add_argument(
        "--port",
        metavar="N",
        type=whole,
        default=0,
        help="TCP port; 0 for one that is free (default: 0)",
    )
    parser.add_argument(
        "--options", metavar="SIM", default="", help="of the virtual drive, as offset_um=25&seed=1"
    )


def _profiles(parser: argparse.ArgumentParser) -> None:
    parser.epilog = "examples:\n  evenlobe profiles\n  evenlobe profiles 90mm-135tpi\n"
    words = "show every value of this profile with its unit and where it comes from"
    parser.add_argument("name", metavar="NAME", nargs="?", help=words)


COMMANDS: dict[str, tuple[str, Callable[[argparse.ArgumentParser], None]]] = {
    "measure": ("measure a source once, or show its needle as text", _measure),
    "sources": ("list what can be opened now", _sources),
    "record": ("record a source to a WAV file", _record),
    "simulate": ("write the virtual drive to a WAV file, its truth beside it", _simulate),
    "job": ("work through the checks on a drive, and keep the record", bookoptions.job),
    "drives": ("list the drives of the job book, or show the history of one", bookoptions.drives),
    "report": ("write a job of the book as a report, HTML or PDF", bookoptions.report),
    "export": ("write the job book as JSON or CSV", bookoptions.export),
    "import": ("add to the job book what “export” wrote", bookoptions.import_),
    "backup": ("copy the job book while it may be in use", bookoptions.backup),
    "profiles": ("list the drive classes, or show the values of one and their sources", _profiles),
    "check-scope": ("try every command of a scope's family on it", _check_scope),
    "virtual-scope": ("put the virtual drive behind the commands of a scope", _virtual_scope),
}
