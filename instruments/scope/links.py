"""Links to a scope: what every link can do, IEEE 488.2 blocks, and raw TCP.

A *stream* (raw TCP, serial) has no messages: an answer ends where its newline or its length field
says. A *message* link (USB, VXI-11, HiSLIP) delivers an answer whole or not at all. Raw TCP goes
over a plain socket, which needs no VISA and notices a closed peer at once.

Binary blocks follow IEEE 488.2 clause 8.7.9 (``#``, digits, length, data). Deviations that harm no
sample are accepted: text before the ``#``, a newline too many or none at the end, and a length
field that counts words instead of bytes.

Whatever a library raises on a link leaves :func:`boundary` as a ``SourceError``; two kinds matter
to the caller::

    SourceLost
    +-- Late        no answer in time; one that comes later would be taken for another answer
    +-- Garbled     an answer that makes no sense; the record is dropped and taken again

Only one thread may use a link, except for :meth:`Link.abort`.
"""

from __future__ import annotations

import contextlib
import queue
import select
import socket
import threading
import time
from abc import abstractmethod
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from threading import Event
from typing import Any, Protocol, TypeVar

from instruments.source import SourceError, SourceLost, SourceUnavailable

UDEV_RULES = (
    'SUBSYSTEM=="usb", ENV{DEVTYPE}=="usb_device", ENV{ID_USB_INTERFACES}=="*:fe03??:*", '
    'TAG+="uaccess"',
    'SUBSYSTEM=="usbmisc", KERNEL=="usbtmc*", TAG+="uaccess"',
)
"""What lets the person at the console use USB instruments; for a file numbered 60 to 72."""

_PERMISSION = (
    "this user may not open the USB device; put these two lines into "
    "/etc/udev/rules.d/65-usbtmc.rules, then plug the scope in again: " + " and ".join(UDEV_RULES)
)


class Late(SourceLost):
    """The scope did not answer within the time allowed."""


class Garbled(SourceLost):
    """The scope answered what cannot be meant."""


class Cancelled(SourceLost):
    """The source was closed while the scope was spoken to."""


class Deadline:
    """A moment after which nobody waits any more.

    Parameters
    ----------
    seconds : float
        From now.
    cancelled : threading.Event, optional
        Ends the waiting at once when set.
    """

    def __init__(self, seconds: float, cancelled: Event | None = None) -> None:
        self.seconds = seconds
        self._end_s = time.monotonic() + seconds
        self._cancelled = cancelled

    @property
    def left_s(self) -> float:
        """Seconds left, never below 0."""
        return max(0.0, self._end_s - time.monotonic())

    def check(self, what: str) -> float:
        """Return the seconds left.

        Raises
        ------
        Late
            When there are none.
        Cancelled
            When the source was closed.
        """
        if self._cancelled is not None and self._cancelled.is_set():
            raise Cancelled(f"{what}: it was closed while it was being read; open it again")
        return self.check_time(what)

    def check_time(self, what: str) -> float:
        """Return the seconds left, also of a source that was closed: an answer is read whole.

        Raises
        ------
        Late
            When there are none.
        """
        left_s = self.left_s
        if left_s <= 0:
            raise Late(
                f"{what}: no answer within {self.seconds:.3g} s; check that the scope is on "
                "and not busy in a menu"
            )
        return left_s

    def within(self, seconds: float) -> Deadline:
        """Return a deadline no later than this one."""
        return Deadline(min(seconds, self.left_s), self._cancelled)

    def pause(self, seconds: float) -> None:
        """Sleep, but no longer than to the end or until the source is closed."""
        seconds = min(seconds, self.left_s)
        if self._cancelled is None:
            time.sleep(seconds)
        else:
            self._cancelled.wait(seconds)


@contextmanager
def boundary(what: str) -> Iterator[None]:
    """Turn whatever a library raises into the tree of errors.

    Only calls of a library belong inside: a fault of our own would look like one of the scope.

    Parameters
    ----------
    what : str
        The scope, as messages begin.
    """
    try:
        yield
    except SourceError:
        raise
    except TimeoutError:
        raise Late(f"{what}: no answer in time; check that the scope is on and not busy") from None
    except Exception as fault:
        raise _translated(what, fault) from fault


