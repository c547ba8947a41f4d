"""A capture file as a source; its first bytes say what kind of file it is.

No thread of its own. A lock keeps the file from being closed during a read, since ``close`` may
come from another thread.
"""

from __future__ import annotations

import threading
import time
from enum import StrEnum
from pathlib import Path

from instruments.file.csv import ColumnChoice, CsvCapture, choose_columns
from instruments.file.wav import WavCapture, is_riff
from instruments.source import (
    UNSTATED_TOLERANCE,
    AddressError,
    Block,
    FormatError,
    Source,
    SourceEnd,
    SourceInfo,
    SourceLost,
    SourceRequest,
    SourceUnavailable,
)

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


class FileSource(Source):
    """A capture file: WAV, RF64 or a scope's CSV export.

    Blocks come as fast as they are asked for, 262 144 frames at a time and fewer at the end or
    ahead of a gap; ``t0_s`` is when it would be taken, were the capture played from its opening
    on. `read` never waits.

    Parameters
    ----------
    path : str
        The file, as the user typed it.
    request : SourceRequest or None
        The roles asked for.
    address : str or None
        The address in full, for the source's name; the path where it is left out.
    rate_hz : float or None
        Frames a second of a CSV without a time column.
    full_scale_v : float or None
        Volts of the largest sample of a WAV.
    """

    def __init__(
        self,
        path: str,
        request: SourceRequest | None = None,
        *,
        address: str | None = None,
        rate_hz: float | None = None,
        full_scale_v: float | None = None,
    ) -> None:
        self._path = path
        self._name = address or path
        self._request = request or SourceRequest()
        self._rate_hz = rate_hz
        self._full_scale_v = full_scale_v
        self._lock = threading.Lock()
        self._capture: WavCapture | CsvCapture | None = None
        self._choice: ColumnChoice | None = None
        self._opened_s = 0.0

    @property
    def path(self) -> Path:
        """The file."""
        return Path(self._path)

    def open(self) -> None:
        """Read the file's header (a CSV whole) and decide on the columns.

        Raises
        ------
        SourceUnavailable
            When there is no such file, or it may not be read.
        FormatError
            When what it holds cannot be read.
        AddressError
            When roles or options do not fit it.
        """
        self.close()
        capture = self._load()
        try:
            choice = choose_columns(
                self._path,
                capture.channels,
                self._request.roles,
                capture.description.roles,
                capture.titles,
            )
        except AddressError:
            capture.close()
            raise
        with self._lock:
            self._capture, self._choice = capture, choice
            self._opened_s = time.monotonic()
            self._info = _info(self._name, capture, choice)

    def read(self, timeout_s: float) -> Block:
        """Return the next block, at once.

        Raises
        ------
        SourceEnd
            When all has been given.
        SourceLost
            When the file can no longer be read.
        SourceUnavailable
            When it is not open.
        """
        del timeout_s  # a file never makes anybody wait
        with self._lock:
            if self._capture is None or self._choice is None:
                raise SourceUnavailable(f"capture “{self._path}” is not open; open it first")
            try:
                part = self._capture.read(self._choice.columns)
            except SourceLost as fault:
                raise SourceLost(f"capture “{self._path}”: {fault}") from None
            if part is None:
                raise SourceEnd(f"capture “{self._path}” is at its end")
            first, gap, samples = part
            rate = self._capture.rate_hz
            uncalibrated = self._capture.uncalibrated
        return Block(
            samples_v=samples,
            sample_rate_hz=rate,
            first_index=first,
            t0_s=self._opened_s + first / rate,
            gap_before=gap,
            uncalibrated=uncalibrated,
        )

    def close(self) -> None:
        """Let go of the file; may be called again, and from another thread."""
        with self._lock:
            if self._capture is not None:
                self._capture.close()
                self._capture = None

    def _load(self) -> WavCapture | CsvCapture:
        path = Path(self._path)
        try:
            if path.is_dir():
                raise SourceUnavailable(
                    f"capture “{self._path}” is a folder; name a file within it"
                )
            kind = kind_of(path)
            if kind is Kind.WAV:
                self._refuse_rate()
                return WavCapture(path, self._full_scale_v)
            return CsvCapture(path, self._rate_hz)
        except FormatError as fault:
            raise FormatError(f"capture “{self._path}”: {fault}") from None
        except FileNotFoundError:
            raise SourceUnavailable(
                f"capture “{self._path}” is not there; check its name"
            ) from None
        except PermissionError:
            raise SourceUnavailable(
                f"capture “{self._path}” may not be read by you; change its permissions"
            ) from None
        except (OSError, ValueError) as fault:
            raise SourceUnavailable(f"capture “{self._path}” cannot be read: {fault}") from None

    def _refuse_rate(self) -> None:
        if self._rate_hz is not None:
            raise AddressError(
                f"capture “{self._path}”: a WAV file states its own rate; take “rate” out"
            )


def _info(name: str, capture: WavCapture | CsvCapture, choice: ColumnChoice) -> SourceInfo:
    told = capture.description
    half = capture.rate_hz / 2
    return SourceInfo(
        name=name,
        roles=choice.roles,
        roles_from=choice.roles_from,
        sample_rate_hz=capture.rate_hz,
        bandwidth_hz=half if told.bandwidth_hz is None else min(half, told.bandwidth_hz),
        low_corner_hz=told.low_corner_hz,
        low_corner_part=(
            UNSTATED_TOLERANCE if told.low_corner_part is None else told.low_corner_part
        ),
        virtual=told.virtual,
        length_frames=capture.length_frames,
        full_scale_v=capture.full_scale_v,
        notes=capture.notes,
    )
