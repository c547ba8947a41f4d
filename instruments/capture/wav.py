"""A WAV or RF64 file as columns of samples, read through libsndfile."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile
from numpy.typing import NDArray

from instruments.capture.description import understand
from instruments.capture.riff import Extent, read_extent
from instruments.source import FormatError, SourceLost

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

_BLOCK_FRAMES = 262_144


class WavCapture:
    """An open WAV or RF64 file.

    Parameters
    ----------
    path : pathlib.Path
        The file.
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

    def __init__(self, path: Path, full_scale_v: float | None) -> None:
        with path.open("rb") as stream:
            extent = read_extent(stream, os.fstat(stream.fileno()).st_size)
        self._raw = _Mended(path, extent.patches) if extent.patches else None
        try:
            self._file = _open(self._raw or str(path), extent)
        except FormatError:
            if self._raw is not None:
                self._raw.close()
            raise
        self.channels = extent.channels
        self.length_frames = extent.frames
        self._position = 0
        description, notes = understand(self._file.comment, extent.channels)
        self.description = description
        # The header's rate is a whole number; the description may know it better.
        exact = description.rate_hz
        near = exact is not None and abs(exact - extent.rate_hz) <= 1
        self.rate_hz = exact if exact is not None and near else float(extent.rate_hz)
        self._scale = 1.0 if full_scale_v is None else full_scale_v
        self.uncalibrated = description.uncalibrated and full_scale_v is None
        self.full_scale_v = description.full_scale_v
        self.notes = extent.notes + notes
        if not extent.is_float:
            self.full_scale_v = self._scale
            if full_scale_v is None:
                self.uncalibrated = True
                self.notes += (
                    "The samples are integers with no scale: full scale is taken as 1 V, "
                    "so that volts are relative; ratios are not touched.",
                )

    def read(self, columns: tuple[int, ...]) -> tuple[int, bool, NDArray[np.float32]] | None:
        """Return the next frames, or None at the end.

        Parameters
        ----------
        columns : tuple of int
            Columns wanted, in order.

        Returns
        -------
        tuple of (int, bool, numpy.ndarray) or None
            Absolute index of the first frame, whether frames are missing before it, and float32
            samples, shape (frames, columns), in volts, C-contiguous and of their own.
        """
        frames = min(_BLOCK_FRAMES, self.length_frames - self._position)
        if frames <= 0:
            return None
        samples = np.empty((frames, self.channels), np.float32)
        try:
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


def _only(samples: NDArray[np.float32], columns: tuple[int, ...]) -> NDArray[np.float32]:
    """Return some of the columns; one by one is faster than all in one index."""
    chosen = np.empty((len(samples), len(columns)), np.float32)
    for place, column in enumerate(columns):
        chosen[:, place] = samples[:, column]
    return chosen


def _open(source: str | _Mended, extent: Extent) -> soundfile.SoundFile:
    try:
        file = soundfile.SoundFile(source)
    except soundfile.SoundFileError as fault:
        # The library's sentence follows the file's name and a colon.
        reason = str(fault).rpartition(": ")[2].rstrip(".")
        raise FormatError(f"it cannot be read as WAV ({reason}); export it again") from None
    if (file.frames, file.channels) != (extent.frames, extent.channels):
        file.close()
        raise FormatError("its header contradicts itself; export it again as WAV")
    return file


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
