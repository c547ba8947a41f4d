"""Families of scopes: their commands, how a record is taken, and what its codes mean.

A family is a TOML file of commands with a closed set of blanks to fill, names of parsers and scales
out of closed sets, and numbers; nothing in it is evaluated. Which files there are, and which of
them fits a scope, is for :mod:`instruments.scope.shelf`.
"""

from __future__ import annotations

import string
from collections.abc import Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

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
from instruments.scope.lineage import Tree, grown
from instruments.scope.preamble import PARSERS, SCALES, Parser, Scale
from instruments.source import SourceUnavailable


class FamilyError(SourceUnavailable):
    """A family's file says what it may not; one sentence names file, key, value and remedy."""


FAMILY_FILE = TomlKind("scope family", FamilyError)
"""The kind of file: what its faults are called, and how they are raised."""
_TITLE = TextLine("words")


@dataclass(frozen=True, slots=True)
class CommandText:
    """A command in ASCII, with no blanks to fill but those that are named."""

    blanks: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """Words for what the command may be."""
        words = " and ".join(f"{{{blank}}}" for blank in self.blanks)
        return "a command in ASCII" + (f" with no blanks but {words}" if words else "")

    def read(self, value: object) -> str | None:
        """Return the command, None where it is not allowed."""
        if not isinstance(value, str) or not (value.isascii() and value.isprintable()):
            return None
        try:
            parts = list(string.Formatter().parse(value))
        except ValueError:
            return None
        # A blank with a format or an attribute behind it would be more than a blank.
        fits = all(
            name is None or (name in self.blanks and not form and not turn)
            for _, name, form, turn in parts
        )
        return value if fits and value.strip() else None


@dataclass(frozen=True, slots=True)
class Commands:
    """A list of commands, each with no blanks but those that are named."""

    blanks: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """Words for what the commands may be."""
        return f"a list of commands, each {CommandText(self.blanks).allowed}"

    def read(self, value: object) -> tuple[str, ...] | None:
        """Return the commands, None where one is not allowed."""
        if not isinstance(value, list):
            return None
        found = [one for one in map(CommandText(self.blanks).read, value) if one is not None]
        return tuple(found) if len(found) == len(value) else None


@dataclass(frozen=True, slots=True)
class Words:
    """An instrument's word, or a list of words of which it takes the first that it knows."""

    allowed: str = f"{CommandText(('n',)).allowed}, or a list of such"

    def read(self, value: object) -> tuple[str, ...] | None:
        """Return the words, None where one is not allowed."""
        return Commands(("n",)).read(value if isinstance(value, list) else [value]) or None


_NO_BLANK, _CHANNEL = CommandText(), CommandText(("n",))
_CODE = Number(-32768, 65535, whole=True)


CODES = ("uint8", "int8", "int16", "int16-high", "float32")
PLACES = ("centre", "minus-centre", "percent", "left", "middle")
"""How a family states where the trigger stands: the time of the screen's middle after it, the
same negated, the trigger's place in per cent of the record, a delay from the screen's left edge,
or one whose sign differs from model to model: 0 alone is safe, and leaves the trigger in the
middle."""

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
HELD = "held"
"""Our word for the one value of a setting that is none of these and must be so all the while."""
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
    "memory": ("live", "deep"),
}
"""Settings that take a word, and which words a family must translate."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One thing that can be set and asked.

    Attributes
    ----------
    name : str
        Its name in the file.
    command, ask : str
        The command that sets it, and the query.
    words : mapping of str to tuple of str
        The instrument's words for each of ours, the first one that it takes; empty for a number.
    answers : mapping of str to str
        What is to be sent for an answer that the instrument itself would not take.
    """

    name: str
    command: str
    ask: str
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    answers: Mapping[str, str] = field(default_factory=dict)

    @property
    def of_channel(self) -> bool:
        """Whether each channel has one."""
        return "{n}" in self.ask or "{s}" in self.ask


