"""Taking checked values out of a family's file."""

from __future__ import annotations

import string
from collections.abc import Iterable
from typing import Any

from instruments.source import SourceUnavailable


class FamilyError(SourceUnavailable):
    """A family's file says what it may not; one sentence names file, key, value and the mend."""


class Table:
    """One table of a file, which remembers what was asked for.

    Parameters
    ----------
    file : str
        Name of the file, for messages.
    path : str
        The table's own key, with a dot at its end; empty for the file itself.
    tree : dict
        What the file says.
    """

    def __init__(self, file: str, path: str, tree: dict[str, Any]) -> None:
        self._file = file
        self._path = path
        self._tree = tree
        self._known: set[str] = set()

    def error(self, key: str, value: object, allowed: str) -> FamilyError:
        """Return the error that says what `key` may be."""
        return FamilyError(
            f"scope family “{self._file}”: {self._path}{key} is {value!r}; it must be {allowed}"
        )

    def has(self, key: str) -> bool:
        """Return whether the file has `key`."""
        return key in self._tree

    def names(self) -> tuple[str, ...]:
        """Return all keys."""
        return tuple(self._tree)

    def value(self, key: str) -> Any:
        """Return what the file says, unchecked.

        Raises
        ------
        FamilyError
            When it says nothing.
        """
        self._known.add(key)
        if key not in self._tree:
            raise FamilyError(f"scope family “{self._file}”: {self._path}{key} is missing; add it")
        return self._tree[key]

    def table(self, key: str) -> Table:
        """Return a table within this one."""
        value = self.value(key)
        if not isinstance(value, dict):
            raise self.error(key, value, "a table")
        return Table(self._file, f"{self._path}{key}.", value)

    def text(self, key: str) -> str:
        """Return words."""
        value = self.value(key)
        if not isinstance(value, str) or not value.strip():
            raise self.error(key, value, "words")
        return value

    def texts(
        self, key: str, default: tuple[str, ...] | None = None, *, least: int = 0
    ) -> tuple[str, ...]:
        """Return a list of words."""
        if default is not None and key not in self._tree:
            return default
        value = self.value(key)
        fits = isinstance(value, list) and all(isinstance(v, str) and v for v in value)
        if not fits or len(value) < least:
            raise self.error(key, value, "a list of words in quotes")
        return tuple(value)

    def number(self, key: str, low: float, high: float, default: float | None = None) -> float:
        """Return a number within limits."""
        if default is not None and key not in self._tree:
            return default
        value = self.value(key)
        fits = isinstance(value, int | float) and not isinstance(value, bool)
        if not fits or not low <= value <= high:
            raise self.error(key, value, f"a number from {low:g} to {high:g}")
        return value

    def choice(self, key: str, allowed: tuple[str, ...], default: str | None = None) -> str:
        """Return one of `allowed`."""
        if default is not None and key not in self._tree:
            return default
        value = self.value(key)
        if value not in allowed:
            raise self.error(key, value, " or ".join(repr(word) for word in allowed))
        return value

    def command(self, key: str, default: str | None = None, blanks: Iterable[str] = ()) -> str:
        """Return one command, its blanks checked."""
        if default is not None and key not in self._tree:
            return default
        value = self.value(key)
        self._check_command(key, value, tuple(blanks))
        return value

    def commands(
        self,
        key: str,
        default: tuple[str, ...] | None = None,
        blanks: Iterable[str] = (),
    ) -> tuple[str, ...]:
        """Return a list of commands, their blanks checked."""
        if default is not None and key not in self._tree:
            return default
        value = self.value(key)
        if not isinstance(value, list):
            raise self.error(key, value, "a list of commands")
        for one in value:
            self._check_command(key, one, tuple(blanks))
        return tuple(value)

    def finish(self) -> None:
        """Refuse keys that nobody asked for: most often a misspelling."""
        for key in self._tree:
            if key not in self._known:
                raise FamilyError(
                    f"scope family “{self._file}”: {self._path}{key} is not a key; take it out"
                )

    def _check_command(self, key: str, value: object, blanks: tuple[str, ...]) -> None:
        words = " and ".join(f"{{{blank}}}" for blank in blanks)
        allowed = "a command in ASCII" + (f" with no blanks but {words}" if words else "")
        fits = isinstance(value, str) and value.isascii() and value.isprintable() and value.strip()
        if not fits or not _only(str(value), blanks):
            raise self.error(key, value, allowed)


def _only(command: str, blanks: tuple[str, ...]) -> bool:
    try:
        parts = list(string.Formatter().parse(command))
    except ValueError:
        return False
    # A blank with a format or an attribute behind it would be more than a blank.
    return all(
        name is None or (name in blanks and not form and not turn) for _, name, form, turn in parts
    )
