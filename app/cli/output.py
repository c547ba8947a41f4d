"""What the commands print: one line at a time, fit for a terminal whatever is in it."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO


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


def say(text: str) -> None:
    """Print lines on standard output.

    Raises
    ------
    BrokenPipeError
        When whoever read it has gone.
    OutputFault
        When it cannot be written otherwise, as on a full disk.
    """
    with writing():
        _write(sys.stdout, text)


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


def _write(stream: TextIO, text: str) -> None:
    stream.write(plain(text) + "\n")
    stream.flush()