def _translated(what: str, fault: Exception) -> SourceError:
    status = getattr(fault, "error_code", None)
    name = getattr(status, "name", "")
    words = f"{type(fault).__name__}: {fault}".splitlines()[0]
    if name == "error_timeout":
        return Late(f"{what}: no answer in time; check that the scope is on and not busy")
    if _about_permission(fault, name):
        return SourceUnavailable(f"{what}: {_PERMISSION}")
    if name in ("error_resource_not_found", "error_invalid_resource_name"):
        return SourceUnavailable(
            f"{what}: there is no such instrument; check the address, the cable and the power"
        )
    if "No backend available" in words or "libusb" in words:
        return SourceUnavailable(
            f"{what}: the USB library libusb is missing; install the package libusb-package, "
            "or reach the scope over its network port"
        )
    return SourceLost(f"{what}: the connection broke ({words}); check cable and power")


def _about_permission(fault: Exception, status: str) -> bool:
    words = str(fault).lower()
    number = getattr(fault, "errno", None)
    return (
        isinstance(fault, PermissionError)
        or number in (1, 13)
        or status in ("error_no_permission", "error_access_denied")
        or "access denied" in words
        or "insufficient permissions" in words
        or "permission denied" in words
    )


MOST_JUNK = 64
"""Bytes that may stand before the ``#``: a header of the query, an echo, left-over newlines."""
SLACK = MOST_JUNK + 16
"""Bytes that a message may have beyond its data."""
_ENDS = b"\r\n"


class BlockError(ValueError):
    """The bytes are no definite block; the message says where they go wrong."""


@dataclass(frozen=True, slots=True)
class Header:
    """Where the data of a block lie.

    Attributes
    ----------
    start : int
        Place of the first byte of data.
    length : int
        Bytes of data by the header's word.
    """

    start: int
    length: int


def find_header(begun: bytes | bytearray) -> Header | None:
    """Return the header of a block that has begun, None while more bytes are needed.

    Raises
    ------
    BlockError
        When no bytes that may follow make it a definite block.
    """
    at = begun.find(b"#", 0, MOST_JUNK + 1)
    if at < 0:
        if len(begun) > MOST_JUNK:
            raise BlockError(f"no # within {MOST_JUNK} bytes")
        return None
    if len(begun) < at + 2:
        return None
    digits = begun[at + 1] - ord("0")
    if not 0 <= digits <= 9:
        raise BlockError(f"{bytes(begun[at : at + 2])!r} where # and a digit should stand")
    if digits == 0:
        raise BlockError("its length is indefinite (#0)")
    start = at + 2 + digits
    field = bytes(begun[at + 2 : start])
    if not field.isdigit() and field:
        raise BlockError(f"its length reads {field!r}")
    return Header(start, int(field)) if len(field) == digits else None


def parse_block(message: bytes | bytearray, expected: int | None = None) -> bytes:
    """Return the data of the one block in a whole message.

    Parameters
    ----------
    message : bytes or bytearray
        All of the answer.
    expected : int, optional
        Bytes of data that must be there. A header that says half of it is believed to count
        words of two bytes, provided that the data are there.

    Raises
    ------
    BlockError
        When the message is anything else than such a block.
    """
    header = find_header(message)
    if header is None:
        raise BlockError(f"it ends within its header: {bytes(message[:MOST_JUNK])!r}")
    length = believed_length(header.length, expected)
    end = header.start + length
    if len(message) < end:
        raise BlockError(f"it is cut short: {len(message) - header.start} of {length} bytes came")
    after = bytes(message[end : end + SLACK])
    if after.strip(_ENDS):
        raise BlockError(f"{len(message) - end} bytes follow its {length} bytes of data")
    return bytes(message[header.start : end])


