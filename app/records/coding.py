"""What is kept, as JSON text and as bytes, and back: exact both ways.

What is read is checked against the fields of the classes in :mod:`app.job.model`, so that a file
from elsewhere is refused with the place of its fault.
"""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Mapping
from dataclasses import fields
from enum import StrEnum
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from app.job.model import CheckName, JobHead, Limit, Outcome, Stage, Summary, Taking, Value, Verdict
from app.records.fault import CodingError, RefusedError

_MOST_BYTES = 64 * 2**20
_MOST_TRACKS = 1000
MOST_TEXT = 100_000
"""Characters of one text."""
_Word = TypeVar("_Word", bound=StrEnum)


def as_tree(thing: Any) -> Any:
    """Return a frozen record as what JSON can hold; arrays are left out."""
    if isinstance(thing, tuple):
        return [as_tree(each) for each in thing]
    if hasattr(thing, "__dataclass_fields__"):
        return {
            each.name: as_tree(value)
            for each in fields(thing)
            if not isinstance(value := getattr(thing, each.name), np.ndarray)
        }
    return thing


def as_text(thing: Any) -> str:
    """Return a frozen record as JSON text.

    Raises
    ------
    RefusedError
        When something in it cannot be kept.
    """
    return _written(as_tree(thing))


def _written(tree: Any) -> str:
    check_texts(tree)
    try:
        return json.dumps(tree, ensure_ascii=False, allow_nan=False)
    except (ValueError, TypeError) as fault:
        raise RefusedError(f"this cannot be kept: {fault}") from None


def check_texts(tree: Any, name: str = "text") -> None:
    """Refuse texts that a book does not take, wherever they stand in a tree.

    Raises
    ------
    RefusedError
        When one is too long, or has a character that is none.
    """
    if isinstance(tree, dict):
        for key, each in tree.items():
            check_texts(each, str(key))
    elif isinstance(tree, list | tuple):
        for each in tree:
            check_texts(each, name)
    elif isinstance(tree, str):
        if len(tree) > MOST_TEXT:
            raise RefusedError(
                f"{name}: {len(tree)} characters are more than the {MOST_TEXT} that the book "
                "takes; shorten it"
            )
        if "\0" in tree or any("\ud800" <= sign <= "\udfff" for sign in tree):
            raise RefusedError(f"{name}: a character in it is none that can be kept; take it out")


def tree_of(text: str) -> Any:
    """Read JSON text.

    Raises
    ------
    CodingError
        When it is none.
    """
    try:
        return json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as fault:
        raise CodingError(f"it is not JSON: {str(fault)[:100]}") from None


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def packed(values: NDArray[np.float32] | None) -> bytes | None:
    """Return an array as bytes: float32, little-endian, compressed."""
    return None if values is None else zlib.compress(values.astype("<f4").tobytes(), 1)


def unpacked(data: bytes | None, where: str = "envelope") -> NDArray[np.float32] | None:
    """Return bytes as an array.

    Raises
    ------
    CodingError
        When they are none.
    """
    if data is None:
        return None
    try:
        unpacker = zlib.decompressobj()
        raw = unpacker.decompress(data, _MOST_BYTES)
        if not unpacker.eof or unpacker.unused_data:
            raise ValueError
        return np.frombuffer(raw, dtype="<f4").astype(np.float32)
    except (zlib.error, ValueError):
        raise CodingError(f"{where} is damaged") from None


class Reader:
    """Takes a record's fields out of a tree, each checked, and refuses what is left.

    Parameters
    ----------
    tree : object
        Must be a mapping.
    where : str
        Its place, for messages.
    """

    def __init__(self, tree: object, where: str) -> None:
        if not isinstance(tree, Mapping):
            raise CodingError(f"{where} is not an object")
        self._tree: dict[str, Any] = dict(tree)
        self._where = where

    def place(self, key: str) -> str:
        """Return a field's place."""
        return f"{self._where}.{key}"

    def take(self, key: str) -> Any:
        """Return a field that must be there."""
        if key not in self._tree:
            raise CodingError(f"{self.place(key)} is missing")
        return self._tree.pop(key)

    def text(self, key: str) -> str:
        """Return a text."""
        value = self.take(key)
        if not isinstance(value, str):
            raise CodingError(f"{self.place(key)} is not a text")
        return value

    def number(self, key: str) -> float:
        """Return a finite number."""
        return _number(self.take(key), self.place(key))

    def maybe(self, key: str) -> float | None:
        """Return a finite number or None."""
        value = self.take(key)
        return None if value is None else _number(value, self.place(key))

    def whole(self, key: str) -> int:
        """Return a whole number."""
        value = self.take(key)
        if isinstance(value, bool) or not isinstance(value, int) or abs(value) >= 2**53:
            raise CodingError(f"{self.place(key)} is not a whole number")
        return value

    def flag(self, key: str) -> bool:
        """Return true or false."""
        value = self.take(key)
        if not isinstance(value, bool):
            raise CodingError(f"{self.place(key)} is neither true nor false")
        return value

    def word(self, key: str, kind: type[_Word]) -> _Word:
        """Return one of a kind's words."""
        value = self.take(key)
        try:
            return kind(value)
        except ValueError:
            known = ", ".join(kind)
            raise CodingError(f"{self.place(key)} is none of {known}") from None

    def rows(self, key: str) -> list[tuple[str, Any]]:
        """Return a list's elements, each with its place."""
        value = self.take(key)
        if not isinstance(value, list):
            raise CodingError(f"{self.place(key)} is not a list")
        return [(f"{self.place(key)}[{place}]", each) for place, each in enumerate(value)]

    def texts(self, key: str, width: int) -> tuple[tuple[str, ...], ...]:
        """Return a list of rows of `width` texts each."""
        found: list[tuple[str, ...]] = []
        for place, row in self.rows(key):
            fits = isinstance(row, list) and len(row) == width
            if not fits or not all(isinstance(each, str) for each in row):
                raise CodingError(f"{place} is not {width} texts")
            found.append(tuple(row))
        return tuple(found)

    def end(self) -> None:
        """Refuse what has not been taken."""
        for key in self._tree:
            raise CodingError(f"{self.place(str(key)[:40])} is not known here")


