"""The families that there are: the program's files and the user's, read and checked.

A file holds commands with a closed set of blanks to fill, names of parsers and scales out of
closed sets, and numbers. A user's file of the same name goes before the program's.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from platformdirs import user_config_path

from instruments.scope.family import (
    CODES,
    NEEDED,
    PLACES,
    SPARE,
    WORDS,
    Acquire,
    Deep,
    Family,
    Pages,
    Poll,
    Setting,
    Waveform,
)
from instruments.scope.familyfile import FamilyError, Table
from instruments.scope.preambles import PARSERS
from instruments.scope.scales import SCALES
from instruments.source import SourceUnavailable

_SUFFIX = ".toml"


def user_family_folder() -> Path:
    """Return the folder in which a user's own families are looked for."""
    return user_config_path("evenlobe", appauthor=False) / "scopes"


def load_families(folder: Path | None = None) -> dict[str, Family]:
    """Read every family, the user's own before the program's of the same name.

    Parameters
    ----------
    folder : Path, optional
        Where the user's lie.

    Raises
    ------
    FamilyError
        When a file cannot be read or says what it may not.
    """
    folder = folder or user_family_folder()
    shipped = resources.files("instruments.scope") / "families"
    texts = {item.name: item for item in shipped.iterdir() if item.name.endswith(_SUFFIX)}
    if folder.is_dir():
        texts |= {item.name: item for item in folder.iterdir() if item.name.endswith(_SUFFIX)}
    families: dict[str, Family] = {}
    for file_name, where in sorted(texts.items()):
        try:
            text = where.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as fault:
            raise FamilyError(f"scope family “{file_name}” cannot be read: {fault}") from None
        name = file_name.removesuffix(_SUFFIX)
        families[name] = read_family(name, text)
    return families


def choose(families: Mapping[str, Family], identity: str, named: str | None) -> Family:
    """Return the family of an instrument, by name where one is given.

    Raises
    ------
    SourceUnavailable
        When no family fits; the message offers the nearest and how to take it.
    """
    if named is not None:
        for name, family in families.items():
            if name.upper() == named.upper():
                return family
        raise SourceUnavailable(
            f"scope family “{named}” is not known; use one of {', '.join(families)}"
        )
    fits = {name: family.fit(identity) for name, family in families.items()}
    best = max(fits.values(), default=0)
    found = [name for name, fit in fits.items() if fit == best and fit]
    if len(found) == 1:
        return families[found[0]]
    if found:
        raise SourceUnavailable(
            f"scope “{identity}”: the families {' and '.join(found)} fit alike; "
            f"add family={found[0]} or family={found[1]} to the address"
        )
    near = nearest(families, identity)
    raise SourceUnavailable(
        f"scope “{identity}”: no family of commands fits it; the nearest is {near.name} "
        f"({near.title}): try it with check-scope, and take it with family={near.name} "
        "in the address"
    )


def nearest(families: Mapping[str, Family], identity: str) -> Family:
    """Return the family whose patterns have the longest beginning in common with `identity`."""

    def shared(family: Family) -> int:
        best = 0
        for pattern in family.match:
            pairs = zip(pattern.upper(), identity.upper(), strict=False)
            count = 0
            for one, other in pairs:
                if one != other:
                    break
                count += 1
            best = max(best, count)
        return best

    return max(families.values(), key=shared)


def read_family(name: str, text: str) -> Family:
    """Read one family from the text of its file.

    Raises
    ------
    FamilyError
        When it may not stand; the message names file, key, value and what is allowed.
    """
    try:
        tree: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise FamilyError(f"scope family “{name}{_SUFFIX}” cannot be read: {fault}") from None
    top = Table(f"{name}{_SUFFIX}", "", tree)
    screen = top.table("screen")
    settings = top.table("settings")
    family = Family(
        name=name,
        title=top.text("title"),
        match=top.texts("match", least=1),
        terminator=top.choice("terminator", ("\n", "\r\n", "\r"), "\n"),
        greeting=top.commands("greeting", ()),
        errors=top.command("errors", ""),
        across=screen.number("across", 4, 20),
        up=screen.number("up", 4, 20),
        settings=_settings(settings),
        probe=top.command("probe", "", ("n",)),
        place=top.choice("place", PLACES),
        heads=_heads(top),
        points=int(top.number("points", 0, 1e9, 0)),
        acquire=_acquire(top.table("acquire")),
        waveform=_waveform(top.table("waveform")),
        deep=_deep(top.table("deep")) if top.has("deep") else None,
    )
    screen.finish()
    settings.finish()
    top.finish()
    return family


