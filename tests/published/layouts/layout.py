"""What a layout is: a file's bytes, where its form comes from, and what must be read from it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

SECOND_HAND = "second hand: notes on public files, which were not seen"


@dataclass(frozen=True)
class Layout:
    """A capture file and its truth.

    Attributes
    ----------
    name : str
        The file's name.
    says : str
        The form in a sentence.
    source : str
        Where the form comes from.
    content : bytes
        The whole file.
    truth : dict
        What must be read, by the keys that `fixtures/captures/layouts/PROVENANCE.md` explains.
    beside : dict
        Files that belong to it, by name.
    """

    name: str
    says: str
    source: str
    content: bytes
    truth: dict[str, Any]
    beside: dict[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class Column:
    """A column of a text export: its numbers as they are written, and in volts or seconds.

    Attributes
    ----------
    values : list of float
        In volts or seconds.
    form : str
        Of one number, as :func:`format` takes it.
    unit : float
        Volts or seconds of a written 1.
    """

    values: list[float]
    form: str = ".4f"
    unit: float = 1.0

    @property
    def written(self) -> list[str]:
        """Every number as the file has it."""
        return [format(value / self.unit, self.form) for value in self.values]

    @property
    def read(self) -> list[float]:
        """Every number as it must be read, in volts or seconds."""
        return [float(text) * self.unit for text in self.written]


def read_as(rate_hz: float, columns: list[list[float]], **more: Any) -> dict[str, Any]:
    """Return the truth of a capture whose columns, in volts, are all delivered."""
    frames = [list(frame) for frame in zip(*columns, strict=True)]
    return {
        "rate_hz": rate_hz,
        "frames": len(frames),
        "first_v": frames[:3],
        "last_v": frames[-1],
        **more,
    }


def refused(*words: str) -> dict[str, Any]:
    """Return the truth of a file that must be refused with one of these words."""
    return {"refused": list(words)}


def as_toml(layouts: list[Layout]) -> str:
    """Return the list of layouts as TOML, one table a file, in the order of their names."""
    lines = ["# Written by tests/published/layouts; do not edit."]
    for layout in sorted(layouts, key=lambda layout: layout.name):
        table = {"says": layout.says, "source": layout.source, **layout.truth}
        lines += ["", f'["{layout.name}"]']
        lines += [f"{key} = {_value(value)}" for key, value in table.items()]
    return "\n".join(lines) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(held)}" for key, held in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return f"{value:.9g}" if isinstance(value, float) else str(value)
