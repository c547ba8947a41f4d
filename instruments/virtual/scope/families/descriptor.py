"""Binary waveform descriptors: fields at fixed offsets."""

from __future__ import annotations

import struct
from collections.abc import Mapping

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
