"""A session with one scope: identify it, set it up, take records, restore it.

Threads: *scope-session*, one for each :class:`Owner`, runs jobs in turn and alone uses the link.
Any thread may submit a job and wait for it. A job that does not return (a VISA that hangs) is
abandoned together with its thread, which ends when the call does.
"""

from __future__ import annotations

import queue
import re
import threading
from collections.abc import Callable
from concurrent.futures import Future, wait
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, TypeVar

from instruments.scope import waveform
from instruments.scope.family import Family
from instruments.scope.links import Deadline, Garbled, Late, Link
from instruments.scope.options import ScopeChannels, ScopeOptions
from instruments.scope.panel import Memory, Panel
from instruments.scope.preamble import PreambleError
from instruments.scope.setup import ScopeSetup, set_up
from instruments.scope.shelf import load_families
from instruments.scope.waveform import Record, bins_before_trigger, difference
from instruments.source import SourceError, SourceUnavailable

T = TypeVar("T")


class Owner:
    """A thread and its queue of jobs, each something to do and where to put what became of it."""

    def __init__(self) -> None:
        self._jobs: queue.SimpleQueue[tuple[Callable[[], Any], Future[Any]] | None]
        self._jobs = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="scope-session", daemon=True)
        self._thread.start()

    def submit(self, work: Callable[[], T]) -> Future[T]:
        """Hand in a job."""
        job: Future[T] = Future()
        self._jobs.put((work, job))
        return job

    def leave(self, timeout_s: float) -> None:
        """Let the thread end after the jobs handed in, and wait so long for that."""
        self._jobs.put(None)
        self._thread.join(timeout_s)

    def _run(self) -> None:
        while (handed := self._jobs.get()) is not None:
            work, job = handed
            try:
                job.set_result(work())
            except BaseException as fault:  # handed on to whoever waits
                job.set_exception(fault)


def is_done(job: Future[Any], within_s: float) -> bool:
    """Wait for a job; tell whether it is done."""
    return bool(wait([job], max(0.0, within_s)).done)


_IDENTITY_S = 1.5
_CHANNELS = ("2", "4", "6", "8")
_RETRIES = 3
_WAIT_FOR_TRIGGER_S = 2.5


@dataclass(frozen=True, slots=True)
class ScopeIdentity:
    """What ``*IDN?`` says.

    Attributes
    ----------
    whole, maker, model : str
        All of it, and its first two fields.
    """

    whole: str
    maker: str
    model: str

    @property
    def virtual(self) -> bool:
        """Whether it is a virtual scope; which field says so is left open."""
        return "VIRTUAL" in self.whole.upper()

    @property
    def device(self) -> str:
        """Maker, model and serial number: what this one is known again by."""
        return " ".join(self.whole.split(",")[:3])

    @property
    def channels(self) -> int | None:
        """How many channels it has, by the last figure of its model's number; None if unknown.

        Makers agree on that: …54, …04 and …24 have four, …02 and …52 two (common practice).
        """
        numbers = re.findall(r"\d+", self.model)
        last = numbers[-1][-1] if numbers else ""
        return int(last) if last in _CHANNELS else None


@dataclass(frozen=True, slots=True)
class Sweep:
    """One record, ready for a block.

    Attributes
    ----------
    columns : list of Record
        The differential (or the envelope), and the index where it is recorded.
    skip : int
        Cells before the trigger, to be left out.
    end_s : float
        Monotonic time of its end.
    at_index : bool
        What is left begins at the index edge.
    """

    columns: list[Record]
    skip: int
    end_s: float
    at_index: bool

    @property
    def bin_s(self) -> float:
        """Time from one bin to the next."""
        return self.columns[0].interval_s


def identify(link: Link, deadline: Deadline) -> ScopeIdentity:
    """Ask who is there.

    Raises
    ------
    SourceUnavailable
        When the answer is not that of an instrument, or none comes.
    """
    mend = "check the address; is it a scope, and is remote control on?"
    try:
        told = link.ask("*IDN?", deadline.within(_IDENTITY_S))
    except Late:
        raise SourceUnavailable(f"{link.what}: it does not answer *IDN?; {mend}") from None
    except Garbled:
        raise SourceUnavailable(
            f"{link.what}: what it answers to *IDN? is not a scope's; {mend}"
        ) from None
    # Some put the query's own header before the answer until they are told not to.
    fields = [part.strip() for part in told.removeprefix("*IDN ").split(",")]
    if len(fields) < 3 or not fields[0] or not fields[1]:
        # IEEE 488.2, 10.14: four fields, commas between.
        raise SourceUnavailable(f"{link.what}: it answers {told[:60]!r} to *IDN?; {mend}")
    return ScopeIdentity(",".join(fields), fields[0], fields[1])


