"""A scope as a source of blocks: one record, one block.

Threads: *scope-session* (see :mod:`instruments.scope.session`) owns the link and everything beneath
it. The reader opens, reads and waits for jobs; any thread may close. Writers: ``_memory``,
``_scale_v``, ``_settings`` and the count of frames belong to the session's thread; ``_live`` and
``_pending`` to the reader and, under the lock, to whoever closes.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from datetime import date

from instruments.kept import proof_for
from instruments.proof import InputIdentity
from instruments.scope.links import Deadline, Link, SocketLink
from instruments.scope.options import ScopeOptions, read_options
from instruments.scope.panel import Memory
from instruments.scope.ports import is_serial
from instruments.scope.session import Owner, ScopeSession, Sweep, is_done
from instruments.scope.visa import socket_place
from instruments.scope.waveform import frames
from instruments.source import (
    Block,
    Role,
    Source,
    SourceInfo,
    SourceLost,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
)

_OPEN_S = 20.0
_CONNECT_S = 3.0
_DEEP_S = 120.0
_GRACE_S = 1.0  # beyond a job's own deadline, before its thread is given up
_LEAVE_S = 1.0
_RESTORE_S = 0.8
_END_S = 0.6
# Peak detect keeps the extremes of a converter that runs at its full rate.
_PEAK_DETECT_HZ = 20e6

Opener = Callable[[ScopeOptions, str, Deadline], Link]


def open_link(options: ScopeOptions, what: str, deadline: Deadline) -> Link:
    """Return the link to an address.

    Raises
    ------
    SourceError
        When nobody is there.
    """
    if not options.resource:
        from instruments.scope.discover import the_only_scope

        options = replace(options, resource=the_only_scope())
    plain = socket_place(options.resource)
    if plain is not None:
        return SocketLink(*plain, what, deadline.within(_CONNECT_S))
    from instruments.scope.visa import SerialLink, VisaLink

    if is_serial(options.resource):
        return SerialLink(options.resource, what, options.baud)
    return VisaLink(options.resource, what)


@dataclass
class _Live:
    """One connection: its thread, and what lives on it."""

    owner: Owner = field(default_factory=Owner)
    cancelled: threading.Event = field(default_factory=threading.Event)
    link: Link | None = None
    session: ScopeSession | None = None
    frames: int = 0


class ScopeSource(Source):
    """A digital scope as a source of blocks.

    Once opened it holds on to the scope that it found: no other is taken in its place.

    Parameters
    ----------
    options : ScopeOptions
        What the user asked.
    name : str
        The address as it was typed.
    opener : callable
        Makes the link; tests put a scripted one here.
    """

    def __init__(self, options: ScopeOptions, name: str, opener: Opener = open_link) -> None:
        self._options = options
        self._name = name
        self._what = f"scope “{options.resource}”"
        self._opener = opener
        self._memory: Memory = {}
        self._scale_v: float | None = None
        self._settings: tuple[tuple[str, str], ...] = ()
        self._instrument = ""
        self._device = ""  # as first found
        self._lock = threading.Lock()
        self._live: _Live | None = None
        self._pending: Future[Block] | None = None
        self._pending_s = Deadline(0)
        self._info = SourceInfo(
            name=name,
            roles=options.columns.delivered,
            roles_from=options.roles_from,
            sample_rate_hz=0.0,
            bandwidth_hz=_PEAK_DETECT_HZ,
            continuous=False,
            live=True,
        )

    @classmethod
    def from_options(
        cls, text: str, resource: str, options: Mapping[str, str], request: SourceRequest
    ) -> ScopeSource:
        """Make a source from the parts of an address ``visa:RESOURCE?option=text&…``.

        Raises
        ------
        AddressError
            When a part cannot be used as written.
        """
        return cls(read_options(text, resource.strip(), options, request), text)

    @property
    def settings(self) -> tuple[tuple[str, str], ...]:
        """The scope's settings as last read back: name, and value with its unit."""
        return self._settings

    @property
    def instrument(self) -> str:
        """What the scope said to ``*IDN?`` when it was opened."""
        return self._instrument

    @property
    def has_deep_record(self) -> bool:
        """True: what is read otherwise are min/max pairs."""
        return True

    def open(self) -> None:
        """Connect, recognise the scope and set it up.

        Raises
        ------
        SourceError
            When it is not there, is no scope, or refuses.
        """
        self.close()
        live = _Live()
        with self._lock:
            self._live = live
        job = live.owner.submit(lambda: self._begin(live))
        if not is_done(job, _OPEN_S + _GRACE_S):
            self.close()
            raise SourceUnavailable(
                f"{self._what}: it hangs while it is set up; switch it off and on"
            )
        try:
            self._info = job.result()
        except BaseException:
            self.close()
            raise
        self._ask_for_next(live)

    def read(self, timeout_s: float) -> Block:
        """Return the next record.

        Raises
        ------
        SourceTimeout
            When it is not complete in that time.
        SourceUnavailable
            When it is not open.
        SourceLost
            When the scope is gone, answers nothing or nothing that can be read.
        """
        live, job = self._live, self._pending
        if live is None or job is None:
            raise SourceUnavailable(f"{self._what}: it is not open; open it before reading")
        if not is_done(job, min(timeout_s, self._pending_s.left_s)):
            if self._pending_s.left_s > 0:
                raise SourceTimeout(f"{self._what}: no record within {timeout_s:g} s")
            raise SourceLost(
                f"{self._what}: it hangs in the middle of a record; it is connected anew"
            )
        self._pending = None
        block = job.result()
        self._ask_for_next(live)
        return block

    def fetch_deep(self) -> Block:
        """Return one record at the full rate of the scope's memory.

        Returns
        -------
        Block
            Plain samples, not min/max pairs; ``gap_before`` stands.

        Raises
        ------
        SourceError
            When the family has no way to its memory, or as :meth:`read`.
        """
        live = self._live
        if live is None:
            raise SourceUnavailable(f"{self._what}: it is not open; open it before reading")
        job = live.owner.submit(lambda: self._deep(live))
        if not is_done(job, _DEEP_S + _GRACE_S):
            raise SourceLost(f"{self._what}: it hangs while its memory is read")
        return job.result()

    def close(self) -> None:
        """Put the front panel back and let go; from any thread, within two seconds."""
        with self._lock:
            live, self._live = self._live, None
            self._pending = None
        if live is None:
            return
        live.cancelled.set()
        leaving = live.owner.submit(lambda: _leave(live))
        if not is_done(leaving, _LEAVE_S) and live.link is not None:
            live.link.abort()
        live.owner.leave(_END_S)

    # What follows runs on the session's thread.

    def _begin(self, live: _Live) -> SourceInfo:
        deadline = Deadline(_OPEN_S, live.cancelled)
        live.link = self._opener(self._options, self._what, deadline)
        live.session = session = ScopeSession(live.link, self._options, self._memory)
        session.begin(self._scale_v, deadline, self._device)
        if session.identity is not None:
            self._instrument, self._device = session.identity.whole, session.identity.device
        first = session.sweep(Deadline(session.longest_s, live.cancelled))
        self._scale_v = session.setup.signal_scale_v()
        self._settings = session.setup.told()
        info = _describe(self._name, session, first)
        self.identity = _identity(session, info)
        if self.identity is None:
            return info
        proof, told = proof_for(self.identity, date.today())
        return replace(info, proof=proof, notes=(*info.notes, *told))

    def _ask_for_next(self, live: _Live) -> None:
        session = live.session
        if session is None:
            raise RuntimeError("a record was asked for before the session began")
        job = live.owner.submit(lambda: self._next(live, session))
        seconds = session.longest_s + _GRACE_S
        with self._lock:
            if self._live is live:
                self._pending, self._pending_s = job, Deadline(seconds)

    def _next(self, live: _Live, session: ScopeSession) -> Block:
        sweep = session.sweep(Deadline(session.longest_s, live.cancelled))
        self._scale_v = session.setup.signal_scale_v()
        self._settings = session.setup.told()
        return self._block(live, sweep)

    def _deep(self, live: _Live) -> Block:
        if live.session is None:
            raise SourceUnavailable(f"{self._what}: it is not open; open it before reading")
        return self._block(live, live.session.deep(Deadline(_DEEP_S, live.cancelled)))

    def _block(self, live: _Live, sweep: Sweep) -> Block:
        samples_v = frames(sweep.columns, sweep.skip)
        first = live.frames
        live.frames += len(samples_v)
        signal = sweep.columns[0]
        return Block(
            samples_v=samples_v,
            sample_rate_hz=_rate_hz(sweep),
            first_index=first,
            t0_s=sweep.end_s - len(signal.low_v[sweep.skip :]) * sweep.bin_s,
            gap_before=True,
            clipped=signal.clipped,
            min_max=signal.paired,
            at_index=sweep.at_index,
        )


