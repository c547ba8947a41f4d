"""What the parsers of several commands share: options, texts, and how numbers are read."""

from __future__ import annotations

import argparse
import math
from pathlib import Path

DEFAULT_SOURCE = "sim:"
DEFAULT_PROFILE = "130mm-48tpi"

_ROLES = (
    "what the columns carry, in order: plus, minus, differential, envelope, index, or - to skip "
    "one; columns beyond the list are ignored"
)
SOURCES = """\
sources:
  sim:                    the virtual drive; options after it: sim:offset_um=25&seed=2
  PATH or file:PATH       a capture: WAV, RF64, or a scope's CSV export
                          (?rate=HZ for a CSV without a time column, ?full_scale_v=V for a WAV)
  sound:DEVICE            a sound input (?rate=HZ, ?full_scale_v=V); evenlobe sources lists them
  visa:RESOURCE           a scope, as visa:TCPIP::192.0.2.7::5025::SOCKET; with nothing after
                          visa: the only one that is attached
  pipe:                   raw frames on standard input: pipe:?rate=HZ&dtype=int16&channels=2
                          (or float32; full_scale_v=V)
Quote an address that has ? or & in it, or the shell takes them for its own.
"""
STATUS = """\
exit status: 0 a valid reading, 3 none, 2 bad usage or an input that cannot be read
"""


_MOST_REPEATS = 100


def add_book(to: argparse._ActionsContainer) -> None:
    """Let the job book be named."""
    to.add_argument("--book", metavar="PATH", type=Path, help="job book (default: your own)")


def add_roles(to: argparse.ArgumentParser) -> None:
    """Let the roles of the columns be named."""
    to.add_argument("--roles", metavar="ROLES", help=_ROLES)


def add_seconds(to: argparse.ArgumentParser, words: str, default: float | None = None) -> None:
    """Let a length in seconds be given."""
    to.add_argument("--seconds", type=positive, metavar="N", default=default, help=words)


def add_overwrite(to: argparse.ArgumentParser) -> None:
    """Let what has that name be replaced."""
    to.add_argument("--overwrite", action="store_true", help="replace what has that name")


def add_analysis(to: argparse.ArgumentParser) -> None:
    """Let be stated what an analysis hangs on."""
    to.add_argument(
        "--profile",
        metavar="NAME",
        default=DEFAULT_PROFILE,
        help=f"class of drive and alignment disk (default: {DEFAULT_PROFILE})",
    )
    to.add_argument(
        "--low-corner",
        type=not_negative,
        metavar="HZ",
        help="corner of the AC-coupled input that an envelope came through (0: DC-coupled)",
    )
    to.add_argument(
        "--detector-threshold",
        type=not_negative,
        metavar="V",
        help="volts below which an envelope's detector gives nothing (0: it is linear)",
    )


def positive(text: str) -> float:
    """Read a number above 0."""
    value = not_negative(text)
    if value == 0.0:
        raise argparse.ArgumentTypeError(f"“{text}” is not above 0")
    return value


def whole(text: str) -> int:
    """Read a whole number."""
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"“{text}” is not a whole number") from None


def from_one(text: str) -> int:
    """Read a count from 1 up."""
    return _count(text, 1)


def from_two(text: str) -> int:
    """Read a count from 2 up."""
    return _count(text, 2)


def _count(text: str, least: int) -> int:
    value = whole(text)
    if not least <= value <= _MOST_REPEATS:
        raise argparse.ArgumentTypeError(
            f"“{text}” is not a number from {least} to {_MOST_REPEATS}"
        )
    return value


def not_negative(text: str) -> float:
    """Read a number from 0 up."""
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"“{text}” is not a number") from None
    if not math.isfinite(value) or value < 0.0:
        raise argparse.ArgumentTypeError(f"“{text}” is not a finite number from 0 up")
    return value
