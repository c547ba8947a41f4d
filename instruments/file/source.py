"""A capture file as a source; its first bytes say what kind of file it is.

No thread of its own. A lock keeps the file from being closed during a read, since ``close`` may
come from another thread.
"""

from __future__ import annotations

import threading
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from instruments.file.csv import read_csv
from instruments.file.held import Capture, is_too_long
from instruments.file.isf import is_isf, read_isf
from instruments.file.roles import ColumnChoice, choose_columns
from instruments.file.sound_file import SoundFileCapture, sound_kind
from instruments.file.trc import is_trc, read_trc
from instruments.source import (
    UNSTATED_TOLERANCE,
    AddressError,
    Block,
    FormatError,
    Role,
    Source,
    SourceEnd,
    SourceInfo,
    SourceLost,
    SourceRequest,
    SourceUnavailable,
)

_SOUND_NAMES = (".wav", ".wave", ".rf64", ".bw64", ".flac", ".aif", ".aiff", ".caf", ".w64")
_TEXT_NAMES = (".csv", ".tsv", ".txt", ".asc", ".prn", ".lvm")
_OTHERS = (
    (b"OggS", "Ogg"),
    (b"ID3", "MP3"),
    (b"PK\x03\x04", "a zip archive or a workbook"),
    (b"%PDF", "PDF"),
    (b"\x89PNG", "a PNG picture"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\x89HDF", "HDF5"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"BM", "a BMP picture"),
)
_HEAD_BYTES = 4096
_PEAK_DETECT_HZ = 20e6
"""A scope's peak detect keeps the extremes of a carrier up to this at least (common practice)."""
_BYTE_ORDER_MARKS = (b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf")
_CONTROLS = frozenset(range(32)) - frozenset(b"\t\n\v\f\r\x1a")


def open_capture(path: Path, rate_hz: float | None, full_scale_v: float | None) -> Capture:
    """Open a capture file, whatever its first bytes say that it is.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    rate_hz : float or None
        Samples a second of a text that does not state them.
    full_scale_v : float or None
        Volts of the largest sample of a sound file.

    Raises
    ------
    FormatError
        When it is empty, of a kind that is not read, or named as what it is not.
    AddressError
        When a rate is stated of what states its own.
    OSError
        When it cannot be opened.
    """
    if not path.is_file() and path.exists() and not path.is_dir():
        # A device or pipe may have no end, and to read it twice gives two things.
        raise FormatError("it is no file but a stream; give it to pipe: on standard input")
    with path.open("rb") as stream:
        head = stream.read(_HEAD_BYTES)
    if not head:
        raise FormatError("the file is empty; copy or record it again")
    name = path.suffix.lower()
    kind = sound_kind(head)
    if kind is not None:
        if name in _TEXT_NAMES:
            raise FormatError(
                f"it is named {name} but holds a {kind} recording; name it .{kind.lower()}"
            )
        _refuse_rate(rate_hz, f"a {kind} file")
        return SoundFileCapture(path, kind, full_scale_v)
    for is_kind, read in ((is_isf, read_isf), (is_trc, read_trc)):
        if is_kind(head):
            _refuse_rate(rate_hz, "it")
            if is_too_long(path):
                raise FormatError("it is longer than 2 GiB; save it in parts")
            return read(path.read_bytes())
    _refuse_others(head, name)
    return read_csv(path, rate_hz)


def _refuse_rate(rate_hz: float | None, what: str) -> None:
    if rate_hz is not None:
        raise AddressError(f"{what} states its own rate; take “rate” out")


def _refuse_others(head: bytes, name: str) -> None:
    """Refuse what is no text."""
    for magic, what in _OTHERS:
        if head.startswith(magic) and not _is_text(head):
            raise FormatError(f"it is {what}, which is not read; export it as WAV or CSV")
    if not _is_text(head):
        raise FormatError(
            "it is neither sound, text, ISF nor TRC; export it as CSV"
            if name not in _SOUND_NAMES
            else f"it is named {name} but is no sound file; export it as WAV"
        )
    if name in _SOUND_NAMES:
        raise FormatError(f"it is named {name} but holds text; name it .csv if it is a scope's")


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
    """A capture file: sound, a scope's export as text, or its ISF or TRC file.

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
        Frames a second of a text without a time column.
    full_scale_v : float or None
        Volts of the largest sample of a sound file.
    mixed_hz : float or None
        With what the signal was mixed down before it was sampled; None as the file itself says.
    """

    def __init__(
        self,
        path: str,
        request: SourceRequest | None = None,
        *,
        address: str | None = None,
        rate_hz: float | None = None,
        full_scale_v: float | None = None,
        mixed_hz: float | None = None,
    ) -> None:
        self._path = path
        self._name = address or path
        self._request = request or SourceRequest()
        self._rate_hz = rate_hz
        self._full_scale_v = full_scale_v
        self._mixed_hz = mixed_hz
        self._lock = threading.Lock()
        self._capture: Capture | None = None
        self._choice: ColumnChoice | None = None
        self._opened_s = 0.0

    @property
    def path(self) -> Path:
        """The file."""
        return Path(self._path)

    @property
    def kind(self) -> str:
        """What the file was taken for, while it is open; empty otherwise."""
        return "" if self._capture is None else self._capture.kind

    @property
    def columns(self) -> str:
        """The columns of the open file in words: heading and unit of each."""
        capture = self._capture
        if capture is None:
            return ""
        titles = capture.titles or tuple(str(i) for i in range(1, capture.channels + 1))
        units = (unit if unit else "no unit" for unit in capture.units)
        return ", ".join(
            f"{title or '-'} [{unit}]" for title, unit in zip(titles, units, strict=True)
        )

    def open(self) -> None:
        """Read the file's header (all but sound whole) and decide on the columns.

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
            if capture.min_max and Role.ENVELOPE in choice.roles:
                raise AddressError(
                    f"capture “{self._path}”: it holds pairs of extremes, which carry no envelope; "
                    "name its columns plus, minus or differential"
                )
        except AddressError:
            capture.close()
            raise
        with self._lock:
            self._capture, self._choice = capture, choice
            self._opened_s = time.monotonic()
            self._info = _info(self._name, capture, choice, self._mixed_hz)

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
            uncalibrated = self._capture.is_uncalibrated(self._choice.columns)
            min_max = self._capture.min_max
            clipped = self._capture.clipped or self._is_cut(samples, self._capture.full_scale_v)
        return Block(
            samples_v=samples,
            sample_rate_hz=rate,
            first_index=first,
            t0_s=self._opened_s + first / rate,
            gap_before=gap,
            uncalibrated=uncalibrated,
            min_max=min_max,
            clipped=clipped,
        )

    def close(self) -> None:
        """Let go of the file; may be called again, and from another thread."""
        with self._lock:
            if self._capture is not None:
                self._capture.close()
                self._capture = None

    def _is_cut(self, samples_v: NDArray[np.float32], full_scale_v: float | None) -> bool:
        """Tell whether the input that was recorded had cut tops off, as far as its check knew."""
        proof = self.info.proof
        signals = [at for at, role in enumerate(self.info.roles) if role is not Role.INDEX]
        return proof is not None and proof.is_cut(samples_v[:, signals], full_scale_v or 1.0)

    def _load(self) -> Capture:
        path = Path(self._path)
        try:
            if path.is_dir():
                raise SourceUnavailable(
                    f"capture “{self._path}” is a folder; name a file within it"
                )
            return open_capture(path, self._rate_hz, self._full_scale_v)
        except (FormatError, AddressError) as fault:
            raise type(fault)(f"capture “{self._path}”: {fault}") from None
        except FileNotFoundError:
            raise SourceUnavailable(
                f"capture “{self._path}” is not there; check its name"
            ) from None
        except PermissionError:
            raise SourceUnavailable(
                f"capture “{self._path}” may not be read by you; change its permissions"
            ) from None
        except (OSError, ValueError) as fault:
            why = getattr(fault, "strerror", None) or fault
            raise SourceUnavailable(f"capture “{self._path}” cannot be read: {why}") from None


def _as_recorded(choice: ColumnChoice, roles: tuple[Role, ...]) -> bool:
    """Tell whether each column carries what it did when a check held for it."""
    pairs = zip(choice.columns, choice.roles, strict=True)
    return all(roles[column : column + 1] == (role,) for column, role in pairs)


def _info(name: str, capture: Capture, choice: ColumnChoice, mixed_hz: float | None) -> SourceInfo:
    told = capture.description
    half = _PEAK_DETECT_HZ if capture.min_max else capture.rate_hz / 2
    return SourceInfo(
        name=name,
        roles=choice.roles,
        roles_from=choice.roles_from,
        sample_rate_hz=capture.rate_hz,
        bandwidth_hz=half if told.bandwidth_hz is None else min(half, told.bandwidth_hz),
        low_corner_hz=told.low_corner_hz,
        # A record of extremes is one sweep, in which the carrier may lie beyond half the rate.
        continuous=not capture.min_max,
        low_corner_part=(
            UNSTATED_TOLERANCE if told.low_corner_part is None else told.low_corner_part
        ),
        virtual=told.virtual,
        mixed_hz=told.mixed_hz if mixed_hz is None else mixed_hz,
        length_frames=capture.length_frames,
        full_scale_v=capture.full_scale_v,
        proof=told.proof if _as_recorded(choice, told.roles) else None,
        notes=capture.notes_of(choice.columns),
    )
