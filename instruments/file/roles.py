"""Which columns of a capture are delivered, and their roles: given, the file's, or a default."""

from __future__ import annotations

import re
from dataclasses import dataclass

from instruments.source import AddressError, Role

_WORDS = {
    "plus": Role.PLUS,
    "positive": Role.PLUS,
    "minus": Role.MINUS,
    "negative": Role.MINUS,
    "differential": Role.DIFFERENTIAL,
    "diff": Role.DIFFERENTIAL,
    "envelope": Role.ENVELOPE,
    "index": Role.INDEX,
}
_SIGNALS = ((Role.PLUS, Role.MINUS), (Role.DIFFERENTIAL,), (Role.ENVELOPE,))
_DEFAULTS = {1: (Role.DIFFERENTIAL,), 2: (Role.PLUS, Role.MINUS)}
_DEFAULT = (Role.PLUS, Role.MINUS, Role.INDEX)


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """The columns to deliver, the role of each, and who said so.

    ``roles_from`` is ``"given"``, ``"file"`` or ``"default"``.
    """

    roles: tuple[Role, ...]
    columns: tuple[int, ...]
    roles_from: str


def choose_columns(
    name: str,
    channels: int,
    requested: tuple[Role | None, ...] | None,
    described: tuple[Role, ...] = (),
    titles: tuple[str, ...] = (),
) -> ColumnChoice:
    """Decide which columns of a capture are delivered, and as what.

    Parameters
    ----------
    name : str
        The capture, for messages.
    channels : int
        Columns that it has, time not counted.
    requested : tuple of (Role or None) or None
        What the user says, None for a column to skip.
    described : tuple of Role
        What the capture says of itself, one a column.
    titles : tuple of str
        Headings of its columns.

    Raises
    ------
    AddressError
        When more columns are named than there are.
    """
    if requested is not None:
        while requested and requested[-1] is None:  # to skip what is not there does no harm
            requested = requested[:-1]
        if len(requested) > channels:
            raise AddressError(
                f"capture “{name}”: the roles name {_count(len(requested))}, but it has "
                f"{_count(channels)}; name no more than it has"
            )
        return _choice({i: role for i, role in enumerate(requested) if role is not None}, "given")
    if described:
        return _choice(dict(enumerate(described)), "file")
    found = {i: role for i, role in enumerate(map(role_in, titles)) if role is not None}
    return _by_titles(found) or _by_default(found, channels)


def _by_titles(found: dict[int, Role]) -> ColumnChoice | None:
    """Take the first set of signals that the headings name once each, and the index."""
    named = list(found.values())
    for signals in _SIGNALS:
        if all(named.count(role) == 1 for role in signals):
            wanted = {*signals, Role.INDEX} if named.count(Role.INDEX) == 1 else {*signals}
            return _choice({i: role for i, role in found.items() if role in wanted}, "file")
    return None


def _by_default(found: dict[int, Role], channels: int) -> ColumnChoice:
    index = [i for i, role in found.items() if role is Role.INDEX]
    if len(index) != 1 or channels == 1:
        return _choice(dict(enumerate(_DEFAULTS.get(channels, _DEFAULT))), "default")
    # One column is headed "index", whichever its place: the signals are the others.
    others = [i for i in range(channels) if i != index[0]]
    roles = dict(zip(others, _DEFAULTS.get(len(others), _DEFAULT[:2]), strict=False))
    return _choice(dict(sorted({**roles, index[0]: Role.INDEX}.items())), "default")


def _choice(roles: dict[int, Role], roles_from: str) -> ColumnChoice:
    return ColumnChoice(tuple(roles.values()), tuple(roles), roles_from)


def role_in(title: str) -> Role | None:
    """Return the role that a heading such as ``CH1 (plus)`` names, if it names just one."""
    named = {_WORDS[word] for word in re.findall(r"[a-z]+", title.lower()) if word in _WORDS}
    return named.pop() if len(named) == 1 else None


def _count(number: int) -> str:
    return "1 column" if number == 1 else f"{number} columns"
