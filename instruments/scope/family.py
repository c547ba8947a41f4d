"""What a family of scopes is: commands, how a record is taken and read, what its codes mean.

Plain values; :mod:`instruments.scope.catalogue` reads them from files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

from instruments.scope.preambles import Parser
from instruments.scope.scales import Scale

CODES = ("uint8", "int8", "int16", "float32")
PLACES = ("centre", "minus-centre", "percent")
"""How a family states where the trigger stands: the time of the screen's middle after it, the
same negated, or the trigger's place in per cent of the record."""

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
