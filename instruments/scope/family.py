"""Families of scopes: their commands, how a record is taken, and what its codes mean.

A family is a TOML file of commands with a closed set of blanks to fill, names of parsers and scales
out of closed sets, and numbers; nothing in it is evaluated. The program's files and the user's are
read and checked here; a user's file goes before ours of the same name.
"""

from __future__ import annotations

import string
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from importlib import resources
from pathlib import Path
from typing import Any

from platformdirs import user_config_path

from instruments.scope.preamble import PARSERS, SCALES, Parser, Scale
from instruments.source import SourceUnavailable


class FamilyError(SourceUnavailable):
    """A family's file says what it may not; one sentence names file, key, value and the mend."""


class FamilyTable:
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

    def table(self, key: str) -> FamilyTable:
        """Return a table within this one."""
        value = self.value(key)
        if not isinstance(value, dict):
            raise self.error(key, value, "a table")
        return FamilyTable(self._file, f"{self._path}{key}.", value)

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


CODES = ("uint8", "int8", "int16", "float32")
PLACES = ("centre", "minus-centre", "percent", "middle")
"""How a family states where the trigger stands: the time of the screen's middle after it, the
same negated, the trigger's place in per cent of the record, or a delay whose sign differs from
model to model: 0 alone is safe, and leaves the trigger in the middle."""

NEEDED = (
    "time_scale",
    "delay",
    "display",
    "coupling",
    "scale",
    "offset",
    "trigger_source",
    "trigger_slope",
    "trigger_level",
    "sweep",
)
SPARE = ("detect", "trigger_type", "points", "reference", "stop_after", "memory")
WORDS: Mapping[str, tuple[str, ...]] = {
    "display": ("on",),
    "coupling": ("ac", "dc"),
    "trigger_source": ("channel", "external"),
    "trigger_slope": ("falling", "rising"),
    "trigger_type": ("edge",),
    "sweep": ("auto", "normal"),
    "detect": ("peak", "sample"),
    "reference": ("centre",),
    "stop_after": ("sequence",),
    "memory": ("deep",),
}
"""Settings that take a word, and which words a family must translate."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One thing that can be set and asked.

    Attributes
    ----------
    name : str
        Its name in the file.
    order, ask : str
        The command that sets it, and the query.
    words : mapping of str to str
        The instrument's word for each of ours; empty for a number.
    """

    name: str
    order: str
    ask: str
    words: Mapping[str, str] = field(default_factory=dict)

    @property
    def of_channel(self) -> bool:
        """Whether each channel has one."""
        return "{n}" in self.ask or "{s}" in self.ask


@dataclass(frozen=True, slots=True)
class Poll:
    """A query, and the answers that end the waiting."""

    ask: str
    until: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Acquire:
    """How a record is taken.

    Attributes
    ----------
    start, force : tuple of str
        Sent to begin, and after that where no trigger is waited for.
    done : Poll or None
        Tells when the record is complete.
    wait : str
        Instead of ``done``: a query that is answered when it is.
    run, stop : tuple of str
        What puts the scope back to running, or to standing still.
    running : Poll or None
        Tells that the scope stands still.
    acknowledge : str
        A query that must be answered before a record is read; empty without one.
    """

    start: tuple[str, ...]
    force: tuple[str, ...]
    done: Poll | None
    wait: str
    run: tuple[str, ...]
    stop: tuple[str, ...]
    running: Poll | None
    acknowledge: str


@dataclass(frozen=True, slots=True)
class Pages:
    """How a long record is read, page after page.

    Attributes
    ----------
    send : tuple of str
        Sent before each page; empty where one read gives all.
    most_a_read : int
        Points in a page.
    limit : str
        The query for that number; empty without one.
    """

    send: tuple[str, ...]
    most_a_read: int
    limit: str


