"""What a value in a profile may be, and the sentence for one that is not."""

from __future__ import annotations

import reprlib
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any, Protocol

TEXT_LENGTH = 200
"""Longest title or source, in characters: what still fits a line of a table."""


class ProfileError(Exception):
    """A profile is not there, or says something it may not; one sentence names key and mend."""


class Kind(Protocol):
    """What one value may be."""

    @property
    def allowed(self) -> str:
        """Words for what the value may be."""
        ...

    def read(self, value: object) -> Any:
        """Return the value as the program keeps it, None where it may not stand."""
        ...


@dataclass(frozen=True, slots=True)
class Number:
    """A number within limits, both inclusive; `whole` allows no fraction."""

    low: float
    high: float
    whole: bool = False

    @property
    def allowed(self) -> str:
        """Words for what the value may be."""
        return f"a {'whole ' if self.whole else ''}number from {self.low:g} to {self.high:g}"

    def read(self, value: object) -> float | None:
        """Return the number, None where it may not stand."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            return None
        if not self.low <= value <= self.high or (self.whole and value != int(value)):
            return None
        return int(value) if self.whole else float(value)


@dataclass(frozen=True, slots=True)
class Numbers:
    """A list of `least` to `most` numbers, each of one kind."""

    each: Number
    least: int
    most: int

    @property
    def allowed(self) -> str:
        """Words for what the value may be."""
        return f"a list of {self.least} to {self.most} values, each {self.each.allowed}"

    def read(self, value: object) -> tuple[float, ...] | None:
        """Return the numbers, None where one of them or their count may not stand."""
        if not isinstance(value, list) or not self.least <= len(value) <= self.most:
            return None
        found = [number for number in map(self.each.read, value) if number is not None]
        return tuple(found) if len(found) == len(value) else None


@dataclass(frozen=True, slots=True)
class Choice:
    """One of some words, each with what the program keeps for it."""

    words: tuple[tuple[str, Any], ...]

    @property
    def allowed(self) -> str:
        """Words for what the value may be."""
        return " or ".join(f'"{word}"' for word, _ in self.words)

    def read(self, value: object) -> Any:
        """Return what the word stands for, None where it is none of them."""
        return next((kept for word, kept in self.words if value == word), None)


@dataclass(frozen=True, slots=True)
class Flag:
    """True or false."""

    allowed: str = "true or false"

    def read(self, value: object) -> bool | None:
        """Return the flag, None where it is something else."""
        return value if isinstance(value, bool) else None


@dataclass(frozen=True, slots=True)
class Day:
    """A date without a time, kept as ISO 8601 writes it."""

    allowed: str = "a date such as 1987-05-31, without quotes"

    def read(self, value: object) -> str | None:
        """Return the date in figures, None where it is something else."""
        if not isinstance(value, date) or isinstance(value, datetime):
            return None
        return value.isoformat()


@dataclass(frozen=True, slots=True)
class Spec:
    """One value of a profile.

    Attributes
    ----------
    key : str
        Table and entry, as ``spindle.speed_rpm``.
    kind : Kind
        What it may be.
    unit : str
        Its unit; empty for a count, a fraction or a word.
    part : str
        Where in the entry it stands: ``value``, or what belongs to one, as its uncertainty.
    optional : bool
        Whether it may be left out.
    on_disk : bool
        Whether it is the alignment disk's and not the drive's.
    """

    key: str
    kind: Kind
    unit: str = ""
    part: str = "value"
    optional: bool = False
    on_disk: bool = False

    @property
    def path(self) -> str:
        """The key as messages and tables name it."""
        return self.key if self.part == "value" else f"{self.key}.{self.part}"

    @property
    def allowed(self) -> str:
        """Words for what the value may be, with its unit."""
        return f"{self.kind.allowed} {self.unit}".rstrip()


_short = reprlib.Repr()
_short.maxstring = _short.maxother = 60
_short.maxlevel = 2


def shown(value: object) -> str:
    """Return a value from a file so that it fits a line and cannot disturb a terminal."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, date | time):
        return value.isoformat()
    try:
        return _short.repr(value)
    except ValueError:
        # Python refuses to write a whole number of more than some thousand digits.
        return "a number of thousands of digits"


def is_line(value: object) -> bool:
    """Return whether a value is text that one line of a terminal can show as it is."""
    return (
        isinstance(value, str)
        and value.isprintable()
        and bool(value.strip())
        and len(value) <= TEXT_LENGTH
    )


def refusal(where: str, path: str, value: object, allowed: str) -> ProfileError:
    """Return the error that names file, key, value and what is allowed."""
    return ProfileError(f"profile “{where}”: {path} is {shown(value)}; it must be {allowed}")