def _rate_hz(sweep: Sweep) -> float:
    return (2 if sweep.columns[0].paired else 1) / sweep.bin_s


def _describe(name: str, session: ScopeSession, first: Sweep) -> SourceInfo:
    rate_hz = _rate_hz(first)
    identity, options = session.identity, session.options
    return SourceInfo(
        name=name,
        roles=options.columns.delivered,
        roles_from=options.roles_from,
        sample_rate_hz=rate_hz,
        bandwidth_hz=_PEAK_DETECT_HZ if first.columns[0].paired else 0.45 * rate_hz,
        low_corner_hz=None if options.coupling == "ac" else 0.0,
        continuous=False,
        live=True,
        virtual=identity is not None and identity.virtual,
        inputs=len(options.columns.signals),
        notes=session.notes,
    )


def _identity(session: ScopeSession, info: SourceInfo) -> InputIdentity | None:
    """Return what a check of a scope, as it is set, would hold for."""
    if session.identity is None:
        return None
    # With the drive's motor off there is no index.
    columns = ",".join(role for role in info.roles if role is not Role.INDEX)
    settings = session.setup.of_volts
    device, rate_hz = session.identity.device, round(info.sample_rate_hz)
    return InputIdentity(device, rate_hz, f"{columns} of {info.inputs}", 0.0, settings)


def _leave(live: _Live) -> None:
    if live.session is not None:
        live.session.leave(Deadline(_RESTORE_S))
    elif live.link is not None:
        live.link.close()
