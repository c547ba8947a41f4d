"""What all speeches of the virtual scope share: headers, IEEE 488.2 commands, settings.

Handlers run while the scope's lock is held, one message at a time.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, TypeVar

from instruments.virtual.scope.acquisition import SweepControl
from instruments.virtual.scope.model import Model, ModelError
from instruments.virtual.scope.panel import (
    LINE,
    MATHS,
    Channel,
    FrontPanel,
    FrontPanelError,
)
from instruments.virtual.scope.record import SweepRecord, Traits, WireTrace, trace_of
from instruments.virtual.scope.scpi import (
    Answer,
    Buffer,
    ErrorQueue,
    HeaderEntry,
    ScpiError,
    Tree,
    choice,
    flag,
    number,
    parse_unit,
    short_form,
    split,
)

_Value = TypeVar("_Value")


class Vocabulary:
    """Headers, and where in them a message stands."""

    lenient: ClassVar[bool] = False
    """Whether a header may start from the root without a colon."""

    def __init__(self) -> None:
        self.tree = Tree()
        self.path: list[str] = []
        """Where a header without a colon goes on from."""

    def show(self, value: float) -> str:
        """Return a number as the family writes it."""
        return f"{value:.6E}"

    def spell(self, word: str) -> str:
        """Return a word as it stands in an answer."""
        return short_form(word)

    def found(self, header: str) -> tuple[HeaderEntry, list[int]]:
        """Return what a header does and its numbers.

        Raises
        ------
        ScpiError
            When it is not known.
        """
        path = header.lstrip(":").split(":")
        if header.startswith(("*", ":")):
            places = [path]
        else:
            places = [self.path + path] + ([path] if self.lenient else [])
        for place in places:
            found = self.tree.find(place)
            if found is not None:
                if not header.startswith("*"):
                    self.path = place[:-1]
                return found
        raise ScpiError(-113)

    def ask(self, pattern: str, query: Callable[..., Answer | None], parameters: int = 0) -> None:
        """Teach a query with as many parameters at the most."""

        def handler(numbers: list[int], given: list[str]) -> Answer | None:
            if len(given) > parameters:
                raise ScpiError(-108)
            return query(*numbers, *given)

        self.tree.add(pattern, query=handler)

    def do(self, pattern: str, command: Callable[..., object], parameters: int = 0) -> None:
        """Teach a command with just as many parameters."""

        def handler(numbers: list[int], given: list[str]) -> None:
            if len(given) != parameters:
                raise ScpiError(-109 if len(given) < parameters else -108)
            command(*numbers, *given)

        self.tree.add(pattern, command=handler)

    def numeric(
        self,
        pattern: str,
        get: Callable[..., float],
        put: Callable[..., object],
        show: Callable[[float], str] | None = None,
    ) -> None:
        """Teach a setting that is a number."""
        shown = show or self.show
        self.ask(pattern, lambda *at: shown(get(*at)))
        self.do(pattern, lambda *at: put(*at[:-1], number(at[-1])), 1)

    def switch(
        self,
        pattern: str,
        get: Callable[..., bool],
        put: Callable[..., object],
        words: tuple[str, str] = ("0", "1"),
    ) -> None:
        """Teach a setting that is on or off."""
        self.ask(pattern, lambda *at: words[bool(get(*at))])
        self.do(pattern, lambda *at: put(*at[:-1], flag(at[-1])), 1)

    def choose(
        self,
        pattern: str,
        words: Mapping[str, _Value],
        get: Callable[..., _Value],
        put: Callable[..., object],
    ) -> None:
        """Teach a setting that is one of some words; the first for a value is its answer."""
        self.ask(pattern, lambda *at: self.spell(word_for(words, get(*at))))
        self.do(pattern, lambda *at: put(*at[:-1], words[choice(at[-1], tuple(words))]), 1)


def channel_states(inverted: str, probe: str, limited: str = "") -> dict[str, tuple[str, ...]]:
    """Return the states in which somebody may have left the channels of the two phases.

    Parameters
    ----------
    inverted, probe, limited : str
        Messages that turn a channel over, set its probe's factor and limit its bandwidth; ``{n}``
        is the channel, ``{x}`` the factor and ``{g}`` one over it.
    """

    def probes(*factors: int) -> tuple[str, ...]:
        return tuple(probe.format(n=n, x=x, g=1 / x) for n, x in enumerate(factors, 1))

    states = {
        "inverted": (inverted.format(n=1),),
        "inverted-minus": (inverted.format(n=2),),
        "inverted-both": (inverted.format(n=1), inverted.format(n=2)),
        "probe": probes(1, 1),
        "probe-100": probes(100, 100),
        "probes-unlike": probes(100, 10),
    }
    if limited:
        states["limited"] = (limited.format(n=1), limited.format(n=2))
    return states


def word_for(words: Mapping[str, _Value], value: _Value) -> str:
    """Return the first word that stands for `value`."""
    return next(word for word, meant in words.items() if meant == value)


def attribute(
    of: Callable[..., object], name: str
) -> tuple[Callable[..., Any], Callable[..., None]]:
    """Return two functions, that get and that set an attribute of what `of` returns."""

    def put(*at: object) -> None:
        setattr(of(*at[:-1]), name, at[-1])

    return lambda *at: getattr(of(*at), name), put


OPERATION_COMPLETE, QUERY_ERROR, EXECUTION_ERROR, COMMAND_ERROR = 1, 4, 16, 32
"""Bits of the standard event status register, IEEE 488.2, 11.5.1."""
_CACHED_TRACES = 8


@dataclass(slots=True)
class Reply:
    """What a message is answered with; no parts when with nothing."""

    parts: list[Buffer] = field(default_factory=list)
    block: bool = False
    """Whether a block is among the parts."""


class Interpreter(Vocabulary):
    """Carries out a model's messages on a scope.

    Parameters
    ----------
    acquisition : SweepControl
        The scope's sweeps, and its panel.
    errors : ErrorQueue
        Where errors go.
    model : Model
        The facts.
    traits : Traits
        What the model does with a record.
    identity : str
        The answer to ``*IDN?``.
    wait : callable
        Waits for a single sweep, and returns False when nobody waits for the answer any more.
    reset : callable
        Brings the panel to where it is after a reset.
    refuse : callable
        Returns whether the next setting is to be refused.

    Raises
    ------
    ModelError
        When the model tells an option that its speech does not know.
    """

    ending: ClassVar[bytes] = b"\n"
    block_ending: ClassVar[bytes] = b"\n"
    ieee_blocks: ClassVar[bool] = True
    """Whether blocks are those of IEEE 488.2, in which faults have their places."""
    digits: ClassVar[int] = 9
    """Digits of a block's length, 0 for as many as it needs."""
    defaults: ClassVar[Mapping[str, Any]] = {}
    """The speech's options, and what holds where a model does not tell one."""
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {}
    """Messages that bring about a state which somebody may have left, by the state's name."""

    def __init__(
        self,
        acquisition: SweepControl,
        errors: ErrorQueue,
        model: Model,
        traits: Traits,
        *,
        identity: str,
        wait: Callable[[], bool],
        reset: Callable[[], None],
        refuse: Callable[[], bool],
    ) -> None:
        super().__init__()
        unknown = set(model.options) - set(self.defaults)
        if unknown:
            raise ModelError(f"model “{model.name}”: {min(unknown)} is no option of its speech")
        self.acquisition = acquisition
        self.errors = errors
        self.model = model
        self.traits = traits
        self.options: Mapping[str, Any] = {**self.defaults, **model.options}
        self.identity = identity
        self.wait = wait
        self._reset_panel = reset
        self._refuse = refuse
        self._events = 0
        self._told_when_done = False
        self._cache: dict[object, memoryview] = {}
        self._cache_number = 0
        self._common()
        self.commands()
        self.restart()

    @property
    def panel(self) -> FrontPanel:
        """The front panel as it stands."""
        return self.acquisition.panel

    def commands(self) -> None:
        """Teach the tree the model's headers."""
        raise NotImplementedError

    def restart(self) -> None:
        """Set what the model has beside the panel to where it is after a reset."""

    def teach_limit(self, pattern: str, full: str, limited: str) -> None:
        """Teach the switch of each channel's bandwidth, between two words; from memory."""
        self.choose(pattern, {full: False, limited: True}, *attribute(self.channel, "limited"))

    def words_for(self, channel: str, external: Mapping[str, int], line: str) -> dict[str, int]:
        """Return the words for the trigger's sources.

        Parameters
        ----------
        channel : str
            The word for a channel, with ``#`` for its number.
        external : mapping of str to int
            Words for the external input, on a model that has one.
        line : str
            The word for the mains; empty for none.
        """
        numbers = range(1, self.model.channels + 1)
        words = {channel.replace("#", str(number)): number for number in numbers}
        words |= external if self.model.external else {}
        return words | ({line: LINE} if line else {})

    def execute(self, message: bytes) -> Reply:
        """Carry out a program message and return its response."""
        reply = Reply()
        self.path = []
        for text in split(message.decode("latin-1"), ";"):
            try:
                answer = self.unit(text)
            except ScpiError as error:
                self.fail(error.code)
                continue
            if answer is None:
                continue
            if reply.parts:
                reply.parts.append(b";")
            if isinstance(answer, str):
                reply.parts.append(answer.encode("latin-1"))
            else:
                reply.parts.extend(answer)
                reply.block = True
        if reply.parts:
            reply.parts.append(self.block_ending if reply.block else self.ending)
        return reply

    def unit(self, text: str) -> Answer | None:
        """Carry out one unit."""
        unit = parse_unit(text)
        entry, numbers = self.found(unit.header)
        handler = entry.query if unit.query else entry.command
        if handler is None:
            raise ScpiError(-113)
        if not unit.query and unit.parameters and self._refuse():
            raise ScpiError(-221)
        try:
            return handler(numbers, unit.parameters)
        except FrontPanelError:
            raise ScpiError(-222) from None

    def fail(self, code: int) -> None:
        """Put an error into the queue and its bit into the register."""
        self.errors.push(code)
        bits = {1: COMMAND_ERROR, 2: EXECUTION_ERROR, 4: QUERY_ERROR}
        self._events |= bits.get(-code // 100, EXECUTION_ERROR)

    def channel(self, place: int) -> Channel:
        """Return a channel's settings."""
        if place == MATHS or place not in self.panel.channels:
            raise ScpiError(-114)
        return self.panel.channels[place]

    def maths_channel(self, *_numbers: int) -> Channel:
        """Return the maths channel's settings, whatever its number."""
        return self.panel.channels[MATHS]

    def scale_maths(self, *at: float) -> None:
        """Set the maths channel's scale, the last of what is given."""
        if not at[-1] > 0:
            raise FrontPanelError
        self.maths_channel().volts_per_div = at[-1]

    def next_error(self) -> str:
        """Return the oldest error, as SCPI-1999 writes it."""
        code, text = self.errors.pop()
        return f'{code},"{text}"'

    def memory(self, points: float) -> None:
        """Set the points of a record; a depth that the model has not is refused."""
        allowed = self.traits.depths_now(self.panel)
        if allowed and int(points) not in allowed:
            raise FrontPanelError
        if not 100 <= points <= 500e6:
            raise FrontPanelError
        self.panel.memory = int(points) // 2 * 2

    @property
    def memory_now(self) -> int:
        """Points of a record with the channels in use."""
        return self.traits.memory_now(self.panel)

    @property
    def span_s(self) -> float:
        """Seconds from the screen's left edge to its right one."""
        return self.panel.seconds_per_div * self.traits.divisions

    def only(self, *, running: bool) -> None:
        """Refuse what can be set only while the scope is running, or only while it is not."""
        if self.acquisition.running is not running:
            raise ScpiError(-221)

    def trace(
        self, record: SweepRecord | None, channel: int, points: int | None = None
    ) -> WireTrace:
        """Return a channel of a record."""
        if record is None:
            raise ScpiError(-230)
        if channel not in record.codes:
            raise ScpiError(-221)
        return trace_of(record, channel, self.traits, points)

    def cached(
        self, record: SweepRecord, key: object, make: Callable[[], memoryview]
    ) -> memoryview:
        """Return the bytes of a trace, made once a record."""
        if self._cache_number != record.number or len(self._cache) >= _CACHED_TRACES:
            self._cache.clear()
            self._cache_number = record.number
        if key not in self._cache:
            self._cache[key] = make()
        return self._cache[key]

    def block(self, data: Buffer, before: bytes = b"") -> list[Buffer]:
        """Return an IEEE 488.2 definite length block (8.7.9) as the parts that it is sent in."""
        count = str(len(data)).zfill(self.digits)
        return [before + f"#{len(count)}{count}".encode(), data]

    # IEEE 488.2

    def _common(self) -> None:
        self.ask("*IDN", lambda: self.identity)
        self.ask("*OPT", lambda: "0")
        self.ask("*OPC", lambda: "1" if self.wait() else None)
        self.do("*OPC", self._tell_when_done)
        self.do("*WAI", self.wait)
        self.do("*CLS", self._clear)
        self.do("*RST", self._reset)
        self.ask("*ESR", self._take_events)
        self.ask("*STB", lambda: str(4 if len(self.errors) else 0))
        self.ask("*TST", lambda: "0")
        for register in ("*ESE", "*SRE"):
            self.numeric(register, lambda: 0, lambda _: None, show=lambda value: f"{value:.0f}")

    def _tell_when_done(self) -> None:
        self._told_when_done = True

    def _clear(self) -> None:
        self.errors.clear()
        self._events = 0
        self._told_when_done = False

    def _reset(self) -> None:
        self._reset_panel()
        self.restart()

    def _take_events(self) -> str:
        if self._told_when_done and self.acquisition.idle():
            self._told_when_done = False
            self._events |= OPERATION_COMPLETE
        events, self._events = self._events, 0
        return str(events)


Value = float | int | bytes

LEAST_BYTES = 346


def packed(fields: Mapping[int, tuple[str, Value]], size: int, *, low_first: bool) -> bytes:
    """Return a descriptor.

    Parameters
    ----------
    fields : mapping of int to (str, value)
        By offset: the format as :mod:`struct` names it, and the value.
    size : int
        Bytes; what is not told is zero.
    low_first : bool
        Whether numbers stand with their lowest byte first.
    """
    data = bytearray(size)
    for offset, (kind, value) in fields.items():
        struct.pack_into(f"{'<' if low_first else '>'}{kind}", data, offset, value)
    return bytes(data)
