"""What kind of capture a file is, from its first bytes; its name must not say otherwise."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path

from instruments.capture.riff import is_riff
from instruments.source import FormatError

_WAV_NAMES = (".wav", ".wave", ".rf64")
_TEXT_NAMES = (".csv", ".tsv", ".txt", ".asc", ".prn")
_OTHERS = (
    (b"fLaC", "FLAC"),
    (b"OggS", "Ogg"),
    (b"FORM", "AIFF"),
    (b"caff", "CAF"),
    (b"riff", "Wave64"),
    (b"BW64", "BW64"),
    (b"ID3", "MP3"),
    (b"PK\x03\x04", "a zip archive or a workbook"),
    (b"%PDF", "PDF"),
    (b"\x89PNG", "a PNG picture"),
    (b"\x1f\x8b", "a gzip archive"),
)
_HEAD_BYTES = 4096
_BYTE_ORDER_MARKS = (b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf")
_CONTROLS = frozenset(range(32)) - frozenset(b"\t\n\v\f\r\x1a")


class Kind(StrEnum):
    """The kinds that are read."""

    WAV = "WAV"
    CSV = "CSV"


def kind_of(path: Path) -> Kind:
    """Tell a file's kind.

    Raises
    ------
    FormatError
        When it is empty, of a kind that is not read, or named as what it is not.
    OSError
        When it cannot be opened.
    """
    with path.open("rb") as stream:
        head = stream.read(_HEAD_BYTES)
    if not head:
        raise FormatError("the file is empty; copy or record it again")
    name = path.suffix.lower()
    if is_riff(head):
        if name in _TEXT_NAMES:
            raise FormatError(f"it is named {name} but holds a WAV recording; name it .wav")
        return Kind.WAV
    for magic, what in _OTHERS:
        if head.startswith(magic):
            raise FormatError(f"it is {what}, which is not read; export it as WAV or CSV")
    if not _is_text(head):
        mend = "copy or record it again" if name in _WAV_NAMES else "export it as WAV or CSV"
        raise FormatError(f"it is neither WAV nor text; {mend}")
    if name in _WAV_NAMES:
        raise FormatError(f"it is named {name} but holds text; name it .csv if it is a scope's")
    return Kind.CSV


def _is_text(head: bytes) -> bool:
    if head.startswith(_BYTE_ORDER_MARKS):
        return True
    # UTF-16 without its mark: one of each two bytes of plain text is zero.
    for half in (head[0::2], head[1::2]):
        if half and not any(half) and len(head) > 1:
            head = head[1::2] if half == head[0::2] else head[0::2]
            break
    return not _CONTROLS.intersection(head)
