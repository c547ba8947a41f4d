"""What a value in a profile may be, and the sentence for one that is not.

Finding profiles and alignment disks, and reading their TOML so far that only values are left.

A file holds ``title``, perhaps ``base`` (the file whose entries it takes over where it has none of
its own), of a drive ``disk``, and tables of entries; each entry is a table with ``source``.
"""

from __future__ import annotations

import reprlib
import tomllib
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, Protocol

from platformdirs import user_config_path

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


_SUFFIX = ".toml"
_MAX_BYTES = 32 * 1024
# A dotted key costs the square of its parts, so a line is bounded as well as the file.
_MAX_LINE = 500
_LINE = f"text on one line, of 1 to {TEXT_LENGTH} characters"


@dataclass(frozen=True, slots=True)
class Shelf:
    """One kind of file: what it is called, its folder, its words and its entries."""

    what: str
    folder: str
    words: frozenset[str]
    keys: Collection[str]


@dataclass(slots=True)
class Sheet:
    """What a file and its bases say.

    Attributes
    ----------
    where : str
        The file.
    words : dict of str to str
        Title and names of other files, each where it was stated last.
    entries : dict of str to (dict, str)
        Content of each entry, by key, and the file that states it.
    """

    where: str
    words: dict[str, str] = field(default_factory=dict[str, str])
    entries: dict[str, tuple[dict[str, Any], str]] = field(
        default_factory=dict[str, tuple[dict[str, Any], str]]
    )

    def place_of(self, key: str) -> str:
        """Return the file that states an entry, this one where none does."""
        return self.entries[key][1] if key in self.entries else self.where


def user_profile_folder() -> Path:
    """Return the folder in which a user's own profiles are looked for."""
    return user_config_path("evenlobe", appauthor=False) / "profiles"


def names_on(shelf: Shelf) -> tuple[str, ...]:
    """Return the names of all files of a kind, the program's and the user's.

    Raises
    ------
    ProfileError
        When the user's folder cannot be read.
    """
    found = {path.name for folder in _folders(shelf) for path in _files_in(folder)}
    return tuple(sorted(name.removesuffix(_SUFFIX) for name in found))


def read_sheet(shelf: Shelf, name: str, asked_by: str = "") -> Sheet:
    """Read a file and its bases; a user's own goes before the program's of the same name.

    Raises
    ------
    ProfileError
        When there is none of that name, or its form is not that of such a file.
    """
    seen: list[str] = []
    sheet: Sheet | None = None
    wanted: str | None = name
    while wanted is not None:
        path = _find(shelf, wanted, seen, asked_by)
        seen.append(str(path))
        tree = _read_tree(path)
        found = _sheet_of(shelf, tree, str(path))
        asked_by, wanted = f"profile “{path}”: ", found.words.pop("base", None)
        if sheet is None:
            sheet = found
        else:
            sheet.words = found.words | sheet.words
            sheet.entries = found.entries | sheet.entries
    assert sheet is not None
    return sheet


def _folders(shelf: Shelf) -> Iterator[Traversable]:
    """Yield the folders to look in, the user's first."""
    yield user_profile_folder() / shelf.folder
    yield resources.files("app.profiles") / shelf.folder


def _files_in(folder: Traversable) -> list[Traversable]:
    try:
        if not folder.is_dir():
            return []
        return [
            path
            for path in folder.iterdir()
            if path.name.endswith(_SUFFIX) and path.name.isprintable() and path.is_file()
        ]
    except OSError as fault:
        raise ProfileError(f"profiles in “{folder}” cannot be read: {fault.strerror}") from None


def _find(shelf: Shelf, name: str, seen: list[str], asked_by: str) -> Traversable:
    """Return the file of a name that is not one of those seen.

    So a user's own file may have the program's of the same name as its base.
    """
    files = [path for folder in _folders(shelf) for path in _files_in(folder)]
    named = [path for path in files if path.name == name + _SUFFIX]
    for path in named:
        if str(path) not in seen:
            return path
    if named:
        raise ProfileError(f"{asked_by}base “{name}” leads back to itself; name another")
    known = ", ".join(names_on(shelf))
    quoted = name if is_line(name) else shown(name)
    raise ProfileError(f"{asked_by}{shelf.what} “{quoted}” is not known; choose one of {known}")


def _read_tree(path: Traversable) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            data = file.read(_MAX_BYTES + 1)
        if len(data) > _MAX_BYTES:
            raise ProfileError(
                f"profile “{path}” is larger than {_MAX_BYTES // 1024} KiB, which no profile is"
            )
        text = data.decode("utf-8-sig")
        if any(len(line) > _MAX_LINE for line in text.splitlines()):
            raise ProfileError(
                f"profile “{path}” has a line of more than {_MAX_LINE} characters; break it"
            )
        return tomllib.loads(text)
    except UnicodeDecodeError as fault:
        raise ProfileError(
            f"profile “{path}” is not UTF-8 at byte {fault.start}; store it as UTF-8"
        ) from None
    except RecursionError:
        raise ProfileError(f"profile “{path}” is nested too deeply; write it flatter") from None
    except OSError as fault:
        raise ProfileError(f"profile “{path}” cannot be read: {fault.strerror}") from None
    except ValueError as fault:
        # Beside the parser's own error: whole numbers of more digits than Python will read.
        raise ProfileError(f"profile “{path}” cannot be read: {_printable(fault)}") from None


def _printable(fault: Exception) -> str:
    """Return an error's text without what it quotes from the file being able to disturb."""
    return "".join(sign if sign.isprintable() else "\ufffd" for sign in str(fault)[:TEXT_LENGTH])


def _sheet_of(shelf: Shelf, tree: dict[str, Any], where: str) -> Sheet:
    """Part one file into words and entries, refusing what is neither."""
    sheet = Sheet(where)
    for key, value in tree.items():
        if key in shelf.words:
            if not is_line(value):
                raise refusal(where, key, value, _LINE)
            sheet.words[key] = value
        elif any(known.startswith(key + ".") for known in shelf.keys):
            if not isinstance(value, dict):
                raise refusal(where, key, value, f"a table, begun with [{key}]")
            for name, entry in value.items():
                sheet.entries[f"{key}.{name}"] = (entry, where)
        else:
            raise _unknown(where, key)
    if "title" not in sheet.words:
        raise ProfileError(f"profile “{where}”: title is missing; add it")
    for key, (entry, _) in sheet.entries.items():
        _check_entry(shelf, key, entry, where)
    return sheet


def _check_entry(shelf: Shelf, key: str, entry: object, where: str) -> None:
    if key not in shelf.keys:
        raise _unknown(where, key)
    if not isinstance(entry, dict):
        raise refusal(where, key, entry, "a table: { value = …, source = … }")
    if "source" not in entry:
        raise ProfileError(f"profile “{where}”: {key}.source is missing; say whence the value is")
    if not is_line(entry["source"]):
        raise refusal(where, f"{key}.source", entry["source"], _LINE)


def _unknown(where: str, key: str) -> ProfileError:
    return ProfileError(f"profile “{where}”: {shown(key)} is not a key; mend it or take it out")
