"""The header of a WAV, RF64 or BW64 file: where its samples are, and whether all are there.

libsndfile reads a truncated file as if it were whole, so the chunk sizes are compared with the file
before it is handed over. Layout: "Multimedia Programming Interface and Data Specifications 1.0"
(RIFF), EBU Tech 3306 (RF64) and ITU-R BS.2088 (BW64, which differs from RF64 in its first tag).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import BinaryIO

from instruments.source import FormatError

_MOST_CHUNKS = 4096
"""A header with more chunks than this ahead of its samples is none."""
_BITS = {1: (8, 16, 24, 32), 3: (32, 64)}
"""Sample widths by format tag: 1 is integer PCM, 3 is IEEE float."""
_EXTENSIBLE = 0xFFFE
_OPEN_END = 0xFFFFFFFF
_LONGEST_RIFF = 0xFFFFFF00 - 1
"""The longest a plain file gets: a little under 4 GiB, clear of the sizes that mean “open end”."""
_LONG = (b"RF64", b"BW64")
_STRAY_BYTES = 65536
"""Bytes beyond the stated end that are let pass without a word."""


@dataclass(frozen=True, slots=True)
class Form:
    """What the format chunk says of the samples; `is_float` means IEEE floats, not integers."""

    channels: int
    rate_hz: int
    bits: int
    is_float: bool

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame."""
        return self.channels * self.bits // 8


@dataclass(frozen=True, slots=True)
class Extent:
    """Form and place of the samples.

    Attributes
    ----------
    data_at : int
        Offset of the first sample, in bytes.
    form : Form
        What a sample is.
    frames : int
        Whole frames that are there.
    patches : tuple of (int, bytes)
        Offset and bytes that put right the header of a file that was never finished, or whose
        first tag libsndfile does not know; empty for any other.
    finished : bool
        Whether its recorder came to its end.
    notes : tuple of str
        What the user should know.
    """

    data_at: int
    form: Form
    frames: int
    patches: tuple[tuple[int, bytes], ...] = ()
    finished: bool = True
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class _Header:
    """What the chunks ahead of the samples say."""

    order: str
    rf64: bool
    riff_bytes: int
    is_bw64: bool = False
    form: Form | None = None
    ds64_at: int = 0
    ds64_data_bytes: int = 0
    data_at: int = 0
    data_bytes: int = 0


def is_riff(head: bytes) -> bool:
    """Tell whether a file that begins with `head` is of the WAV family or its relatives."""
    return head[:4] in (b"RIFF", b"RIFX", *_LONG)


def read_extent(stream: BinaryIO, size: int) -> Extent:
    """Read the chunks of a WAV or RF64 file up to its samples.

    Parameters
    ----------
    stream : binary file
        At its beginning.
    size : int
        Bytes in the whole file.

    Raises
    ------
    FormatError
        When it is no WAV file, is cut, is empty, or holds samples of a form that is not read;
        the message follows the file's name.
    """
    header = _walk(stream, size)
    if header.form is None:
        raise FormatError("its samples come before their format; export it again as WAV")
    return _measure(header, header.form, size)


def _walk(stream: BinaryIO, size: int) -> _Header:
    head = stream.read(12)
    if not is_riff(head) or len(head) < 12:
        raise FormatError("the file is truncated within its header; copy or record it again")
    if head[8:12] != b"WAVE":
        kind = head[8:12].decode("latin-1").strip()
        what = f"a RIFF file of the kind “{kind}”" if kind.isprintable() else "a damaged RIFF file"
        raise FormatError(f"it is {what}, not WAV; export it as WAV")
    order = ">" if head[:4] == b"RIFX" else "<"
    (riff_bytes,) = struct.unpack(order + "I", head[4:8])
    header = _Header(order, head[:4] in _LONG, riff_bytes, is_bw64=head[:4] == b"BW64")
    position = 12
    for _ in range(_MOST_CHUNKS):
        stream.seek(position)
        start = stream.read(8)
        if len(start) < 8:
            break
        (length,) = struct.unpack(order + "I", start[4:])
        if start[:4] == b"data":
            header.data_at, header.data_bytes = position + 8, length
            return header
        if position + 8 + length > size:
            raise FormatError("the file is truncated within its header; copy or record it again")
        _take_chunk(header, start[:4], position + 8, stream.read(min(length, 64)))
        position += 8 + length + length % 2
    raise FormatError("it holds no samples (no “data” chunk); record it again")


def _take_chunk(header: _Header, kind: bytes, at: int, body: bytes) -> None:
    if kind == b"ds64" and header.rf64 and len(body) >= 24:
        header.ds64_at = at
        (header.ds64_data_bytes,) = struct.unpack("<Q", body[8:16])
    elif kind == b"fmt ":
        header.form = _form(header.order, body)