@dataclass(frozen=True, slots=True)
class Poll:
    """A query, and the answers that end the waiting: words, or a number without some bits."""

    ask: str
    until: tuple[str, ...]
    clear: int = 0


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
    ready : tuple of str
        Sent before what a scope takes only while it runs.
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
    ready: tuple[str, ...]
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
    rails : tuple of float
        The lowest and the highest code, at which the converter is at its end; empty for the ends
        of their kind.
    hole : int or None
        The code of a point that was never sampled; None where there is none.
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
    rails: tuple[float, ...]
    hole: int | None
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
    unproved : bool
        Nobody has told that it works on a real scope.
    terminator : str
        What ends a command.
    pause_s : float
        Time that the scope needs after a command.
    init_commands, farewell : tuple of str
        Sent first of all, and last.
    errors : str
        The query that takes one entry from the error queue; empty without one.
    horizontal_divisions, vertical_divisions : float
        Divisions of the screen.
    settings : mapping of str to Setting
        By name.
    probe : str
        The query for a channel's probe factor; empty without one.
    decimals : bool
        It takes numbers without an exponent only.
    probe_is_gain : bool
        It answers with the probe's gain, which is one over the factor.
    level_before_probe : bool
        A trigger's level is what comes through the probe, without its factor.
    place : str
        What the setting ``delay`` means, one of ``PLACES``.
    heads : mapping of str to str
        What fills the blank ``{s}`` of a trigger's settings: of a channel, of the external input.
    points : int
        Asked of the setting ``points``, where there is one.
    acquire, waveform, deep : Acquire, Waveform, Deep or None
        How records are taken and read.
    sources : mapping of str to str
        Where each key of the file comes from, by its path.
    """

    name: str
    title: str
    match: tuple[str, ...]
    unproved: bool
    terminator: str
    pause_s: float
    init_commands: tuple[str, ...]
    farewell: tuple[str, ...]
    errors: str
    horizontal_divisions: float
    vertical_divisions: float
    settings: Mapping[str, Setting]
    decimals: bool
    probe: str
    probe_is_gain: bool
    level_before_probe: bool
    place: str
    heads: Mapping[str, str]
    points: int
    acquire: Acquire
    waveform: Waveform
    deep: Deep | None
    sources: Mapping[str, str]

    def fit(self, identity: str) -> int:
        """Return how much of `identity` the best pattern spells out; 0 without a match."""
        return max((_literal(p) for p in self.match if matches(p, identity)), default=0)


def matches(pattern: str, identity: str) -> bool:
    """Tell whether a pattern with ``*`` and ``?``, in any case, fits all of what ``*IDN?`` says."""
    # No brackets: a set of characters is more than a file needs.
    return fnmatchcase(identity.upper(), pattern.upper().replace("[", "[[]"))


def _literal(pattern: str) -> int:
    return sum(character not in "*?" for character in pattern)


_SUFFIX = ".toml"


def read_family(name: str, text: str) -> Family:
    """Read one family from the text of its file.

    Raises
    ------
    FamilyError
        When it may not stand; the message names file, key, value and what is allowed.
    """
    return family_of(name, {name: FAMILY_FILE.parse(text, f"{name}{_SUFFIX}")})


def family_of(name: str, trees: Mapping[str, Tree]) -> Family:
    """Return one family of what the files say, by their families' names.

    Raises
    ------
    FamilyError
        As :func:`read_family`.
    """
    file_name = f"{name}{_SUFFIX}"
    tree, sources = grown(FAMILY_FILE, file_name, name, trees)
    top = CheckedTable(FAMILY_FILE, file_name, tree)
    screen = top.table("screen")
    divisions = Number(4, 20)
    horizontal_divisions = screen.value("across", divisions)
    vertical_divisions = screen.finish(screen.value("up", divisions))
    return top.finish(
        Family(
            name=name,
            title=top.value("title", _TITLE),
            match=top.value("match", TextLines(least=1)),
            unproved=top.value("unproved", Flag(), False),
            terminator=top.value("terminator", OneOf.of("\n", "\r\n", "\r"), "\n"),
            pause_s=top.value("pause_s", Number(0, 1), 0.0),
            init_commands=top.value("greeting", Commands(), ()),
            farewell=top.value("farewell", Commands(), ()),
            errors=top.value("errors", _NO_BLANK, ""),
            horizontal_divisions=horizontal_divisions,
            vertical_divisions=vertical_divisions,
            settings=_settings(top.table("settings")),
            decimals=top.value("decimals", Flag(), False),
            probe=top.value("probe", _CHANNEL, ""),
            probe_is_gain=top.value("probe_is_gain", Flag(), False),
            level_before_probe=top.value("level_before_probe", Flag(), False),
            place=top.value("place", OneOf.of(*PLACES)),
            heads=_heads(top),
            points=int(top.value("points", Number(0, 1e9), 0)),
            acquire=_acquire(top.table("acquire")),
            waveform=_waveform(top.table("waveform")),
            deep=_deep(top.table("deep")) if "deep" in top else None,
            sources=sources,
        )
    )


def _heads(top: CheckedTable) -> dict[str, str]:
    if "heads" not in top:
        return dict.fromkeys(WORDS["trigger_source"], "")
    table = top.table("heads")
    return table.finish({word: table.value(word, _CHANNEL) for word in WORDS["trigger_source"]})


def _words(entry: CheckedTable, name: str) -> dict[str, tuple[str, ...]]:
    """Return the instrument's words of a setting; none where it is a number."""
    if name not in (*NEEDED, *SPARE):
        return {HELD: (entry.value("value", _NO_BLANK),)}
    if name not in WORDS:
        return {}
    table = entry.table("words")
    # Memory that is small anyhow, or is asked for in points, has no word of its own.
    asked = [word for word in WORDS[name] if name != "memory" or word in table]
    return table.finish({word: table.value(word, Words()) for word in asked})


