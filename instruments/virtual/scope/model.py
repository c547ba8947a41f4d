"""Models of the virtual scope: what is so of one real scope, and who says so.

A model is a file in ``models/``, named as the model. It holds facts and no behaviour: the speech
that it names has the commands, and reads the facts. Each key is named in the table ``sources``,
with a word for where it comes from: a guide and its page, a public driver, another fact sheet's
word for a guide (``second hand: …``), or ``from memory``. Nothing of a model was tried on a bench.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any

from instruments.checked_toml import (
    CheckedTable,
    Flag,
    Number,
    NumberList,
    OneOf,
    TextLine,
    TextLines,
    TomlKind,
)
from instruments.virtual.scope.record import Traits


class ModelError(ValueError):
    """A model's file that cannot be used."""


@dataclass(frozen=True, slots=True)
class Model:
    """One model of scope.

    Attributes
    ----------
    name : str
        As it is asked for.
    speech : str
        Whose commands it understands.
    maker, product, firmware : str
        Fields of its answer to ``*IDN?``; the serial number between the last two says that the
        scope is virtual.
    channels : int
        How many it has, from 1 on.
    external : bool
        Whether it has an external trigger input.
    port : int
        The TCP port at which the real one listens, 0 when it has none.
    quiet_s : float
        How long after a command the next message is lost.
    byte_s : float
        Seconds that the real one takes for each byte of a block.
    traits : Traits
        What it does with a record.
    options : mapping
        Facts that its speech alone reads.
    left : mapping of str to tuple of str
        Messages that bring about a state which somebody may have left, by the state's name.
    sources : mapping of str to str
        Who says so, by the keys of the file.
    """

    name: str
    speech: str
    maker: str
    product: str
    firmware: str
    channels: int
    external: bool
    port: int
    quiet_s: float
    byte_s: float
    traits: Traits
    options: Mapping[str, Any] = field(default_factory=dict)
    left: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    sources: Mapping[str, str] = field(default_factory=dict)


_KIND = TomlKind("model", ModelError)
_FOLDER = "models"
_COUNT = Number(0, 1 << 30, whole=True)
_SUFFIXES = {"k": 1e3, "M": 1e6}
_TRAITS: Mapping[str, Any] = {
    "divisions": Number(8, 20),
    "codes_per_div": Number(10, 50),
    "bits": Number(8, 12, whole=True),
    "memory": Number(100, 500e6, whole=True),
    "shared": OneOf.of("all", "pairs"),
    "order": OneOf.of("min-max", "max-min"),
    "xinc": OneOf.of("point", "pair", "zero"),
    "told": OneOf.of("pairs", "plain"),
    "descriptor": Number(346, 400, whole=True),
    "roll_s": Number(0, 10),
    "roll_when": OneOf.of("auto", "always"),
}


@cache
def model_names() -> tuple[str, ...]:
    """Return the names of all models."""
    found = files("instruments.virtual.scope").joinpath(_FOLDER).iterdir()
    return tuple(sorted(each.name[:-5] for each in found if each.name.endswith(".toml")))


@cache
def model(name: str) -> Model:
    """Return a model.

    Raises
    ------
    ModelError
        When its file cannot be used; the message says why.
    """
    path = files("instruments.virtual.scope").joinpath(_FOLDER, f"{name}.toml")
    table = CheckedTable(_KIND, name, _KIND.read(path, name))
    traits = {key: table.value(key, kind) for key, kind in _TRAITS.items() if key in table}
    if "depths" in table:
        rows = table.value("depths", TextLines(1))
        traits["depths"] = tuple(_depths(table, row) for row in rows)
    if "rails" in table:
        low, high = table.value("rails", NumberList(Number(-128, 127, whole=True), 2, 2))
        traits["rails"] = (int(low), int(high))
    made = Model(
        name=name,
        speech=table.value("speech", TextLine()),
        maker=table.value("maker", TextLine()),
        product=table.value("product", TextLine()),
        firmware=table.value("firmware", TextLine()),
        channels=table.value("channels", Number(2, 4, whole=True)),
        external=table.value("external", Flag()),
        port=table.value("port", _COUNT, 0),
        quiet_s=table.value("quiet_s", Number(0, 1), 0.0),
        byte_s=table.value("byte_s", Number(0, 1e-3), 0.0),
        traits=Traits(**traits),
        options=_plain(table, "options"),
        left=_states(table),
        sources=_sources(table),
    )
    return table.finish(made)


def _depths(table: CheckedTable, row: str) -> tuple[int, ...]:
    try:
        return tuple(_points(word) for word in row.split())
    except ValueError:
        raise table.refusal("depths", "rows of depths such as “14k 1.4M”", row) from None


def _points(word: str) -> int:
    factor = _SUFFIXES.get(word[-1], 1.0)
    return round(float(word[:-1] if factor > 1 else word) * factor)


def _plain(table: CheckedTable, key: str) -> dict[str, Any]:
    """Return a table whose values the speech checks."""
    if key not in table:
        return {}
    inner = table.table(key)
    kinds = (Flag(), Number(-1e12, 1e12), TextLine(), TextLines())
    return inner.finish({name: _any_of(inner, name, kinds) for name in inner})


def _any_of(table: CheckedTable, name: str, kinds: tuple[Any, ...]) -> Any:
    for kind in kinds:
        try:
            return table.value(name, kind)
        except ModelError:
            continue
    raise table.refusal(name, "a flag, a number, a text or a list of texts")


def _states(table: CheckedTable) -> dict[str, tuple[str, ...]]:
    if "left" not in table:
        return {}
    inner = table.table("left")
    return inner.finish({name: inner.value(name, TextLines()) for name in inner})


def _sources(table: CheckedTable) -> dict[str, str]:
    """Return who says what; each key of the file must be named."""
    inner = table.table("sources")
    said: dict[str, str] = {}
    for keys in inner:
        told_by: str = inner.value(keys, TextLine())
        said |= dict.fromkeys(keys.split(), told_by)
    told = set(table) - {"sources", "left", "options"}
    if "options" in table:
        told |= set(table.table("options"))
    for key in sorted(told ^ set(said)):
        raise table.refusal("sources", f"told of each key of the file, as {key} is not")
    return inner.finish(said)
