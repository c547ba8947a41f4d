"""HiSLIP (IVI-6.1), synchronised mode: two connections a session, messages behind a header.

Replies are sent as they come; an interrupted query's reply is told by its message's number.
"""

from __future__ import annotations

import itertools
import struct
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from instruments.virtual.scope.scope import Break, Send, Step, VirtualScope
from instruments.virtual.scope.wire import Wire, WireClosed

_HEADER = struct.Struct("!2sBBIQ")
_MARK = b"HS"
_LONGEST_MESSAGE = 1 << 20
_VERSION = 0x0100
_VENDOR = int.from_bytes(b"EV", "big")
_MODES = 0
"""Synchronised, not overlapped."""
_BAD_HEADER, _NO_SESSION, _UNKNOWN_TYPE = 1, 3, 1


class HislipMessageType(IntEnum):
    """Types of message, as IVI-6.1 numbers them."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    LOCK = 4
    LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    CLEAR_COMPLETE = 8
    CLEAR_ACKNOWLEDGE = 9
    REMOTE_LOCAL = 10
    REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    MAX_SIZE = 15
    MAX_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_CLEAR = 19
    STATUS = 21
    STATUS_RESPONSE = 22
    ASYNC_CLEAR_ACKNOWLEDGE = 23
    LOCK_INFO = 24
    LOCK_INFO_RESPONSE = 25


@dataclass(slots=True)
class _Session:
    """One client. The asynchronous link writes all, but that the other one ends a clearing."""

    synchronous: Wire
    asynchronous: Wire | None = None
    largest: int = _LONGEST_MESSAGE
    clearing: bool = False
    """Whether what comes over the synchronous link is to be thrown away."""


@dataclass(frozen=True, slots=True)
class _Message:
    kind: int
    control: int
    parameter: int
    payload: bytes


class HislipTransport:
    """Serves both kinds of connection.

    Parameters
    ----------
    scope : VirtualScope
        Who answers.
    """

    def __init__(self, scope: VirtualScope) -> None:
        self._scope = scope
        self._numbers = itertools.count(1)
        self._sessions: dict[int, _Session] = {}
        self._lock = threading.Lock()

    def address(self, host: str, port: int) -> str:
        """Return the address that a VISA opens."""
        return f"TCPIP::{host}::hislip0,{port}::INSTR"

    def serve(self, wire: Wire) -> None:
        """Serve a connection until it ends."""
        first = _receive(wire)
        if first.kind == HislipMessageType.INITIALIZE:
            self._serve_synchronous(wire)
        elif first.kind == HislipMessageType.ASYNC_INITIALIZE:
            self._serve_asynchronous(wire, first.parameter)
        else:
            _send(wire, HislipMessageType.FATAL_ERROR, _NO_SESSION)

    def _serve_synchronous(self, wire: Wire) -> None:
        session = _Session(wire)
        with self._lock:
            number = next(self._numbers) & 0xFFFF
            self._sessions[number] = session
        try:
            _send(wire, HislipMessageType.INITIALIZE_RESPONSE, _MODES, _VERSION << 16 | number)
            self._converse(session)
        finally:
            with self._lock:
                del self._sessions[number]
            if session.asynchronous is not None:
                session.asynchronous.close()

    def _converse(self, session: _Session) -> None:
        wire, coming = session.synchronous, bytearray()
        while True:
            message = _receive(wire)
            match message.kind:
                case HislipMessageType.DATA | HislipMessageType.DATA_END:
                    coming += message.payload
                    if len(coming) > _LONGEST_MESSAGE:
                        self._scope.fail(-363)
                        coming.clear()
                    elif message.kind == HislipMessageType.DATA_END:
                        self._carry_out(session, bytes(coming), message.parameter)
                        coming.clear()
                case HislipMessageType.CLEAR_COMPLETE:
                    coming.clear()
                    session.clearing = False
                    _send(wire, HislipMessageType.CLEAR_ACKNOWLEDGE, _MODES)
                case HislipMessageType.TRIGGER:
                    pass
                case _:
                    _send(wire, HislipMessageType.ERROR, _UNKNOWN_TYPE)

    def _carry_out(self, session: _Session, text: bytes, number: int) -> None:
        def cancelled() -> bool:
            return session.clearing or session.synchronous.gone()

        for line in text.splitlines(keepends=True):
            if session.clearing:
                return
            steps = self._scope.deliver(line, cancelled)
            if steps and not session.clearing:
                _reply(session, steps, number)

    def _serve_asynchronous(self, wire: Wire, number: int) -> None:
        with self._lock:
            session = self._sessions.get(number)
        if session is None:
            _send(wire, HislipMessageType.FATAL_ERROR, _NO_SESSION)
            return
        session.asynchronous = wire
        _send(wire, HislipMessageType.ASYNC_INITIALIZE_RESPONSE, 0, _VENDOR)
        try:
            while True:
                self._attend(session, wire, _receive(wire))
        finally:
            session.synchronous.close()

    def _attend(self, session: _Session, wire: Wire, message: _Message) -> None:
        match message.kind:
            case HislipMessageType.MAX_SIZE:
                session.largest = max(int.from_bytes(message.payload, "big"), 256)
                _send(
                    wire,
                    HislipMessageType.MAX_SIZE_RESPONSE,
                    0,
                    0,
                    struct.pack("!Q", _LONGEST_MESSAGE),
                )
            case HislipMessageType.ASYNC_CLEAR:
                session.clearing = True
                _send(wire, HislipMessageType.ASYNC_CLEAR_ACKNOWLEDGE, _MODES)
            case HislipMessageType.STATUS:
                _send(wire, HislipMessageType.STATUS_RESPONSE, 0)
            case HislipMessageType.LOCK:
                _send(wire, HislipMessageType.LOCK_RESPONSE, 1)
            case HislipMessageType.LOCK_INFO:
                _send(wire, HislipMessageType.LOCK_INFO_RESPONSE, 0)
            case HislipMessageType.REMOTE_LOCAL:
                _send(wire, HislipMessageType.REMOTE_LOCAL_RESPONSE, 0)
            case _:
                _send(wire, HislipMessageType.ERROR, _UNKNOWN_TYPE)


def _reply(session: _Session, steps: Sequence[Step], number: int) -> None:
    wire = session.synchronous
    sent = [step.data for step in steps if isinstance(step, Send)]
    total = sum(map(len, sent))
    if len(sent) < len(steps):
        # A fault: the header promises all, and the rest comes as it may.
        total += sum(step.withheld for step in steps if isinstance(step, Break))
        wire.send(_HEADER.pack(_MARK, HislipMessageType.DATA_END, 0, number, total))
        wire.play(steps)
        return
    most = session.largest - _HEADER.size
    if total <= most:
        wire.send(_HEADER.pack(_MARK, HislipMessageType.DATA_END, 0, number, total), *sent)
        return
    whole = memoryview(b"".join(sent))
    for begin in range(0, total, most):
        part = whole[begin : begin + most]
        kind = HislipMessageType.DATA_END if begin + most >= total else HislipMessageType.DATA
        wire.send(_HEADER.pack(_MARK, kind, 0, number, len(part)), part)


def _receive(wire: Wire) -> _Message:
    mark, kind, control, parameter, size = _HEADER.unpack(wire.receive_exact(_HEADER.size))
    if mark != _MARK or size > _LONGEST_MESSAGE:
        _send(wire, HislipMessageType.FATAL_ERROR, _BAD_HEADER)
        raise WireClosed
    return _Message(kind, control, parameter, wire.receive_exact(size))


def _send(wire: Wire, kind: int, control: int, parameter: int = 0, payload: bytes = b"") -> None:
    wire.send(_HEADER.pack(_MARK, kind, control, parameter, len(payload)) + payload)
