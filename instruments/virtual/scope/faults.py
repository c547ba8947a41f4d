"""Faults on request: what goes wrong with a reply, and where in it.

A reply is played as steps. The servers send what a step sends, and do to the link what it says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from instruments.virtual.scope.scpi import Buffer

DRIP_PIECES, DRIP_PAUSE_S = 100, 0.1
"""A slow reply comes in as many pieces, with a pause before each."""
_PLACES = {"start": 0.0, "middle": 0.5, "end": 1.0}
_JUNK = b"\x00\x07junk\n"


class Fault(StrEnum):
    """What can go wrong."""

    TRUNCATED = "truncated"
    """A block holds fewer bytes than its header says; the reply is ended as usual."""
    WRONG_LENGTH = "wrong-length"
    """The header's length is wrong: start: a tenth, middle: half, end: seven bytes too many."""
    NO_NEWLINE = "no-newline"
    TWO_NEWLINES = "two-newlines"
    JUNK_BEFORE = "junk-before"
    """Bytes that are no part of the block, a newline among them, stand ahead of it."""
    JUNK_AFTER = "junk-after"
    STALL = "stall"
    """Nothing more comes, and the link stays."""
    CLOSE = "close"
    """The instrument closes the link."""
    RESET = "reset"
    """The link breaks, as when power is lost."""
    DRIP = "drip"
    """The rest comes in small pieces over some ten seconds."""
    ERRORS = "errors"
    """The error queue is full and has overflowed; the reply is good."""
    REFUSE = "refuse"
    """Settings are refused (−221) and stay as they were; replies are good."""
    GARBAGE = "garbage"
    """Chance bytes in place of the block."""
    GARBAGE_TEXT = "garbage-text"
    """Chance characters in place of the answer to a query that is not a block."""
    CLOSE_AT_CONNECT = "close-at-connect"
    """The link is closed as soon as it is made."""


ON_BLOCKS = frozenset(Fault) - {
    Fault.ERRORS,
    Fault.REFUSE,
    Fault.GARBAGE_TEXT,
    Fault.CLOSE_AT_CONNECT,
}
"""Faults of replies that hold a block."""


@dataclass(frozen=True, slots=True)
class Send:
    """Send some bytes."""

    data: Buffer


@dataclass(frozen=True, slots=True)
class Pause:
    """Send nothing for a time."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Break:
    """End the sending: stall, close or reset; so many promised bytes are never sent."""

    fault: Fault
    withheld: int


Step = Send | Pause | Break


@dataclass(slots=True)
class Request:
    """A fault that was asked for."""

    fault: Fault
    at: str
    count: int


def check_place(at: str) -> None:
    """Refuse a place that there is not.

    Raises
    ------
    ValueError
        When it is not start, middle or end.
    """
    if at not in _PLACES:
        raise ValueError(f"a fault at “{at}”: write start, middle or end")


def sound(parts: Sequence[Buffer]) -> list[Step]:
    """Return the steps of a reply without a fault."""
    return [Send(part) for part in parts]


def faulty(parts: Sequence[Buffer], request: Request, rng: np.random.Generator) -> list[Step]:
    """Return the steps of a reply of a block, with a fault."""
    whole = b"".join(bytes(part) for part in parts)
    fault, place = request.fault, _PLACES[request.at]
    data_from = _data_from(whole)
    ending = _ending(whole)
    data_to = len(whole) - len(ending)
    # The end is within the block: its last byte is wanting.
    cut = min(data_from + int(place * (data_to - data_from)), data_to - 1)
    if fault in (Fault.STALL, Fault.CLOSE, Fault.RESET):
        cut = 0 if request.at == "start" else cut
        return [Send(whole[:cut]), Break(fault, len(whole) - cut)]
    if fault is Fault.DRIP:
        return [Send(whole[:cut]), *_dripped(whole[cut:])]
    if fault is Fault.GARBAGE:
        return [Send(rng.bytes(max(cut, 16)))]
    altered = {
        Fault.TRUNCATED: lambda: whole[:cut] + ending,
        Fault.WRONG_LENGTH: lambda: _mislabelled(whole, data_from, data_to, request.at),
        Fault.NO_NEWLINE: lambda: whole[:data_to],
        Fault.TWO_NEWLINES: lambda: whole[:data_to] + b"\n\n",
        Fault.JUNK_BEFORE: lambda: _JUNK + whole,
        Fault.JUNK_AFTER: lambda: whole[:data_to] + _JUNK + ending,
    }[fault]
    return [Send(altered())]


def _dripped(rest: bytes) -> list[Step]:
    size = max(-(-len(rest) // DRIP_PIECES), 1)
    steps: list[Step] = []
    for begin in range(0, len(rest), size):
        steps += [Pause(DRIP_PAUSE_S), Send(rest[begin : begin + size])]
    return steps


def _data_from(whole: bytes) -> int:
    """Return where the bytes of the (last) block begin."""
    mark = whole.find(b"#")
    return mark + 2 + int(whole[mark + 1 : mark + 2])


def _ending(whole: bytes) -> bytes:
    mark = whole.find(b"#")
    digits = int(whole[mark + 1 : mark + 2])
    size = int(whole[mark + 2 : mark + 2 + digits])
    return whole[mark + 2 + digits + size :]


def _mislabelled(whole: bytes, data_from: int, data_to: int, at: str) -> bytes:
    size = data_to - data_from
    mark = whole.find(b"#")
    digits = int(whole[mark + 1 : mark + 2])
    wrong = {"start": size // 10, "middle": size // 2, "end": size + 7}[at]
    label = str(wrong).zfill(digits)
    return whole[:mark] + f"#{len(label)}{label}".encode() + whole[data_from:]
