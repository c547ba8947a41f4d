"""Options that several commands share, and how what is written for them is read."""

from __future__ import annotations

import argparse
import math
from pathlib import Path

from app.language import ENGLISH, languages
from app.numbers import Unit
from instruments.options import Toleranced, read_toleranced

DEFAULT_PROFILE = "130mm-48tpi"

_ROLES = (
    "what the columns carry, in order: plus, minus, differential, envelope, index, or - to skip "
    "one; columns beyond the list are ignored"
)
SOURCES = """\
sources:
  sim:                    the virtual drive; options after it: sim:offset_um=25&seed=2
  PATH or file:PATH       a capture: WAV, RF64, BW64, FLAC, AIFF, CAF or W64, a scope's CSV export
                          or other text, ISF or TRC file; evenlobe captures tells of a folder
                          (?rate=HZ for text without a time column, ?full_scale_v=V for sound)
  sound:DEVICE            a sound input (?rate=HZ, ?full_scale_v=V); evenlobe sources lists them;
                          of it and of a capture or pipe, ?mixed_hz=HZ tells of a mixer before it
  visa:RESOURCE           a scope, as visa:TCPIP::192.0.2.7::5025::SOCKET; with nothing after
                          visa: the only one that is attached
  pipe:                   WAV on standard input, or raw frames of a stated form:
                          pipe:?rate=HZ&dtype=int16&channels=2 (or int24, int32, float32)
  run:COMMAND             a capture program that writes one of these to its standard output; it is
                          started without a shell and ends with the measurement
Quote an address that has ? or & in it, or the shell takes them for its own.
"""
METER_ASKED = Toleranced(0.0)
"""In place of a meter's reading: it is asked for while the tone plays."""
_MOST_REPEATS = 100
_MOST_VOLTS = 1000.0
_MOST_SECONDS = 7 * 86400.0


def add_book(to: argparse._ActionsContainer) -> None:
    """Let the job book be named."""
    to.add_argument("--book", metavar="PATH", type=Path, help="job book (default: your own)")


def add_roles(to: argparse.ArgumentParser) -> None:
    """Let the roles of the columns be named."""
    to.add_argument("--roles", metavar="ROLES", help=_ROLES)


def add_seconds(to: argparse.ArgumentParser, words: str, default: float | None = None) -> None:
    """Let a length in seconds be given."""
    to.add_argument("--seconds", type=seconds, metavar="N", default=default, help=words)


def add_overwrite(to: argparse.ArgumentParser) -> None:
    """Let what has that name be replaced."""
    to.add_argument("--overwrite", action="store_true", help="replace what has that name")


def add_units(to: argparse.ArgumentParser) -> None:
    """Let be chosen in which unit lengths and temperatures are shown and asked for."""
    to.add_argument(
        "--units",
        type=unit_named,
        choices=tuple(Unit),
        metavar="UNIT",
        default=Unit.UM,
        help="um: micrometres and °C (the default); mil: thousandths of an inch and °F",
    )


def add_language(to: argparse.ArgumentParser) -> None:
    """Let be chosen in which language a report is."""
    to.add_argument(
        "--language",
        choices=languages(),
        default=ENGLISH,
        help="of the report (default: %(default)s)",
    )


def unit_named(text: str) -> Unit | str:
    """Read a unit, µm as um too."""
    word = text.strip().lower()
    return {"um": Unit.UM, "µm": Unit.UM, "μm": Unit.UM, "mil": Unit.MIL}.get(word, word)


def add_profile(to: argparse.ArgumentParser) -> None:
    """Let the class of drive be named."""
    to.add_argument(
        "--profile",
        metavar="NAME",
        default=DEFAULT_PROFILE,
        help=f"class of drive and alignment disk (default: {DEFAULT_PROFILE})",
    )


def add_analysis(to: argparse.ArgumentParser) -> None:
    """Let be stated what an analysis hangs on."""
    add_profile(to)
    to.add_argument(
        "--low-corner",
        type=toleranced,
        metavar="HZ",
        help="corner of the AC-coupled input that an envelope came through (0: DC-coupled), with "
        "its tolerance as 7+-10%% or 7±10%% (±20 %% where it is not stated)",
    )
    to.add_argument(
        "--detector-threshold",
        type=toleranced,
        metavar="V",
        help="volts below which an envelope's detector gives nothing (0: it is linear), with its "
        "tolerance as above",
    )


def add_steps(to: argparse.ArgumentParser) -> None:
    """Let the line be named that steps the drive."""
    to.add_argument(
        "--steps",
        metavar="ADDRESS",
        help="a line that steps the drive, serial:PORT or run:COMMAND, of a job on the virtual "
        "drive sim:; “evenlobe steps --help” tells what it has to answer",
    )


def toleranced(text: str) -> Toleranced:
    """Read a number that is not negative, with its tolerance or without."""
    try:
        return read_toleranced(text)
    except ValueError as fault:
        raise argparse.ArgumentTypeError(f"“{text}” must be {fault}") from None


def positive(text: str) -> float:
    """Read a number above 0."""
    value = not_negative(text)
    if value == 0.0:
        raise argparse.ArgumentTypeError(f"“{text}” is not above 0")
    return value


def seconds(text: str) -> float:
    """Read a length of time above 0."""
    value = positive(text)
    if value > _MOST_SECONDS:
        raise argparse.ArgumentTypeError(f"“{text}” is more than a week ({_MOST_SECONDS:g} s)")
    return value


def meter_reading(text: str) -> Toleranced:
    """Read what a meter shows, in volts, with its tolerance or without."""
    read = toleranced(text.replace(",", "."))
    if not 0.0 < read.value < _MOST_VOLTS:
        raise argparse.ArgumentTypeError(f"“{text}” must be volts from 0 to {_MOST_VOLTS:g}")
    return read


def percent(text: str) -> float:
    """Read a percentage above 0."""
    value = positive(text)
    if value > 100.0:
        raise argparse.ArgumentTypeError(f"“{text}” is more than 100")
    return value


def whole(text: str) -> int:
    """Read a whole number."""
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"“{text}” is not a whole number") from None


def count(least: int, text: str) -> int:
    """Read how often something is done."""
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
