"""Try every command of a family on a connected scope and report what fits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from instruments.options import split_options
from instruments.scope import waveform
from instruments.scope.family import Family, Setting
from instruments.scope.lineage import UNTOLD
from instruments.scope.links import Bytes, Deadline, Link
from instruments.scope.options import ScopeOptions, read_options
from instruments.scope.panel import Memory, Panel
from instruments.scope.session import Owner, greet, identify, is_done
from instruments.scope.setup import ScopeSetup, set_up
from instruments.scope.shelf import load_families, without_commands
from instruments.scope.source import Opener, open_link
from instruments.scope.waveform import Record
from instruments.source import SourceError, SourceRequest, SourceUnavailable

_ANSWER_S = 1.5
_SET_UP_S = 20.0
_DEEP_S = 60.0
_WHOLE_S = 120.0
_SHOWN = 70

Out = Callable[[str], None]


class TracingLink(Link):
    """A link that shows what is sent and what is answered."""

    def __init__(self, link: Link, out: Out) -> None:
        self._link = link
        self._out = out
        self.what = link.what
        self.terminator = link.terminator
        self.pause_s = link.pause_s

    def send(self, command: str, deadline: Deadline) -> None:
        """Send a command that is not answered."""
        self._sent(command)
        self._link.send(command, deadline)

    def ask(self, query: str, deadline: Deadline) -> str:
        """Send a query and return its answer as text."""
        self._sent(query)
        answer = self._link.ask(query, deadline)
        shown = answer if len(answer) <= _SHOWN else f"{answer[:_SHOWN]}… ({len(answer)})"
        self._out(f"  < {shown}")
        return answer

    def ask_block(self, query: str, expected: int | None, most: int, deadline: Deadline) -> Bytes:
        """Send a query and return the data of the block that it answers with."""
        self._sent(query)
        data = self._link.ask_block(query, expected, most, deadline)
        self._out(f"  < block of {len(data)} bytes: {bytes(data[:16]).hex(' ')} …")
        return data

    def _sent(self, command: str) -> None:
        self._link.terminator, self._link.pause_s = self.terminator, self.pause_s
        self._out(f"  > {command}")

    def transfer_s(self, size: int) -> float:
        """Return the seconds that so many bytes need at least."""
        return self._link.transfer_s(size)

    def resync(self) -> None:
        """Forget what is left of an answer."""
        self._link.resync()

    def abort(self) -> None:
        """End a call under way."""
        self._link.abort()

    def close(self) -> None:
        """Let go of the connection."""
        self._link.close()


@dataclass
class _Walk:
    """One walk: who is spoken to, and what was found."""

    options: ScopeOptions
    opener: Opener
    out: Out
    link: Link | None = None
    failed: int = 0

    @property
    def what(self) -> str:
        return f"scope “{self.options.resource}”"

    def connect(self) -> Link:
        if self.link is not None:
            self.link.close()
        self.link = TracingLink(self.opener(self.options, self.what, Deadline(_ANSWER_S)), self.out)
        return self.link

    def step(self, title: str, work: Callable[[], str]) -> bool:
        """Do one step and say how it went."""
        self.out(title)
        try:
            self.out(f"  fits: {work()}")
        except SourceError as fault:
            self.failed += 1
            self.out(f"  does not fit: {fault}")
            return False
        return True


def check_scope(address: str, out: Out, opener: Opener = open_link) -> bool:
    """Walk through every command of the family that matches a scope, and put it back.

    Parameters
    ----------
    address : str
        As for a source: ``visa:RESOURCE?options``.
    out : callable
        Takes one line of text at a time.
    opener : callable
        Makes the link.

    Returns
    -------
    bool
        Whether everything fits.

    Raises
    ------
    SourceError
        When the address cannot be used, nobody answers there, or it is no scope.
    """
    rest = address.partition(":")[2] if address.lower().startswith("visa:") else address
    resource, texts = split_options(address, rest)
    options = read_options(address, resource.strip(), texts, SourceRequest())
    walk = _Walk(options, opener, out)
    owner = Owner()
    job = owner.submit(lambda: _walk(walk))
    if not is_done(job, _WHOLE_S):
        raise SourceUnavailable(f"{walk.what}: it hangs; switch it off and on")
    owner.leave(1.0)
    return job.result()


def _walk(walk: _Walk) -> bool:
    try:
        family, matched = _family(walk)
        answered = _ask_all(walk, family)
        if not matched:
            walk.out(
                f"No family matches. The queries of the nearest, {family.name}, were answered in "
                f"{answered} of {len(family.settings)} cases; take it with family={family.name}."
            )
            return False
        _set_all(walk, family)
    finally:
        if walk.link is not None:
            walk.link.close()
    walk.out("Everything fits." if not walk.failed else f"{walk.failed} steps do not fit.")
    return not walk.failed


def _family(walk: _Walk) -> tuple[Family, bool]:
    link = walk.connect()
    walk.out("Who is there?")
    identity = identify(link, Deadline(_ANSWER_S))
    families = load_families()
    for note in families.notes:
        walk.out(f"  {note}")
    fits = [name for name, family in families.items() if family.fit(identity.whole)]
    walk.out(f"  families that match: {', '.join(fits) or 'none'}")
    try:
        family, matched = families.choose(identity.whole, walk.options.family), True
    except SourceUnavailable as fault:
        walk.out(f"  {fault}")
        if walk.options.family is not None or fits or without_commands(identity.whole):
            raise
        family, matched = families.nearest(identity.whole), False
    walk.options = walk.options.of_scope(identity.channels)
    unproved = ", unproved: nobody has told that it works" if family.unproved else ""
    walk.out(f"  family {family.name}: {family.title}{unproved}")
    return family, matched


def _greet(walk: _Walk, family: Family) -> Link:
    link = walk.connect()
    greet(link, family, Deadline(_ANSWER_S))
    return link


def _ask_all(walk: _Walk, family: Family) -> int:
    """Ask for every setting, each by itself: one that is not answered spoils no other."""
    link = _greet(walk, family)
    answered = 0
    for name, setting in family.settings.items():
        if walk.step(f"Setting {name}:", partial(_ask_one, walk, link, family, setting)):
            answered += 1
        else:
            link = _greet(walk, family)
    return answered


def _ask_one(walk: _Walk, link: Link, family: Family, setting: Setting) -> str:
    panel, channel = Panel(link, family, {}), walk.options.columns.signals[0]
    walk.out(f"  source: {family.sources.get(f'settings.{setting.name}.ask', UNTOLD)}")
    if setting.words:
        return panel.told(setting.name, channel, Deadline(_ANSWER_S))
    return f"{panel.number(setting.name, channel, Deadline(_ANSWER_S)):g}"


def _set_all(walk: _Walk, family: Family) -> None:
    """Set the scope up, take a record and a deep one, and put everything back."""
    link = _greet(walk, family)
    memory: Memory = {}
    panel = Panel(link, family, memory)
    held: list[ScopeSetup] = []

    def whole() -> str:
        setup = set_up(link, family, panel, walk.options, None, Deadline(_SET_UP_S))
        held.append(setup)
        return f"{setup.screen.span_s:g} s a record, {setup.signal_scale_v():g} V a division"

    if walk.step("Setting the scope up:", whole):
        setup = held[0]
        for channel in setup.channels:
            walk.step(
                f"Record of channel {channel}:", lambda c=channel: _record(link, family, setup, c)
            )
    walk.step("Putting the front panel back:", lambda: _put_back(panel, memory))
    walk.step("Error queue:", lambda: _no_errors(panel, link.what))
    for command in family.acquire.run:
        link.send(command, Deadline(_ANSWER_S))


def _record(link: Link, family: Family, setup: ScopeSetup, channel: int) -> str:
    deadline = Deadline(_DEEP_S)
    waveform.start(link, family, setup.screen.span_s, setup.free, deadline, "check the trigger")
    return _words(waveform.read_channel(link, family, channel, setup.screen, deadline))


def _words(record: Record) -> str:
    kind = "pairs" if record.paired else "plain samples, no extremes"
    return (
        f"{len(record.low_v)} {kind} of {1e6 * record.interval_s:.4g} µs, "
        f"{record.low_v.min():.3g} V to {record.high_v.max():.3g} V"
        f"{', at the rails' if record.clipped else ''}"
    )


def _put_back(panel: Panel, memory: Memory) -> str:
    panel.restore(Deadline(_SET_UP_S))
    for (name, channel), told in memory.items():
        now = panel.told(name, channel, Deadline(_ANSWER_S))
        if now != told:
            raise SourceUnavailable(f"{name} was {told} and is {now}; set it at the scope")
    return f"{len(memory)} settings as they were found"


def _no_errors(panel: Panel, what: str) -> str:
    errors = panel.errors(Deadline(_SET_UP_S))
    if errors:
        raise SourceUnavailable(f"{what}: it reports {'; '.join(errors[:5])}")
    return "nothing in it"