def believed_length(told: int, expected: int | None) -> int:
    """Return how many bytes of data a block has, from what its header tells.

    Raises
    ------
    BlockError
        When that is neither `expected` nor half of it.
    """
    if expected is None or told == expected:
        return told
    if told * 2 == expected:
        return expected
    raise BlockError(f"it has {told} bytes of data and not {expected}")


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
    pause_s : float
        Time that the scope needs after a command.
    """

    what: str
    terminator: str
    pause_s: float

    def send(self, command: str, deadline: Deadline) -> None:
        """Send a command that is not answered."""

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

    def transfer_s(self, size: int) -> float:
        """Return the seconds that so many bytes need at least; 0 where the line sets no bound."""
        return 0.0

    def resync(self) -> None:
        """Forget what is left of an answer, so that the next is read from its beginning."""

    def abort(self) -> None:
        """End a call under way, where the link can; from any thread."""

    def close(self) -> None:
        """Let go of the connection; never raises."""


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
        self.pause_s = 0.0
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
        if self.pause_s:
            deadline.pause(self.pause_s)

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
        """Read until nothing more comes, the rest of a long block as fast as it does."""
        whole = Deadline(_QUIET_MOST_S)
        self._buffer.clear()
        while whole.left_s > 0:
            if self._waiting():
                continue
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
        self.pause_s = 0.0

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
        if self.pause_s:
            deadline.pause(self.pause_s)

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


_CHUNK = 4096  # answers in text are short, and of a block only the header is read so
_LOOK_S = 0.1  # so often a waiting link sees whether its source was closed
_Received = TypeVar("_Received", bytes, int)


def reach(host: str, port: int, what: str, deadline: Deadline) -> socket.socket:
    """Return a socket connected to a port.

    Raises
    ------
    SourceUnavailable
        When nobody answers there.
    """
    deadline.check(what)
    places = _resolved(host, port, deadline)
    if not places:
        raise SourceUnavailable(
            f"{what}: the name “{host}” is not known on this network; check its spelling, or give "
            "the address in numbers, which the scope's menu shows"
        )
    reason = ""
    for place, (kind, numbers) in enumerate(places):
        made = socket.socket(kind, socket.SOCK_STREAM)
        try:
            made.settimeout(max(_LOOK_S, deadline.left_s / (len(places) - place)))
            made.connect(numbers)
        except OSError as fault:
            made.close()
            reason = fault.strerror or str(fault) or "no answer"
        else:
            return made
    raise SourceUnavailable(
        f"{what}: nothing answers at {host} port {port} ({reason}); check the address, "
        "the cable and that remote control is on in the scope's menu"
    )


def _resolved(host: str, port: int, deadline: Deadline) -> list[tuple[int, Any]]:
    """Return the kinds and addresses behind a name, none where it is not known in time.

    Asking for them cannot be broken off: where it takes longer it is left to itself.
    """
    answers: queue.SimpleQueue[list[tuple[int, Any]]] = queue.SimpleQueue()

    def ask() -> None:
        found = []
        with contextlib.suppress(OSError, UnicodeError):  # a part of it is empty or overlong
            found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        answers.put([(kind, numbers) for kind, _, _, _, numbers in found])

    threading.Thread(target=ask, name="scope-name", daemon=True).start()
    try:
        return answers.get(timeout=deadline.left_s)
    except queue.Empty:
        return []


class SocketLink(StreamLink):
    """A scope behind a TCP port.

    Parameters
    ----------
    host, port : str, int
        Where it listens.
    what : str
        The scope, as messages begin.
    deadline : Deadline
        For connecting.

    Raises
    ------
    SourceUnavailable
        When nobody answers there.
    """

    def __init__(self, host: str, port: int, what: str, deadline: Deadline) -> None:
        super().__init__(what)
        self._socket = reach(host, port, what, deadline)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _write(self, data: bytes, deadline: Deadline) -> None:
        with boundary(self.what):
            self._socket.settimeout(deadline.check(self.what))
            self._socket.sendall(data)

    def _receive(self, least: int, deadline: Deadline) -> Bytes:
        received = b""
        with boundary(self.what):
            self._socket.settimeout(_LOOK_S)
            while not received:
                deadline.check(self.what)
                with contextlib.suppress(TimeoutError):
                    received = self._alive(self._socket.recv(_CHUNK))
        return received

    def _fill(self, view: memoryview, deadline: Deadline) -> None:
        here, length = 0, len(view)
        with boundary(self.what):
            self._socket.settimeout(_LOOK_S)
            while here < length:
                deadline.check(self.what)
                try:
                    here += self._alive(self._socket.recv_into(view[here:]))
                except TimeoutError:
                    continue

    def _waiting(self) -> Bytes:
        with boundary(self.what):
            if not select.select([self._socket], [], [], 0)[0]:
                return b""
            return self._alive(self._socket.recv(_CHUNK))

    def _alive(self, received: _Received) -> _Received:
        if not received:
            raise SourceLost(
                f"{self.what}: the scope closed the connection; check that it is on and that "
                "no other program holds it"
            )
        return received

    def abort(self) -> None:
        """End a call under way; from any thread."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Let go of the connection."""
        self._socket.close()
