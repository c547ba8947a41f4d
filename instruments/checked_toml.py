"""TOML files of the program and of its users: read within bounds, each value checked.

A :class:`TomlKind` names one kind of file and the error that it raises; what one value may be is a
:class:`ValueKind`. Every refusal is one sentence that names file, key, value and what is allowed.
"""

from __future__ import annotations

import json
import reprlib
import stat
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, Protocol, TypeVar

LINE_LENGTH = 200
"""Longest title or source, in characters: what still fits a line of a table."""
_MAX_BYTES = 32 * 1024
# A dotted key costs the square of its parts, so a line is bounded as well as the file.
_MAX_LINE = 500
_REQUIRED: Any = object()

_Value = TypeVar("_Value")


class ValueKind(Protocol):
    """What one value may be."""

    @property
    def allowed(self) -> str:
        """Words for what the value may be."""
        ...

    def read(self, value: object) -> Any:
        """Return the value as the program keeps it, None where it is not allowed."""


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
        """Return the number, None where it is not allowed."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            return None
        if not self.low <= value <= self.high or (self.whole and value != int(value)):
            return None
        return int(value) if self.whole else float(value)


@dataclass(frozen=True, slots=True)
class NumberList:
    """A list of `least` to `most` numbers, each of one kind."""

    each: Number
    least: int
    most: int

    @property
    def allowed(self) -> str:
        """Words for what the value may be."""
        return f"a list of {self.least} to {self.most} values, each {self.each.allowed}"

    def read(self, value: object) -> tuple[float, ...] | None:
        """Return the numbers, None where one of them or their count is not allowed."""
        if not isinstance(value, list) or not self.least <= len(value) <= self.most:
            return None
        found = [number for number in map(self.each.read, value) if number is not None]
        return tuple(found) if len(found) == len(value) else None


@dataclass(frozen=True, slots=True)
class OneOf:
    """One of some words, each with what the program keeps for it."""

    words: tuple[tuple[str, Any], ...]

    @classmethod
    def of(cls, *words: str) -> OneOf:
        """Return a choice between words that are kept as they are."""
        return cls(tuple((word, word) for word in words))

    @property
    def allowed(self) -> str:
        """Words for what the value may be."""
        return " or ".join(json.dumps(word, ensure_ascii=False) for word, _ in self.words)

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
class TextLine:
    """Text that one line of a terminal can show as it is."""

    allowed: str = f"text on one line, of 1 to {LINE_LENGTH} characters"

    def read(self, value: object) -> str | None:
        """Return the text, None where it is something else."""
        fits = isinstance(value, str) and value.isprintable() and 0 < len(value) <= LINE_LENGTH
        return value if fits and isinstance(value, str) and value.strip() else None


@dataclass(frozen=True, slots=True)
class TextLines:
    """A list of at least `least` texts."""

    least: int = 0
    allowed: str = "a list of words in quotes"

    def read(self, value: object) -> tuple[str, ...] | None:
        """Return the texts, None where there are too few or one is something else."""
        if not isinstance(value, list) or len(value) < self.least:
            return None
        return tuple(value) if all(isinstance(each, str) and each for each in value) else None


@dataclass(frozen=True, slots=True)
class TomlKind:
    """One kind of file: its name in messages, and the error that its faults are raised as."""

    what: str
    fault: type[Exception]

    def read(self, path: Traversable, where: str) -> dict[str, Any]:
        """Return what a file says.

        Raises
        ------
        Exception
            The kind's own, when it cannot be read or is no TOML within bounds.
        """
        try:
            # A pipe or a device would be waited for, perhaps without an end.
            if isinstance(path, Path) and not stat.S_ISREG(path.stat().st_mode):
                raise self.fault(f"{self._named(where)} is no file")
            with path.open("rb") as file:
                data = file.read(_MAX_BYTES + 1)
            if len(data) > _MAX_BYTES:
                size = f"{_MAX_BYTES // 1024} KiB, which no {self.what} is"
                raise self.fault(f"{self._named(where)} is larger than {size}")
            return self.parse(data.decode("utf-8-sig"), where)
        except UnicodeDecodeError as fault:
            place = f"is not UTF-8 at byte {fault.start}; store it as UTF-8"
            raise self.fault(f"{self._named(where)} {place}") from None
        except OSError as fault:
            raise self.fault(f"{self._named(where)} cannot be read: {fault.strerror}") from None

    def parse(self, text: str, where: str) -> dict[str, Any]:
        """Return what a file's text says.

        Raises
        ------
        Exception
            The kind's own, when it is no TOML within bounds.
        """
        named = self._named(where)
        if any(len(line) > _MAX_LINE for line in text.splitlines()):
            raise self.fault(f"{named} has a line of more than {_MAX_LINE} characters; break it")
        try:
            return tomllib.loads(text)
        except RecursionError:
            raise self.fault(f"{named} is nested too deeply; write it flatter") from None
        except ValueError as fault:
            # Beside the parser's own error: whole numbers of more digits than Python will read.
            raise self.fault(f"{named} cannot be read: {_printable(fault)}") from None

    def refusal(self, where: str, path: str, value: object, allowed: str) -> Exception:
        """Return the error that names file, key, value and what is allowed."""
        return self.fault(f"{self._named(where)}: {path} is {shown(value)}; it must be {allowed}")

    def missing(self, where: str, path: str, mend: str = "add it") -> Exception:
        """Return the error that says what is missing, and what to do."""
        return self.fault(f"{self._named(where)}: {path} is missing; {mend}")

    def unknown(self, where: str, path: str) -> Exception:
        """Return the error for a key that nobody reads: most often a misspelling."""
        return self.fault(f"{self._named(where)}: {path} is not a key; mend it or take it out")

    def _named(self, where: str) -> str:
        return f"{self.what} “{where}”"


class CheckedTable:
    """One table of a file, which remembers what was read of it.

    Parameters
    ----------
    kind : TomlKind
        The kind of file.
    where : str
        The file, for messages.
    tree : dict
        What the table says.
    path : str
        The table's own key, with a dot at its end; empty for the file itself.
    """

    def __init__(self, kind: TomlKind, where: str, tree: dict[str, Any], path: str = "") -> None:
        self._kind = kind
        self._where = where
        self._tree = tree
        self._path = path
        self._read: set[str] = set()

    def __contains__(self, key: str) -> bool:
        return key in self._tree

    def __iter__(self) -> Iterator[str]:
        return iter(self._tree)

    def value(self, key: str, kind: ValueKind, default: Any = _REQUIRED) -> Any:
        """Return a value, `default` where the file says none.

        Raises
        ------
        Exception
            The file kind's own, when it is missing or not allowed.
        """
        self._read.add(key)
        if key not in self._tree:
            if default is _REQUIRED:
                raise self._kind.missing(self._where, f"{self._path}{key}")
            return default
        value = kind.read(self._tree[key])
        if value is None:
            raise self.refusal(key, kind.allowed)
        return value

    def table(self, key: str) -> CheckedTable:
        """Return a table within this one.

        Raises
        ------
        Exception
            The file kind's own, when there is none.
        """
        self._read.add(key)
        if key not in self._tree:
            raise self._kind.missing(self._where, f"{self._path}{key}")
        value = self._tree[key]
        if not isinstance(value, dict):
            raise self.refusal(key, f"a table, begun with [{self._path}{key}]")
        return CheckedTable(self._kind, self._where, value, f"{self._path}{key}.")

    def refusal(self, key: str, allowed: str, value: object = None) -> Exception:
        """Return the error that says what a key may be."""
        value = self._tree[key] if value is None else value
        return self._kind.refusal(self._where, f"{self._path}{shown_key(key)}", value, allowed)

    def finish(self, made: _Value) -> _Value:
        """Return what was made of the table, refusing keys that nobody read."""
        for key in self._tree:
            if key not in self._read:
                raise self._kind.unknown(self._where, f"{self._path}{shown_key(key)}")
        return made


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


def shown_key(key: str) -> str:
    """Return a key as it is where a line can show it, else as :func:`shown`."""
    return key if TextLine().read(key) == key else shown(key)


def _printable(fault: Exception) -> str:
    """Return an error's text without what it quotes from the file being able to disturb."""
    return "".join(sign if sign.isprintable() else "\ufffd" for sign in str(fault)[:LINE_LENGTH])