def _number(value: object, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise CodingError(f"{where} is not a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise CodingError(f"{where} is not a finite number")
    return number


def value_of(tree: object, where: str) -> Value:
    """Read a value."""
    reader = Reader(tree, where)
    value = Value(
        reader.text("name"), reader.number("value"), reader.maybe("u"), reader.text("unit")
    )
    reader.end()
    return value


def _values(reader: Reader, key: str) -> tuple[Value, ...]:
    return tuple(value_of(tree, place) for place, tree in reader.rows(key))


def _limit_of(tree: object, where: str) -> Limit | None:
    if tree is None:
        return None
    reader = Reader(tree, where)
    limit = Limit(
        reader.maybe("low"), reader.maybe("high"), reader.text("unit"), reader.text("source")
    )
    reader.end()
    return limit


def summary_of_tree(tree: object, where: str) -> Summary:
    """Read a summary."""
    reader = Reader(tree, where)
    parts: list[Value | None] = []
    for key in ("offset_um", "hysteresis_um", "speed_rpm"):
        part = reader.take(key)
        parts.append(None if part is None else value_of(part, reader.place(key)))
    reader.end()
    return Summary(*parts)


def outcome_of(tree: object, where: str) -> Outcome:
    """Read an outcome."""
    reader = Reader(tree, where)
    outcome = Outcome(
        check=reader.word("check", CheckName),
        stage=reader.word("stage", Stage),
        verdict=reader.word("verdict", Verdict),
        side=reader.whole("side"),
        value=reader.maybe("value"),
        u=reader.maybe("u"),
        unit=reader.text("unit"),
        limit=_limit_of(reader.take("limit"), reader.place("limit")),
        reason=reader.text("reason"),
        details=_values(reader, "details"),
        budget=_values(reader, "budget"),
        ended_at=reader.text("ended_at"),
    )
    reader.end()
    return outcome


def taking_of_tree(
    tree: object,
    where: str,
    turns: NDArray[np.float32] | None,
    envelope_v: NDArray[np.float32] | None,
) -> Taking:
    """Read a taking, its arrays already read."""
    reader = Reader(tree, where)
    for key in ("turns", "envelope_v"):
        if reader.take(key) is not None:
            raise CodingError(f"{reader.place(key)} is not empty")
    track = reader.take("track")
    if track is not None and (type(track) is not int or not 0 <= track < _MOST_TRACKS):
        raise CodingError(f"{reader.place('track')} is not the number of a track")
    if (turns is None) != (envelope_v is None) or (
        turns is not None and envelope_v is not None and turns.shape != envelope_v.shape
    ):
        raise CodingError(f"{where}: its two arrays are not of one length")
    taking = Taking(
        check=reader.word("check", CheckName),
        stage=reader.word("stage", Stage),
        label=reader.text("label"),
        taken_at=reader.text("taken_at"),
        track=track,
        side=reader.whole("side"),
        values=_values(reader, "values"),
        notes=tuple(row[0] for row in _wrapped(reader, "notes")),
        turns=turns,
        envelope_v=envelope_v,
        source=reader.text("source"),
        virtual=reader.flag("virtual"),
        settings=tuple((row[0], row[1]) for row in reader.texts("settings", 2)),
    )
    reader.end()
    return taking


def _wrapped(reader: Reader, key: str) -> list[tuple[str]]:
    found: list[tuple[str]] = []
    for place, text in reader.rows(key):
        if not isinstance(text, str):
            raise CodingError(f"{place} is not a text")
        found.append((text,))
    return found


def taking_text(taking: Taking) -> str:
    """Return a taking without its arrays as JSON text."""
    return _written({**as_tree(taking), "turns": None, "envelope_v": None})


def head_of(tree: object, where: str) -> JobHead:
    """Read a job's head."""
    reader = Reader(tree, where)
    head = JobHead(
        opened_at=reader.text("opened_at"),
        source=reader.text("source"),
        virtual=reader.flag("virtual"),
        software=reader.text("software"),
        profile=reader.text("profile"),
        profile_values=tuple((a, b, c) for a, b, c in reader.texts("profile_values", 3)),
        conditions=tuple((a, b) for a, b in reader.texts("conditions", 2)),
    )
    reader.end()
    return head
