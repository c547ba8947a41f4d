"""Blocks of binary data in an answer, IEEE 488.2 clause 8.7.9: ``#``, digits, length, data.

Pure: bytes in, bytes or :class:`BlockError` out. The quirks that are let pass harm no sample:
text before the ``#``, a newline too many or none at the end, and a length field that counts
words where bytes were meant.
"""

from __future__ import annotations

from dataclasses import dataclass

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
