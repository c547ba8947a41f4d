"""Speaking with a scope: what every link can do, and the two kinds of links.

A *stream* (raw TCP, serial) has no messages: an answer ends where its newline or its length field
says. A *message* link (USB, VXI-11, HiSLIP) delivers an answer whole or not at all.

Only one thread may use a link, but for :meth:`Link.abort`.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from instruments.scope.blocks import (
    SLACK,
    BlockError,
    believed_length,
    find_header,
    parse_block,
)
from instruments.scope.faults import Deadline, Garbled, Late

Bytes = bytes | bytearray | memoryview

_NEWLINES = b"\r\n"
_MOST_TEXT = 8192
_QUIET_S = 0.05
_QUIET_MOST_S = 0.5


class Link(Protocol):
    """A connection to one scope. Every method but ``abort`` and ``close`` raises a SourceError.

    Attributes
    ----------
    what : str
        The scope, as messages begin.
    terminator : str
        What ends a command.
    """

    what: str
    terminator: str

    def send(self, command: str, deadline: Deadline) -> None:
        """Send a command that is not answered."""
        ...

    def ask(self, query: str, deadline: Deadline) -> str:
        """Send a query and return its answer as text, without its newline."""
        ...

    def ask_block(self, query: str, expected: int | None, most: int, deadline: Deadline) -> Bytes:
        """Send a query and return the data of the block that it answers with.

        They are good until the next call.

        Parameters
        ----------
        query : str
            What to send.
        expected : int or None
            Bytes of data that must come, where known.
        most : int
            Bytes of data that may come at most.
        deadline : Deadline
            For the whole of it.
        """
        ...

    def resync(self) -> None:
        """Forget what is left of an answer, so that the next is read from its beginning."""
        ...

    def abort(self) -> None:
        """End a call under way, where the link can; from any thread."""
        ...

    def close(self) -> None:
        """Let go of the connection; never raises."""
        ...


def text_of(what: str, query: str, answer: Bytes) -> str:
    """Return a text answer without newlines.

    Raises
    ------
    Garbled
        When it is not printable ASCII, or empty.
    """
    try:
        text = bytes(answer).strip(_NEWLINES + b" ").decode("ascii")
    except UnicodeDecodeError:
        text = ""
    if not text or not text.isprintable():
        raise garbled(what, query, f"{bytes(answer[:40])!r} where text should stand")
    return text


def garbled(what: str, query: str, how: str) -> Garbled:
    """Return the error for an answer that cannot be meant."""
    return Garbled(
        f"{what}: the answer to {query} cannot be read ({how}); "
        "if it lasts, switch the scope off and on"
    )


@contextmanager
def naming(what: str, query: str, deadline: Deadline) -> Iterator[None]:
    """Say which query was not answered."""
    try:
        yield
    except Late:
        raise Late(
            f"{what}: no answer to {query} within {deadline.seconds:.3g} s; check that the scope "
            "is on and not busy, and see with check-scope which family of commands fits"
        ) from None


class StreamLink(Link):
    """A link without messages; whoever derives from it moves the bytes."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.terminator = "\n"
        self._buffer = bytearray()
        # Blocks are received into the same bytes again: fresh pages cost as much as the copying.
        self._room = bytearray()

    @abstractmethod
    def _write(self, data: bytes, deadline: Deadline) -> None:
        """Send all of `data`."""

    @abstractmethod
    def _receive(self, least: int, deadline: Deadline) -> Bytes:
        """Return one byte or more; `least` are still to come for certain."""

    @abstractmethod
    def _fill(self, view: memoryview, deadline: Deadline) -> None:
        """Receive all of `view`, and not a byte more."""

    @abstractmethod
    def _waiting(self) -> Bytes:
        """Return what has come already, without waiting."""

    def send(self, command: str, deadline: Deadline) -> None:
        """Send a command that is not answered."""
        deadline.check(self.what)
        self._write((command + self.terminator).encode("ascii"), deadline)

    def ask(self, query: str, deadline: Deadline) -> str:
        """Send a query and return its answer as text."""
        with naming(self.what, query, deadline):
            return self._ask(query, deadline)

    def _ask(self, query: str, deadline: Deadline) -> str:
        self._expect_nothing(query)
        self.send(query, deadline)
        buffer = self._buffer
        while True:
            self._skip_newlines()
            end = buffer.find(b"\n")
            if end >= 0:
                break
            if len(buffer) > _MOST_TEXT:
                raise garbled(self.what, query, f"{_MOST_TEXT} bytes without a newline")
            buffer += self._receive(1, deadline)
        answer = bytes(buffer[:end])
        del buffer[: end + 1]
        return text_of(self.what, query, answer)

    def ask_block(self, query: str, expected: int | None, most: int, deadline: Deadline) -> Bytes:
        """Send a query and return the data of the block that it answers with."""
        with naming(self.what, query, deadline):
            return self._ask_block(query, expected, most, deadline)

    def _ask_block(self, query: str, expected: int | None, most: int, deadline: Deadline) -> Bytes:
        self._expect_nothing(query)
        self.send(query, deadline)
        buffer = self._buffer
        try:
            while (header := find_header(buffer)) is None:
                buffer += self._receive(1, deadline)
            length = believed_length(header.length, expected)
            if length > most:
                raise BlockError(f"it promises {length} bytes of data; no record has so many")
        except BlockError as fault:
            raise garbled(self.what, query, str(fault)) from None
        if len(self._room) < length:
            self._room = bytearray(length)
        view = memoryview(self._room)[:length]
        here = min(length, len(buffer) - header.start)
        view[:here] = buffer[header.start : header.start + here]
        del buffer[: header.start + here]
        if here < length:
            self._fill(view[here:], deadline)
        return view

    def resync(self) -> None:
        """Read until nothing more comes."""
        whole = Deadline(_QUIET_MOST_S)
        self._buffer.clear()
        while whole.left_s > 0:
            whole.pause(_QUIET_S)
            if not self._waiting():
                return
        raise Garbled(f"{self.what}: it does not stop sending; switch the scope off and on")

    def _expect_nothing(self, query: str) -> None:
        self._buffer += self._waiting()
        self._skip_newlines()
        if self._buffer:
            raise garbled(self.what, query, f"{len(self._buffer)} bytes came before it was asked")

    def _skip_newlines(self) -> None:
        if self._buffer[:1] in (b"\r", b"\n"):
            self._buffer[:] = self._buffer.lstrip(_NEWLINES)


