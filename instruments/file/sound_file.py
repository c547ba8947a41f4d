"""Read a sound file as columns of samples, through libsndfile: WAV, FLAC, AIFF, CAF and W64.

libsndfile reads most truncated files as if they were whole, so the sizes that they state are
compared with the file before. Layouts: :mod:`instruments.file.wav`; "Audio Interchange File Format"
1.3 and its AIFF-C (Apple, 1989 and 1991); "Core Audio Format Specification" 1.0 (Apple); W64 as
libsndfile writes it; FLAC is RFC 9639.
"""

from __future__ import annotations

import io
import os
import signal
import struct
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from instruments.file.description import understand
from instruments.file.held import BLOCK_FRAMES, Part
from instruments.file.wav import is_riff, read_extent
from instruments.source import FormatError, SourceLost

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

_W64 = b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00"
"""The GUID with which W64 begins, where RIFF has four letters."""
_W64_ALIGNMENT = 8
_KINDS = ((b"fLaC", "FLAC"), (b"FORM", "AIFF"), (b"caff", "CAF"), (_W64, "W64"))
_FLOATS = ("FLOAT", "DOUBLE")
_LOSSLESS = ("PCM_", "ALAC_", *_FLOATS)
_MOST_SAMPLES = BLOCK_FRAMES * 16
_MOST_FRAMES = 1 << 48
"""More than any file holds: libsndfile's word for a length that is not stated."""
_TRUNCATED = "the file is truncated; copy or record it again"
_NO_SCALE = (
    "The samples are integers with no scale: full scale is taken as 1 V, "
    "so that volts are relative; ratios are not touched."
)


def sound_kind(head: bytes) -> str | None:
    """Return the kind of sound file that begins with `head`, None where it is none that is read."""
    if is_riff(head):
        return "WAV"
    return next((kind for magic, kind in _KINDS if head.startswith(magic)), None)


