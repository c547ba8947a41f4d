"""The windows of an alignment disk: the stretches of the turn in which bursts are recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from app.profiles.files import PROFILE
from instruments.checked_toml import CheckedTable, Number, OneOf

_LEAST, _MOST = 2, 72
_TURN_DEG = 360.0
_LEAST_DEG = 3.0
_START = Number(0.0, _TURN_DEG - _LEAST_DEG)
_LENGTH = Number(_LEAST_DEG, _TURN_DEG - _LEAST_DEG)
_SIDE = OneOf((("outward", True), ("inward", False)))


@dataclass(frozen=True, slots=True, order=True)
class AlignmentWindow:
    """One window: where it starts after the index, how long it is, and the side it is of.

    ``outward`` is True when it is the taller with the head outward.
    """

    start_deg: float
    length_deg: float
    outward: bool

    @property
    def end_deg(self) -> float:
        """Where it ends."""
        return self.start_deg + self.length_deg

    def __str__(self) -> str:
        """Return the window in words, as a table shows it."""
        side = "outward" if self.outward else "inward"
        return f"{self.start_deg:g}° to {self.end_deg:g}° {side}"


@dataclass(frozen=True, slots=True)
class WindowTables:
    """A list of windows, each a table: its form alone; :func:`windows_from` reads the tables."""

    allowed: str = (
        f"a list of {_LEAST} to {_MOST} windows, each {{ start_deg = …, length_deg = …, side = … }}"
    )

    def read(self, value: object) -> list[dict[str, Any]] | None:
        """Return the tables, None where there are too few or one is something else."""
        if not isinstance(value, list) or not _LEAST <= len(value) <= _MOST:
            return None
        return value if all(isinstance(each, dict) for each in value) else None


def windows_from(
    tables: Sequence[dict[str, Any]], where: str, path: str
) -> tuple[AlignmentWindow, ...]:
    """Return the windows in the order of passing.

    Parameters
    ----------
    tables : sequence of dict
        As :class:`WindowTables` returns them.
    where, path : str
        File and key, for messages.

    Raises
    ------
    ProfileError
        When a value is not allowed, a window leaves the turn, two overlap, or a side has none.
    """
    read: list[tuple[AlignmentWindow, str]] = []
    for number, tree in enumerate(tables, 1):
        key = f"{path}[{number}]"
        table = CheckedTable(PROFILE, where, tree, f"{key}.")
        window = table.finish(
            AlignmentWindow(
                table.value("start_deg", _START),
                table.value("length_deg", _LENGTH),
                table.value("side", _SIDE),
            )
        )
        if window.end_deg > _TURN_DEG:
            room = f"at most {_TURN_DEG - window.start_deg:g}, for the window to end in the turn"
            raise table.refusal("length_deg", room)
        read.append((window, key))
    read.sort()
    for (before, _), (window, key) in pairwise(read):
        if window.start_deg < before.end_deg:
            clear = f"{before.end_deg:g} or more, where the window before it ends"
            raise PROFILE.refusal(where, f"{key}.start_deg", window.start_deg, clear)
    windows = tuple(window for window, _ in read)
    if len({window.outward for window in windows}) == 1:
        other = "inward" if windows[0].outward else "outward"
        raise PROFILE.refusal(
            where, path, [str(window) for window in windows], f"of both sides; none is {other}"
        )
    return windows
