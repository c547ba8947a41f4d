"""What the commands print: one line at a time, fit for a terminal whatever is in it."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from enum import StrEnum
from typing import TextIO

from app.analysis.results import Verdict


class OutputFault(Exception):  # noqa: N818
    """Standard output cannot be written; the message says why."""


def prepare() -> None:
    """Make the three standard streams fit to be used.

    One that the caller has closed is replaced by one that leads nowhere, else the next file that
    is opened would take its number and get what was meant for it. A terminal or file that cannot
    hold a µ shows a question mark in its place.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def plain(text: str) -> str:
    """Return a text without what would steer a terminal: each such sign stands as \ufffd."""
    return "".join(sign if sign.isprintable() or sign == "\n" else "\ufffd" for sign in text)


class Ink(StrEnum):
    """Colours by the terminal's own table (ECMA-48, 8.3.117), which its user has chosen."""

    BAD = "31"
    GOOD = "32"
    CARE = "33"
    MARK = "36"


INK_OF = {
    Verdict.PASS: Ink.GOOD,
    Verdict.FAIL: Ink.BAD,
    Verdict.UNDECIDED: Ink.CARE,
}
"""What a verdict has beside its word."""


def rewrites(out: TextIO) -> bool:
    """Tell whether lines can be written over where `out` leads to."""
    return out.isatty() and os.environ.get("TERM") != "dumb"


def has_colour(out: TextIO) -> bool:
    """Tell whether `out` leads to a terminal that has colour, and whose user wants it.

    Whoever sets NO_COLOR to anything does not (no-color.org).
    """
    return rewrites(out) and not os.environ.get("NO_COLOR")


def inked(text: str, inks: Mapping[str, Ink]) -> str:
    """Return a text with the first of each of some words in a colour."""
    for words, ink in inks.items():
        text = text.replace(words, f"\x1b[{ink}m{words}\x1b[39m", 1)
    return text


def say(text: str, inks: Mapping[str, Ink] | None = None) -> None:
    """Print lines on standard output, some words in a colour where the terminal has it.

    Raises
    ------
    BrokenPipeError
        When whoever read it has gone.
    OutputFault
        When it cannot be written otherwise, as on a full disk.
    """
    with writing():
        _write(sys.stdout, text, inks if inks and has_colour(sys.stdout) else {})


@contextmanager
def writing() -> Iterator[None]:
    """Tell in a sentence why what is written within to standard output cannot be.

    Raises
    ------
    BrokenPipeError, OutputFault
        As :func:`say` does.
    """
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as fault:
        raise OutputFault(
            f"standard output: it cannot be written: {fault.strerror}; send it elsewhere"
        ) from None


def tell(text: str) -> None:
    """Print a message on the error output, in one line; where nobody can read it, it is lost."""
    try:
        _write(sys.stderr, " ".join(text.split()))
    except OSError:
        discard(sys.stderr)


def discard(stream: TextIO) -> None:
    """Lead a stream nowhere: what is still in its buffer has to go somewhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _write(stream: TextIO, text: str, inks: Mapping[str, Ink] | None = None) -> None:
    stream.write(inked(plain(text), inks or {}) + "\n")
    stream.flush()