class MessageLink(Link):
    """A link that delivers whole messages; whoever derives from it moves them."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.terminator = "\n"

    @abstractmethod
    def _write(self, data: bytes, deadline: Deadline) -> None:
        """Send one message."""

    @abstractmethod
    def _read(self, size: int, deadline: Deadline) -> Bytes:
        """Return one message, which is shorter than `size`."""

    def send(self, command: str, deadline: Deadline) -> None:
        """Send a command that is not answered."""
        deadline.check(self.what)
        self._write((command + self.terminator).encode("ascii"), deadline)

    def ask(self, query: str, deadline: Deadline) -> str:
        """Send a query and return its answer as text."""
        with naming(self.what, query, deadline):
            self.send(query, deadline)
            return text_of(self.what, query, self._read(_MOST_TEXT, deadline))

    def ask_block(self, query: str, expected: int | None, most: int, deadline: Deadline) -> Bytes:
        """Send a query and return the data of the block that it answers with."""
        with naming(self.what, query, deadline):
            self.send(query, deadline)
            # One read of more than will come: reading on past the end of a message hangs.
            message = self._read((most if expected is None else expected) + SLACK, deadline)
        try:
            return parse_block(bytes(message), expected)
        except BlockError as fault:
            raise garbled(self.what, query, str(fault)) from None

    def resync(self) -> None:
        """Nothing is left of a message that was read whole."""