def _settings(table: CheckedTable) -> dict[str, Setting]:
    found: dict[str, Setting] = {}
    others = [name for name in table if name not in (*NEEDED, *SPARE)]
    for name in (*others, *NEEDED, *SPARE):
        if name in SPARE and name not in table:
            continue
        entry = table.table(name)
        told = entry.table("answers") if "answers" in entry else ()
        answers = {word: told.value(word, _NO_BLANK) for word in told} if told else {}
        found[name] = entry.finish(
            Setting(
                name=name,
                command=entry.value("set", CommandText(("n", "s", "value"))),
                ask=entry.value("ask", CommandText(("n", "s"))),
                words=_words(entry, name),
                answers=answers,
            )
        )
    return table.finish(found)


def _poll(table: CheckedTable) -> Poll:
    clear = int(table.value("clear", Number(0, 0xFFFF, whole=True), 0))
    until = table.value("until", TextLines(least=1), *([()] if clear else []))
    return table.finish(Poll(table.value("ask", _NO_BLANK), until, clear))


def _acquire(table: CheckedTable) -> Acquire:
    wait = table.value("wait", _NO_BLANK, "")
    return table.finish(
        Acquire(
            start=table.value("start", Commands(), *([()] if wait else [])),
            force=table.value("force", Commands(), ()),
            done=None if wait else _poll(table.table("done")),
            wait=wait,
            run=table.value("run", Commands()),
            stop=table.value("stop", Commands()),
            running=_poll(table.table("running")) if "running" in table else None,
            ready=table.value("ready", Commands(), ()),
            acknowledge=table.value("acknowledge", _NO_BLANK, ""),
        )
    )


def _waveform(table: CheckedTable) -> Waveform:
    parser = PARSERS[table.value("parser", OneOf.of(*PARSERS))]
    scale = SCALES[table.value("scale", OneOf.of(*SCALES))]
    if not scale.needs <= parser.gives:
        fitting = [name for name, other in SCALES.items() if other.needs <= parser.gives]
        raise table.refusal("scale", OneOf.of(*fitting).allowed)
    ask = table.table("ask") if "ask" in table else ()
    asked = {name: ask.value(name, _CHANNEL) for name in ask} if ask else {}
    if frozenset(asked) != parser.needs:
        names = ", ".join(sorted(parser.needs)) or "nothing"
        raise table.refusal("ask", f"a table of {names}", ", ".join(sorted(asked)))
    blocks = table.value("blocks", TextLines(), ())
    if not set(blocks) <= set(asked):
        raise table.refusal("blocks", "names out of waveform.ask")
    data = table.value("data", _CHANNEL)
    # Where the data's query does not name the channel, what was selected must be confirmed.
    chosen = table.value("chosen", _NO_BLANK, *([""] if "{n}" in data else []))
    return table.finish(
        Waveform(
            select=table.value("select", Commands(("n", "points")), ()),
            chosen=chosen,
            choice=table.value("choice", _CHANNEL, *([] if chosen else [""])),
            ask=asked,
            blocks=blocks,
            data=data,
            parser=parser,
            scale=scale,
            codes=table.value("codes", OneOf.of(*CODES)),
            rails=table.value("rails", NumberList(_CODE, 2, 2), ()),
            hole=table.value("hole", _CODE, None),
            most_points=int(table.value("most_points", Number(100, 1e9))),
            pages=_pages(table),
        )
    )


def _deep(table: CheckedTable) -> Deep:
    return table.finish(
        Deep(
            select=table.value("select", Commands(("n",)), ()),
            after=table.value("after", Commands(), ()),
            pages=_pages(table),
        )
    )


def _pages(table: CheckedTable) -> Pages:
    return Pages(
        send=table.value("page", Commands(("first", "last", "first0", "count")), ()),
        most_a_read=int(table.value("most_a_read", Number(100, 1e9), 1e9)),
        limit=table.value("limit", _NO_BLANK, ""),
    )