class SoundFileCapture:
    """An open sound file; see :class:`~instruments.file.held.Capture`.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    kind : str
        As :func:`sound_kind` tells it.
    full_scale_v : float or None
        Volts of a sample of 1.0 (of the largest integer), when the user states it.

    Raises
    ------
    FormatError
        When it cannot be read; the message follows the file's name.
    OSError
        When it cannot be opened.
    """

    titles: tuple[str, ...] = ()
    min_max = clipped = False

    def __init__(self, path: Path, kind: str, full_scale_v: float | None) -> None:
        self.kind = kind
        patches: tuple[tuple[int, bytes], ...] = ()
        self._notes: tuple[str, ...] = ()
        frames = None
        with path.open("rb") as stream:
            size = os.fstat(stream.fileno()).st_size
            if kind == "WAV":
                extent = read_extent(stream, size)
                patches, frames, self._notes = extent.patches, extent.frames, extent.notes
            elif kind in _CHECKS and _CHECKS[kind](stream, size) > size:
                raise FormatError(_TRUNCATED)
        self._raw = _Mended(path, patches) if patches else None
        # Only what is mended has the library call functions of ours.
        self._called = nullcontext if self._raw is None else _signals_held
        try:
            with self._called():
                self._file = _open(self._raw or name_for(path), kind)
                _check(self._file, frames)
        except BaseException:
            if self._raw is not None:
                self._raw.close()
            raise
        self.channels = self._file.channels
        self.length_frames = self._file.frames
        self._position = 0
        self.description, notes = understand(self._file.comment, self.channels)
        self._notes += notes
        # The header's rate is a whole number; the description may know it better.
        exact = self.description.rate_hz
        near = exact is not None and abs(exact - self._file.samplerate) <= 1
        self.rate_hz = exact if exact is not None and near else float(self._file.samplerate)
        self._scale = 1.0 if full_scale_v is None else full_scale_v
        self._relative = self.description.uncalibrated and full_scale_v is None
        self.full_scale_v = self.description.full_scale_v
        if full_scale_v is not None:
            known = 1.0 if self.description.uncalibrated else self.full_scale_v
            self.full_scale_v = None if known is None else known * full_scale_v
        if self._file.subtype not in _FLOATS:
            self.full_scale_v = self._scale
            if full_scale_v is None:
                self._relative = True
                self._notes += (_NO_SCALE,)
        self.units = ("",) * self.channels if self._relative else ("v",) * self.channels

    def notes_of(self, columns: Sequence[int]) -> tuple[str, ...]:
        """Return what the user should know of the capture."""
        del columns  # all are alike
        return self._notes

    def is_uncalibrated(self, columns: Sequence[int]) -> bool:
        """Tell whether the volts of the columns are relative."""
        del columns  # all have one scale
        return self._relative

    def read(self, columns: tuple[int, ...]) -> Part | None:
        """Return the next frames of some columns, or None at the end.

        Raises
        ------
        SourceLost
            When the file can no longer be read.
        """
        # As many columns as a header may state must not make a block a gigabyte.
        most = max(1, _MOST_SAMPLES // self.channels)
        frames = min(BLOCK_FRAMES, most, self.length_frames - self._position)
        if frames <= 0:
            return None
        samples = np.empty((frames, self.channels), np.float32)
        try:
            with self._called():
                got = len(self._file.read(out=samples))
        except (soundfile.SoundFileError, OSError) as fault:
            raise SourceLost(f"the file cannot be read any more ({fault}); open it again") from None
        if got < frames:
            raise SourceLost("the file became shorter while it was read; open it again")
        if columns != tuple(range(self.channels)):
            samples = _only(samples, columns)
        if self._scale != 1.0:
            samples *= np.float32(self._scale)
        first, self._position = self._position, self._position + frames
        return first, False, samples

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()
        if self._raw is not None:
            self._raw.close()


@contextmanager
def _signals_held() -> Iterator[None]:
    """Have Python hear signals after this: what it raised within a library's call would be lost."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    kinds = [kind for kind in signal.valid_signals() if callable(signal.getsignal(kind))]
    before = {kind: signal.signal(kind, lambda number, _: came.append(number)) for kind in kinds}
    try:
        yield
    finally:
        for kind, handler in before.items():
            signal.signal(kind, handler)
        for kind in came:
            signal.raise_signal(kind)


def _only(samples: NDArray[np.float32], columns: tuple[int, ...]) -> NDArray[np.float32]:
    """Return some of the columns; one by one is faster than all in one index."""
    chosen = np.empty((len(samples), len(columns)), np.float32)
    for place, column in enumerate(columns):
        chosen[:, place] = samples[:, column]
    return chosen


def name_for(path: Path) -> Any:
    """Return a file's name as libsndfile takes it: elsewhere than on Windows any bytes may be one.

    The binding writes letters as UTF-8, which a name with other bytes in it is not; that it takes
    bytes too, its types leave out.
    """
    return str(path) if os.name == "nt" else os.fsencode(path)


def _open(source: str | _Mended, kind: str) -> soundfile.SoundFile:
    try:
        return soundfile.SoundFile(source)
    except soundfile.SoundFileError as fault:
        # The library's sentence follows the file's name and a colon.
        reason = str(fault).rpartition(": ")[2].rstrip(".")
        raise FormatError(f"it cannot be read as {kind} ({reason}); export it again") from None


def _check(file: soundfile.SoundFile, frames: int | None) -> None:
    """Refuse, and close, a file that does not hold what its header says, or not without loss."""
    try:
        if frames is not None and file.frames != frames:
            raise FormatError("its header contradicts itself; export it again as WAV")
        if not file.subtype.startswith(_LOSSLESS):
            raise FormatError(
                f"its samples are compressed ({file.subtype}); export it as WAV with PCM or float"
            )
        if file.frames == 0:
            raise FormatError("it holds no samples; record it again")
        if frames is None:
            _reach_end(file)
    except FormatError:
        file.close()
        raise


def _reach_end(file: soundfile.SoundFile) -> None:
    if file.frames > _MOST_FRAMES:
        raise FormatError("its header does not tell its length; export it again as WAV")
    try:
        file.seek(file.frames - 1)
        got = len(file.read(1))
        file.seek(0)
    except soundfile.SoundFileError:
        got = 0
    if not got:
        raise FormatError(_TRUNCATED)


def _aiff_bytes(stream: BinaryIO, size: int) -> int:
    """Return the bytes that an AIFF file states for itself."""
    del size
    return 8 + int.from_bytes(stream.read(8)[4:], "big")


def _w64_bytes(stream: BinaryIO, size: int) -> int:
    """Return the bytes that a W64 file states for itself, less the fill of its last chunk."""
    stated = int.from_bytes(stream.read(24)[16:], "little")
    return size if size <= stated < size + _W64_ALIGNMENT else stated


def _caf_bytes(stream: BinaryIO, size: int) -> int:
    """Return where the last chunk of a CAF file ends by its own word; -1 is an open end."""
    position = 8
    while position < size:
        stream.seek(position)
        head = stream.read(12)
        if len(head) < 12:
            return position + 12
        (length,) = struct.unpack(">q", head[4:])
        if length < 0:
            return size
        position += 12 + length
    return position


_CHECKS: dict[str, Callable[[BinaryIO, int], int]] = {
    "AIFF": _aiff_bytes,
    "W64": _w64_bytes,
    "CAF": _caf_bytes,
}


class _Mended(io.FileIO):
    """A file of which some bytes read otherwise: a header put right without touching it."""

    def __init__(self, path: Path, patches: tuple[tuple[int, bytes], ...]) -> None:
        super().__init__(path, "rb")
        self._patches = patches

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        """Fill `buffer` from the file, then lay the patches over it."""
        start = self.tell()
        view = memoryview(buffer).cast("B")
        got = super().readinto(view) or 0
        for at, patch in self._patches:
            low, high = max(at, start), min(at + len(patch), start + got)
            if low < high:
                view[low - start : high - start] = patch[low - at : high - at]
        return got
