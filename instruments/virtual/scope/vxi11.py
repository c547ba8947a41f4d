"""VXI-11: the core channel over ONC RPC (RFC 5531, XDR after RFC 4506), without a portmapper."""

from __future__ import annotations

import itertools
import struct

from instruments.virtual.scope.scope import Mailbox, VirtualScope
from instruments.virtual.scope.wire import Wire, WireClosed

_CORE, _VERSION = 0x0607AF, 1
_MOST_BYTES = 65536
_LONGEST_RECORD = 1 << 20
_LAST_FRAGMENT = 0x80000000
_END, _TERM_CHAR = 8, 128
"""Operation flags."""
_BY_COUNT, _BY_CHAR, _BY_END = 1, 2, 4
"""Reasons for the end of a read."""
_OK, _NO_LINK, _NOT_SUPPORTED, _TIMEOUT = 0, 4, 8, 15
_SUCCESS, _NO_PROGRAM, _NO_VERSION, _NO_PROCEDURE, _BAD_ARGUMENTS = range(5)
"""States of an accepted call."""
_LONGEST_WAIT_S = 600.0


_Boxes = dict[int, Mailbox]
"""The links of a connection, by their numbers."""


class _Xdr:
    """Reads arguments."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def number(self) -> int:
        """Return an unsigned 32-bit number."""
        (value,) = struct.unpack_from(">I", self._data, self._at)
        self._at += 4
        return value

    def opaque(self) -> bytes:
        """Return bytes that stand behind their count."""
        size = self.number()
        data = self._data[self._at : self._at + size]
        if len(data) < size:
            raise struct.error
        self._at += size + -size % 4
        return data


def _opaque(data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + data + bytes(-len(data) % 4)


class Vxi11Transport:
    """Serves core channels.

    Parameters
    ----------
    scope : VirtualScope
        Who answers.
    """

    def __init__(self, scope: VirtualScope) -> None:
        self._scope = scope
        self._numbers = itertools.count(1)
        self._procedures = {
            10: self._create_link,
            11: self._write,
            12: self._read,
            13: self._status,
            15: self._clear,
            23: self._destroy_link,
        }
        # Trigger, remote, local, lock and unlock have nothing to do here.
        self._procedures |= dict.fromkeys((14, 16, 17, 18, 19), self._agree)
        self._procedures |= dict.fromkeys((20, 22, 25, 26), self._decline)

    def address(self, host: str, port: int) -> str:
        """Return the address that a VISA opens."""
        return f"TCPIP::{host},{port}::inst0::INSTR"

    def serve(self, wire: Wire) -> None:
        """Serve a connection until it ends."""
        boxes: _Boxes = {}
        try:
            while True:
                reply = self._answer(_record(wire), boxes, wire)
                wire.send(struct.pack(">I", _LAST_FRAGMENT | len(reply)) + reply)
        finally:
            for box in boxes.values():
                box.close()

    def _answer(self, record: bytes, boxes: _Boxes, wire: Wire) -> bytes:
        xdr = _Xdr(record)
        try:
            call, kind, _, program, version, procedure = (xdr.number() for _ in range(6))
            for _ in ("credentials", "verifier"):
                xdr.number()
                xdr.opaque()
        except struct.error:
            raise WireClosed from None
        if kind != 0:
            raise WireClosed
        state, result = _SUCCESS, b""
        if program != _CORE:
            state = _NO_PROGRAM
        elif version != _VERSION:
            state, result = _NO_VERSION, struct.pack(">II", _VERSION, _VERSION)
        elif procedure == 0:
            pass
        elif procedure not in self._procedures:
            state = _NO_PROCEDURE
        else:
            try:
                result = self._procedures[procedure](xdr, boxes, wire)
            except struct.error:
                state = _BAD_ARGUMENTS
        return struct.pack(">IIIIII", call, 1, 0, 0, 0, state) + result

    def _create_link(self, xdr: _Xdr, boxes: _Boxes, wire: Wire) -> bytes:
        for _ in ("client", "lock", "time for the lock"):
            xdr.number()
        xdr.opaque()
        number = next(self._numbers)
        boxes[number] = Mailbox(self._scope)
        return struct.pack(">IIII", _OK, number, 0, _MOST_BYTES)

    def _write(self, xdr: _Xdr, boxes: _Boxes, wire: Wire) -> bytes:
        box = boxes.get(xdr.number())
        for _ in ("time for the write", "time for the lock"):
            xdr.number()
        flags, data = xdr.number(), xdr.opaque()
        if box is None:
            return struct.pack(">II", _NO_LINK, 0)
        box.write(data, end=bool(flags & _END))
        return struct.pack(">II", _OK, len(data))

    def _read(self, xdr: _Xdr, boxes: _Boxes, wire: Wire) -> bytes:
        box = boxes.get(xdr.number())
        limit, time_ms, _, flags, term_char = (xdr.number() for _ in range(5))
        if box is None:
            return struct.pack(">II", _NO_LINK, 0) + _opaque(b"")
        got = box.fetch(max(limit, 1), min(time_ms * 1e-3, _LONGEST_WAIT_S))
        if got.broken is not None:
            wire.cut(got.broken)
        if not got.data and not got.end:
            return struct.pack(">II", _TIMEOUT, 0) + _opaque(b"")
        reason = _BY_END if got.end else 0
        reason |= _BY_COUNT if len(got.data) >= limit else 0
        if flags & _TERM_CHAR and got.data.endswith(bytes([term_char & 0xFF])):
            reason |= _BY_CHAR
        return struct.pack(">II", _OK, reason) + _opaque(got.data)

    def _status(self, xdr: _Xdr, boxes: _Boxes, wire: Wire) -> bytes:
        box = boxes.get(xdr.number())
        if box is None:
            return struct.pack(">II", _NO_LINK, 0)
        return struct.pack(">II", _OK, 16 if box.waiting() else 0)

    def _clear(self, xdr: _Xdr, boxes: _Boxes, wire: Wire) -> bytes:
        box = boxes.get(xdr.number())
        if box is None:
            return struct.pack(">I", _NO_LINK)
        box.clear()
        return struct.pack(">I", _OK)

    def _destroy_link(self, xdr: _Xdr, boxes: _Boxes, wire: Wire) -> bytes:
        box = boxes.pop(xdr.number(), None)
        if box is None:
            return struct.pack(">I", _NO_LINK)
        box.close()
        return struct.pack(">I", _OK)

    def _agree(self, xdr: _Xdr, boxes: _Boxes, wire: Wire) -> bytes:
        return struct.pack(">I", _OK if xdr.number() in boxes else _NO_LINK)

    def _decline(self, xdr: _Xdr, boxes: _Boxes, wire: Wire) -> bytes:
        return struct.pack(">I", _NOT_SUPPORTED)


def _record(wire: Wire) -> bytes:
    """Return the next record: fragments, each behind its size, the last one marked."""
    record = bytearray()
    while True:
        (head,) = struct.unpack(">I", wire.receive_exact(4))
        size = head & ~_LAST_FRAGMENT
        if len(record) + size > _LONGEST_RECORD:
            raise WireClosed
        record += wire.receive_exact(size)
        if head & _LAST_FRAGMENT:
            return bytes(record)