@dataclass(frozen=True, slots=True)
class Waveform:
    """How a record is read, and what its codes mean.

    Attributes
    ----------
    select : tuple of str
        Sent before the queries.
    chosen, choice : str
        The query for the channel that was selected, and its answer; both empty where the data's
        own query names the channel. A refused selection would give one channel twice.
    ask : mapping of str to str
        Queries by the name that the parser knows their answers under.
    blocks : tuple of str
        Those of them that answer with a block.
    data : str
        The query that answers with the samples.
    parser, scale : Parser, Scale
        From the closed sets.
    codes : str
        Kind of a sample.
    most_points : int
        No record has more; what is made ready for where the scope does not tell.
    pages : Pages
        How a record is read that is longer than one read gives.
    """

    select: tuple[str, ...]
    chosen: str
    choice: str
    ask: Mapping[str, str]
    blocks: tuple[str, ...]
    data: str
    parser: Parser
    scale: Scale
    codes: str
    most_points: int
    pages: Pages


@dataclass(frozen=True, slots=True)
class Deep:
    """How the memory is read at its full rate.

    Attributes
    ----------
    select : tuple of str
        Sent instead of the waveform's.
    after : tuple of str
        Sent when all is read, so that screens are read again as before.
    pages : Pages
        How much one read gives.
    """

    select: tuple[str, ...]
    after: tuple[str, ...]
    pages: Pages


@dataclass(frozen=True, slots=True)
class Family:
    """One family of scopes.

    Attributes
    ----------
    name, title : str
        The file's name without ending; words for a list.
    match : tuple of str
        Patterns of ``*IDN?`` with ``*`` and ``?``, in any case.
    terminator : str
        What ends a command.
    greeting : tuple of str
        Sent first of all.
    errors : str
        The query that takes one entry from the error queue; empty without one.
    across, up : float
        Divisions of the screen.
    settings : mapping of str to Setting
        By name.
    probe : str
        The query for a channel's probe factor; empty without one.
    place : str
        What the setting ``delay`` means, one of ``PLACES``.
    heads : mapping of str to str
        What fills the blank ``{s}`` of a trigger's settings: of a channel, of the external input.
    points : int
        Asked of the setting ``points``, where there is one.
    acquire, waveform, deep : Acquire, Waveform, Deep or None
        How records are taken and read.
    """

    name: str
    title: str
    match: tuple[str, ...]
    terminator: str
    greeting: tuple[str, ...]
    errors: str
    across: float
    up: float
    settings: Mapping[str, Setting]
    probe: str
    place: str
    heads: Mapping[str, str]
    points: int
    acquire: Acquire
    waveform: Waveform
    deep: Deep | None

    def fit(self, identity: str) -> int:
        """Return how much of `identity` the best pattern spells out; 0 without a match."""
        return max((_literal(p) for p in self.match if _matches(p, identity)), default=0)


def _matches(pattern: str, identity: str) -> bool:
    # No brackets: a set of characters is more than a file needs.
    return fnmatchcase(identity.upper(), pattern.upper().replace("[", "[[]"))


def _literal(pattern: str) -> int:
    return sum(character not in "*?" for character in pattern)


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
    top = FamilyTable(f"{name}{_SUFFIX}", "", tree)
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


def _heads(top: FamilyTable) -> dict[str, str]:
    if not top.has("heads"):
        return dict.fromkeys(WORDS["trigger_source"], "")
    table = top.table("heads")
    heads = {word: table.command(word, blanks=("n",)) for word in WORDS["trigger_source"]}
    table.finish()
    return heads


def _settings(table: FamilyTable) -> dict[str, Setting]:
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


def _poll(table: FamilyTable) -> Poll:
    poll = Poll(table.command("ask"), table.texts("until", least=1))
    table.finish()
    return poll


def _acquire(table: FamilyTable) -> Acquire:
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


def _waveform(table: FamilyTable) -> Waveform:
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


def _deep(table: FamilyTable) -> Deep:
    deep = Deep(
        select=table.commands("select", (), ("n",)),
        after=table.commands("after", ()),
        pages=_pages(table),
    )
    table.finish()
    return deep


def _pages(table: FamilyTable) -> Pages:
    return Pages(
        send=table.commands("page", (), ("first", "last", "first0", "count")),
        most_a_read=int(table.number("most_a_read", 100, 1e9, 1e9)),
        limit=table.command("limit", ""),
    )