def _form(order: str, body: bytes) -> Form:
    if len(body) < 16:
        raise FormatError("its format chunk is too short; export it again as WAV")
    tag, channels, rate, _, align, bits = struct.unpack(order + "HHIIHH", body[:16])
    if tag == _EXTENSIBLE and len(body) >= 28:
        # The first word of a GUID, which is in the order of the file.
        (tag,) = struct.unpack(order + "I", body[24:28])
    if tag not in _BITS:
        raise FormatError(
            f"its samples are compressed (format {tag:#06x}); export it as WAV with PCM or float"
        )
    if channels == 0:
        raise FormatError("its header names no channels; record it again")
    if rate == 0:
        raise FormatError("its header gives a sample rate of 0; record it again")
    if bits not in _BITS[tag] or align != channels * bits // 8:
        raise FormatError(
            f"its samples have {bits} bits in frames of {align} bytes; "
            "export it with 8, 16, 24 or 32 bits, or float"
        )
    return Form(channels, rate, bits, is_float=tag == 3)


def _measure(header: _Header, form: Form, size: int) -> Extent:
    stated = header.data_bytes
    if header.rf64 and stated == _OPEN_END:
        if not header.ds64_at:
            raise FormatError("its “ds64” chunk is missing; record it again")
        stated = header.ds64_data_bytes
    held = max(0, size - header.data_at)
    finished = not _unfinished(header, stated, held)
    length = min(stated, held) if finished else held
    frames = length // form.frame_bytes
    if finished and stated > held and stated // form.frame_bytes > frames:
        raise FormatError(
            f"the file is truncated: {frames} of {stated // form.frame_bytes} frames are there; "
            "copy or record it again"
        )
    if frames == 0:
        raise FormatError("it holds no samples; record it again")
    notes: tuple[str, ...] = ()
    patches: tuple[tuple[int, bytes], ...] = ((0, b"RF64"),) if header.is_bw64 else ()
    if not finished:
        patches += _patches(header, frames * form.frame_bytes)
        notes = ("The file was never finished by its recorder; all that is there is read.",)
    elif _beyond_end(header, stated, size) > _STRAY_BYTES:
        extra = _beyond_end(header, stated, size)
        notes = (f"The file goes on for {extra} bytes after its stated end; they are not read.",)
    return Extent(header.data_at, form, frames, patches, finished, notes)


def make_plain(stream: BinaryIO, data_at: int, size: int) -> bool:
    """Turn a finished RF64 header into a plain RIFF one where the sizes fit it.

    Parameters
    ----------
    stream : binary file
        Open for reading and writing; its ``ds64`` chunk comes first, as EBU Tech 3306 wants it.
    data_at : int
        Offset of the first sample, in bytes.
    size : int
        Bytes in the whole file, which ends with its samples.

    Returns
    -------
    bool
        False for a file that is too long and was left as it is.
    """
    if size - 8 > _LONGEST_RIFF:
        return False
    for at, patch in (
        (0, b"RIFF" + struct.pack("<I", size - 8)),
        (12, b"JUNK"),
        (data_at - 4, struct.pack("<I", size - data_at)),
    ):
        stream.seek(at)
        stream.write(patch)
    return True


def _unfinished(header: _Header, stated: int, held: int) -> bool:
    """Tell whether the sizes are those that a recorder leaves that never came to its end.

    Recorders write 0, or the largest number that their counter holds, and put in the size at
    the end. A size of 0 whose outer size fits the file is meant so: an empty file.
    """
    if stated == 0:
        whole = header.riff_bytes + 8 == header.data_at + held
        return held > 0 and (not whole or header.rf64)
    if stated <= held:
        return False
    largest = (0x7FFFF000 <= stated <= 0x80000000) or 0xFFFFFF00 <= stated <= _OPEN_END
    return (largest and not header.rf64) or stated > 1 << 62


def _beyond_end(header: _Header, stated: int, size: int) -> int:
    end = header.data_at + stated
    if not header.rf64:
        end = max(end, header.riff_bytes + 8)
    return size - end


def _patches(header: _Header, data_bytes: int) -> tuple[tuple[int, bytes], ...]:
    riff_bytes = header.data_at - 8 + data_bytes
    if header.rf64:
        sizes = struct.pack("<QQ", riff_bytes, data_bytes)
        return ((header.ds64_at, sizes), (header.data_at - 4, struct.pack("<I", _OPEN_END)))
    # A plain header cannot hold more than 4 GiB; libsndfile then takes what the file has.
    small = min(data_bytes, _OPEN_END)
    return (
        (4, struct.pack(header.order + "I", min(riff_bytes, _OPEN_END))),
        (header.data_at - 4, struct.pack(header.order + "I", small)),
    )
