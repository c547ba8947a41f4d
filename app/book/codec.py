"""Encodes what the book keeps as JSON text and bytes, and decodes it: exact both ways.

What is read is checked against the fields of the frozen classes that it is to become and their
types, so that a file from elsewhere is refused with the place of its fault.
"""

from __future__ import annotations

import json
import sys
import zlib
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from enum import StrEnum
from functools import cache
from types import NoneType, UnionType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

from app.analysis.budget import Part, Shape
from app.analysis.results import LATER
from app.book.model import CodingError, RefusedError
from app.job.model import Entry, Known

_MAX_BYTES = 64 * 2**20
_MAX_TRACKS = 1000
MAX_TEXT = 100_000
"""Characters of one text."""
_Record = TypeVar("_Record")


def as_tree(thing: Any) -> Any:
    """Return a frozen record as what JSON can hold; arrays stand apart, and are null in it."""
    if isinstance(thing, tuple):
        return [as_tree(each) for each in thing]
    if not is_dataclass(thing):
        return thing
    values = {name: getattr(thing, name) for name in thing.__dataclass_fields__}
    arrays = [name for name, value in values.items() if isinstance(value, np.ndarray)]
    tree = {name: as_tree(value) for name, value in values.items() if name not in arrays}
    return tree | dict.fromkeys(arrays)


def as_text(thing: Any) -> str:
    """Return a frozen record as JSON text.

    Raises
    ------
    RefusedError
        When something in it cannot be kept.
    """
    tree = as_tree(thing)
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
            check_texts(each, key)
    elif isinstance(tree, list | tuple):
        for each in tree:
            check_texts(each, name)
    elif isinstance(tree, str):
        if len(tree) > MAX_TEXT:
            raise RefusedError(
                f"{name}: {len(tree)} characters are more than the {MAX_TEXT} that the book "
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


class Unpacking:
    """Unpacks the arrays of one job, as long as they are not more than any job has together."""

    def __init__(self) -> None:
        self._left_bytes = _MAX_BYTES

    def __call__(self, data: bytes | None, where: str = "envelope") -> NDArray[np.float32] | None:
        """Return bytes as an array.

        Raises
        ------
        CodingError
            When they are none, or too many.
        """
        if data is None:
            return None
        try:
            unpacker = zlib.decompressobj()
            raw = unpacker.decompress(data, self._left_bytes + 1)
            if len(raw) > self._left_bytes:
                raise CodingError(
                    f"{where}: a job's envelopes are not more than {_MAX_BYTES >> 20} MiB together"
                )
            if not unpacker.eof or unpacker.unused_data:
                raise ValueError
            self._left_bytes -= len(raw)
            return np.frombuffer(raw, dtype="<f4").astype(np.float32)
        except (zlib.error, ValueError):
            raise CodingError(f"{where} is damaged") from None


def read(kind: type[_Record], tree: object, where: str) -> _Record:
    """Read a record of a frozen class: every field must be there, of its type, and none besides.

    A field that was added later may be missing, and is its default then.

    Parameters
    ----------
    kind : type
        A dataclass of texts, numbers, words, tuples of them, and records; a field of type ``Any``
        is taken as it is.
    tree : object
        What JSON held.
    where : str
        Its place, for messages.

    Raises
    ------
    CodingError
        When it is not such a record; the message names the place.
    """
    if not isinstance(tree, Mapping):
        raise CodingError(f"{where} is not an object")
    left: dict[str, Any] = _brought_up(kind, dict(tree))
    found: dict[str, Any] = {}
    later = _later(kind)
    for name, type_ in _types(kind).items():
        place = f"{where}.{name}"
        if name not in left:
            if name in later:
                continue
            raise CodingError(f"{place} is missing")
        found[name] = _typed(type_, left.pop(name), place)
    for key in left:
        named = "".join(sign if sign.isprintable() else "\ufffd" for sign in str(key)[:40])
        raise CodingError(f"{where}.{named} is not known here")
    return kind(**found)


_FORMER_PART = {"name", "value", "u", "unit"}


def _brought_up(kind: type, tree: dict[str, Any]) -> dict[str, Any]:
    """Return a record of an earlier version as it is kept now."""
    if kind is Part and set(tree) == _FORMER_PART:
        # A part of a budget was a value by itself.
        of = {"name": tree["name"], "u": tree["value"], "unit": tree["unit"]}
        return of | {"value": 0.0, "dof": None, "shape": Shape.NORMAL}
    if kind is Known:
        # What the climate left unsure is worked out again before a job goes on.
        tree.pop("climate_u_um", None)
    return tree


@cache
def _later(kind: Any) -> set[str]:
    """Return the fields that older books do not have."""
    return {each.name for each in fields(kind) if each.metadata == LATER}


@cache
def _types(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _typed(kind: Any, tree: object, where: str) -> Any:
    """Return what JSON held as a value of a type."""
    if kind is Any:
        return tree
    if get_origin(kind) is UnionType:
        if tree is None:
            return None
        (kind,) = (each for each in get_args(kind) if each is not NoneType)
    if get_origin(kind) is tuple:
        return _row(get_args(kind), tree, where)
    if not isinstance(kind, type):
        # Arrays stand apart.
        raise CodingError(f"{where} is not empty")
    if is_dataclass(kind):
        return read(kind, tree, where)
    if issubclass(kind, StrEnum):
        return _word(kind, tree, where)
    return _plain(kind, tree, where)


def _row(kinds: tuple[Any, ...], tree: object, where: str) -> tuple[Any, ...]:
    if not isinstance(tree, list):
        raise CodingError(f"{where} is not a list")
    if Ellipsis in kinds:
        kinds = (kinds[0],) * len(tree)
    if len(kinds) != len(tree):
        raise CodingError(f"{where} has {len(tree)} parts instead of {len(kinds)}")
    places = (f"{where}[{place}]" for place in range(len(tree)))
    return tuple(map(_typed, kinds, tree, places))


def _word(kind: type[StrEnum], tree: object, where: str) -> StrEnum:
    try:
        return kind(tree)
    except ValueError:
        raise CodingError(f"{where} is none of {', '.join(kind)}") from None


_NOT = {
    str: "not a text",
    bool: "neither true nor false",
    int: "not a whole number",
    float: "not a number",
}


def _plain(kind: type, tree: Any, where: str) -> Any:
    """Return a text, flag or number, as JSON tells them apart."""
    is_kind = type(tree) is kind or (kind is float and type(tree) is int)
    if not is_kind or (kind is int and abs(tree) >= 2**53):
        raise CodingError(f"{where} is {_NOT[kind]}")
    if kind is float and not abs(tree) <= sys.float_info.max:
        raise CodingError(f"{where} is not a finite number")
    return kind(tree)


def entry_of(
    tree: object,
    where: str,
    turns: NDArray[np.float32] | None,
    envelope_v: NDArray[np.float32] | None,
) -> Entry:
    """Read an entry of the log, its arrays already read."""
    if len({None if each is None else each.shape for each in (turns, envelope_v)}) > 1:
        raise CodingError(f"{where}: its two arrays are not of one length")
    entry = read(Entry, tree, where)
    if entry.track is not None and not 0 <= entry.track < _MAX_TRACKS:
        raise CodingError(f"{where}.track is not the number of a track")
    return replace(entry, turns=turns, envelope_v=envelope_v)