def _heads(top: Table) -> dict[str, str]:
    if not top.has("heads"):
        return dict.fromkeys(WORDS["trigger_source"], "")
    table = top.table("heads")
    heads = {word: table.command(word, blanks=("n",)) for word in WORDS["trigger_source"]}
    table.finish()
    return heads


def _settings(table: Table) -> dict[str, Setting]:
    found: dict[str, Setting] = {}
    for name in (*NEEDED, *SPARE):
        if name in SPARE and not table.has(name):
            continue
        entry = table.table(name)
        blanks = ("n", "s", "value")
        words: dict[str, str] = {}
        if name in WORDS:
            inner = entry.table("words")
            words = {word: inner.command(word, blanks=("n",)) for word in WORDS[name]}
            inner.finish()
        found[name] = Setting(
            name=name,
            order=entry.command("set", blanks=blanks),
            ask=entry.command("ask", blanks=("n", "s")),
            words=words,
        )
        entry.finish()
    return found


def _poll(table: Table) -> Poll:
    poll = Poll(table.command("ask"), table.texts("until", least=1))
    table.finish()
    return poll


def _acquire(table: Table) -> Acquire:
    wait = table.command("wait", "")
    acquire = Acquire(
        start=table.commands("start", () if wait else None),
        force=table.commands("force", ()),
        done=None if wait else _poll(table.table("done")),
        wait=wait,
        run=table.commands("run"),
        stop=table.commands("stop"),
        running=_poll(table.table("running")) if table.has("running") else None,
        acknowledge=table.command("acknowledge", ""),
    )
    table.finish()
    return acquire


def _waveform(table: Table) -> Waveform:
    parser = PARSERS[table.choice("parser", tuple(PARSERS))]
    scale = SCALES[table.choice("scale", tuple(SCALES))]
    if not scale.needs <= parser.gives:
        allowed = [n for n, other in SCALES.items() if other.needs <= parser.gives]
        raise table.error("scale", table.value("scale"), " or ".join(allowed))
    ask = table.table("ask") if table.has("ask") else None
    asked = {} if ask is None else {n: ask.command(n, blanks=("n",)) for n in ask.names()}
    if frozenset(asked) != parser.needs:
        names = ", ".join(sorted(parser.needs)) or "nothing"
        raise table.error("ask", ", ".join(sorted(asked)), f"a table of {names}")
    blocks = table.texts("blocks", ())
    if not set(blocks) <= set(asked):
        raise table.error("blocks", list(blocks), "names out of waveform.ask")
    data = table.command("data", blanks=("n",))
    # Where the data's query does not name the channel, what was selected must be confirmed.
    chosen = table.command("chosen", "" if "{n}" in data else None)
    waveform = Waveform(
        select=table.commands("select", (), ("n", "points")),
        chosen=chosen,
        choice=table.command("choice", None if chosen else "", ("n",)),
        ask=asked,
        blocks=blocks,
        data=data,
        parser=parser,
        scale=scale,
        codes=table.choice("codes", CODES),
        most_points=int(table.number("most_points", 100, 1e9)),
        pages=_pages(table),
    )
    table.finish()
    return waveform


def _deep(table: Table) -> Deep:
    deep = Deep(
        select=table.commands("select", (), ("n",)),
        after=table.commands("after", ()),
        pages=_pages(table),
    )
    table.finish()
    return deep


def _pages(table: Table) -> Pages:
    return Pages(
        send=table.commands("page", (), ("first", "last", "first0", "count")),
        most_a_read=int(table.number("most_a_read", 100, 1e9, 1e9)),
        limit=table.command("limit", ""),
    )