def greet(link: Link, family: Family, deadline: Deadline) -> None:
    """Speak to a scope as its family wants it."""
    link.terminator, link.pause_s = family.terminator, family.pause_s
    for command in family.init_commands:
        link.send(command, deadline)


class ScopeSession:
    """An open link with the scope behind it.

    Parameters
    ----------
    link : Link
        Just opened.
    options : ScopeOptions
        What the user asked.
    memory : dict
        The front panel as it was found; filled here, and emptied by putting it back.
    """

    def __init__(self, link: Link, options: ScopeOptions, memory: Memory) -> None:
        self._link = link
        self.options = options
        self._memory = memory
        self._panel: Panel | None = None
        self._family: Family | None = None
        self._was_stopped = False
        self._setup: ScopeSetup | None = None
        self.identity: ScopeIdentity | None = None
        """Who is there, once asked."""
        self.notes: tuple[str, ...] = ()

    @property
    def family(self) -> Family:
        """The family of commands, once recognised."""
        if self._family is None:
            raise RuntimeError("the scope has not been recognised yet")
        return self._family

    def begin(self, scale_v: float | None, deadline: Deadline, device: str = "") -> None:
        """Recognise the scope and set it up.

        Parameters
        ----------
        scale_v : float or None
            Volts a division to begin with, from an earlier connection.
        deadline : Deadline
            For all of it.
        device : str
            Which one answered then, empty without one: nothing is set at another in its place.

        Raises
        ------
        SourceError
            When it is none, or refuses.
        """
        self.identity = identify(self._link, deadline)
        if device not in ("", self.identity.device):
            raise SourceUnavailable(
                f"{self._link.what}: “{self.identity.device}” answers there in place of "
                f"“{device}”; connect that one again, or choose the source anew"
            )
        families = load_families()
        self._family = family = families.choose(self.identity.whole, self.options.family)
        self.options = self.options.of_scope(self.identity.channels)
        try:
            self._prepare(family, scale_v, deadline)
        except Late as fault:
            raise Late(
                f"{fault}; it says that it is a {self.identity.model}, and was spoken to as one of "
                f"family {family.name}"
            ) from None
        self.notes = (*self.setup.notes(self.identity.whole), *families.notes)

    def _prepare(self, family: Family, scale_v: float | None, deadline: Deadline) -> None:
        greet(self._link, family, deadline)
        self._panel = panel = Panel(self._link, family, self._memory)
        panel.errors(deadline)  # old entries are none of ours
        running = family.acquire.running
        if running is not None and not self._memory:
            told = self._link.ask(running.ask, deadline.within(_IDENTITY_S))
            self._was_stopped = waveform.is_met(running, told)
        self._setup = set_up(self._link, family, panel, self.options, scale_v, deadline)

    @property
    def setup(self) -> ScopeSetup:
        """How the scope is set, once it is."""
        if self._setup is None:
            raise RuntimeError("the scope has not been set up yet")
        return self._setup

    def sweep(self, deadline: Deadline) -> Sweep:
        """Take one record; one that cannot be read is taken again.

        Parameters
        ----------
        deadline : Deadline
            For all of it, at least :attr:`longest_s` from now.

        Raises
        ------
        SourceError
            When it cannot be read repeatedly, or the scope is gone.
        """
        left = _RETRIES
        while True:
            try:
                return self._take(deadline)
            except Garbled:
                left -= 1
                self._link.resync()
                # Where somebody has turned at the scope, that is why.
                self.setup.see_unchanged(deadline)
                if not left:
                    raise

    @property
    def longest_s(self) -> float:
        """What a record may take, transfer and waiting for the trigger included."""
        waiting_s = 2 * self.setup.screen.span_s + _WAIT_FOR_TRIGGER_S
        # Half as much again to spare.
        return waiting_s + 1.5 * self._link.transfer_s(self.setup.record_bytes)

    def _take(self, deadline: Deadline) -> Sweep:
        setup = self.setup
        end_s = self._start(deadline)
        records = {channel: self._read(channel, deadline) for channel in setup.channels}
        setup.see_unchanged(deadline)
        columns = _block_columns(self._link.what, self.options.columns, records)
        setup.follow(records, deadline)
        return self._cut(columns, end_s)

    def _cut(self, columns: list[Record], end_s: float) -> Sweep:
        """Return the sweep from the index on, all of it where it does not begin there."""
        signal, *others = columns
        if not self.setup.begins_at_index(signal, next(iter(others), None)):
            return Sweep(columns, 0, end_s, at_index=False)
        return Sweep(columns, bins_before_trigger(signal), end_s, at_index=True)

    def _start(self, deadline: Deadline) -> float:
        setup = self.setup
        return waveform.start(
            self._link,
            self.family,
            setup.screen.span_s,
            setup.free,
            deadline,
            self._what_is_awaited(),
        )

    def _read(self, channel: int, deadline: Deadline) -> Record:
        setup = self.setup
        return waveform.read_channel(self._link, self.family, channel, setup.screen, deadline)

    def deep(self, deadline: Deadline) -> Sweep:
        """Take one record at the memory's full rate, plain samples.

        Raises
        ------
        SourceError
            When the family has no way to it, or the scope refuses.
        """
        setup, panel, deep = self.setup, self._panel, self.family.deep
        if deep is None or panel is None:
            raise SourceUnavailable(
                f"{self._link.what}: the family {self.family.name} has no commands for its deep "
                "memory; save a capture with the scope itself, or add them to a TOML file"
            )
        setup.plain(deadline)
        try:
            panel.ready(deadline)
            panel.set_memory("deep", deadline)
            end_s = self._start(deadline)
            records = {
                channel: waveform.read_deep(
                    self._link, self.family, deep, channel, setup.screen, deadline
                )
                for channel in setup.channels
            }
            setup.see_unchanged(deadline)
        finally:
            panel.ready(deadline)
            panel.set_memory("live", deadline)
            setup.extremes(deadline)
        columns = _block_columns(self._link.what, self.options.columns, records)
        return self._cut(columns, end_s)

    def _what_is_awaited(self) -> str:
        channel = self.options.trigger_channel
        if self.setup.free:
            return "let the scope run, and check that it is not held by a menu"
        where = "the external input" if channel is None else f"channel {channel}"
        return f"no index pulse came to {where}: check that wire, and that the disk turns"

    def leave(self, deadline: Deadline) -> None:
        """Put the front panel back and let go; never raises."""
        try:
            if self._panel is not None:
                self._quieten()
                # What was broken off was a command too, and the scope may be deaf behind it.
                deadline.pause(self._link.pause_s)
                self._panel.restore(deadline)
                acquire = self.family.acquire
                for command in acquire.stop if self._was_stopped else acquire.run:
                    self._link.send(command, deadline)
                self._wait_until_done(deadline)
                for command in self.family.farewell:
                    self._link.send(command, deadline)
                self._memory.clear()
        except SourceError:
            # What may not be put back stays remembered for the next connection.
            pass
        finally:
            self._link.close()

    def _wait_until_done(self, deadline: Deadline) -> None:
        """Wait until the scope has carried out what it was sent.

        It takes commands in their order, and *IDN? is the query that every one answers (IEEE
        488.2, 10.14). What comes before is the late answer to a query that was given up.
        """
        answer = None
        while self.identity is not None and answer != self.identity.whole:
            deadline.check(self._link.what)
            try:
                answer = self._link.ask("*IDN?", deadline)
            except Garbled:
                self._quieten()

    def _quieten(self) -> None:
        """Let what is under way come, as far as it soon ends.

        A long record over a slow line does not; the scope takes what is sent meanwhile behind it.
        """
        with suppress(Garbled):
            self._link.resync()


def _block_columns(what: str, columns: ScopeChannels, records: dict[int, Record]) -> list[Record]:
    """Return a block's columns from the records of all channels."""
    try:
        if columns.plus is not None and columns.minus is not None:
            signal = difference(records[columns.plus], records[columns.minus])
        else:
            signal = records[columns.signals[0]]
    except PreambleError as fault:
        raise Garbled(f"{what}: {fault}; the record is taken again") from None
    return [signal] if columns.index is None else [signal, records[columns.index]]
