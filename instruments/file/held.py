"""A capture that is held in memory: its samples, and all that the file says of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from instruments.file.description import Description
from instruments.file.times import TimeBase

BLOCK_FRAMES = 262_144
"""Frames of a block."""
_MOST_BYTES = 2 << 30

Part = tuple[int, bool, NDArray[np.float32]]
"""Absolute index of the first frame, whether frames are missing before it, and the samples."""


def is_too_long(path: Path) -> bool:
    """Tell whether a file is longer than what is held in memory whole may be: 2 GiB.

    Raises
    ------
    OSError
        When it is not there.
    """
    return path.stat().st_size > _MOST_BYTES


class Capture(Protocol):
    """An open capture, whatever kind of file it is."""

    @property
    def kind(self) -> str:
        """What the file was taken for, as a person would call it."""
        ...

    @property
    def channels(self) -> int:
        """Columns."""
        ...

    @property
    def rate_hz(self) -> float:
        """Frames a second."""
        ...

    @property
    def length_frames(self) -> int:
        """Frames from the first to the last, missing ones counted."""
        ...

    @property
    def titles(self) -> tuple[str, ...]:
        """Headings of the columns, empty where there are none."""
        ...

    @property
    def units(self) -> tuple[str, ...]:
        """The unit that each column is stated in, empty where it is not stated."""
        ...

    @property
    def description(self) -> Description:
        """What a recording of this program says of itself."""
        ...

    @property
    def full_scale_v(self) -> float | None:
        """Volts at which the samples clip, where known."""
        ...

    @property
    def min_max(self) -> bool:
        """Whether frames are pairs of extremes, as in :class:`~instruments.source.Block`."""
        ...

    @property
    def clipped(self) -> bool:
        """Whether the file itself tells that samples stand at the end of the scale."""
        ...

    def notes_of(self, columns: Sequence[int]) -> tuple[str, ...]:
        """Return what the user should know of the capture and of some of its columns."""
        ...

    def is_uncalibrated(self, columns: Sequence[int]) -> bool:
        """Tell whether the volts of one of the columns are relative."""
        ...

    def read(self, columns: tuple[int, ...]) -> Part | None:
        """Return the next frames of some columns, or None at the end.

        The samples are float32, shape (frames, columns), in volts, C-contiguous and of their own.
        """
        ...

    def close(self) -> None:
        """Let go of the file."""
        ...


def at_rails(codes: NDArray[Any]) -> bool:
    """Tell whether one of an instrument's codes stands at an end of its type's range."""
    if codes.dtype.kind not in "iu":
        return False
    limits = np.iinfo(codes.dtype)
    return bool(codes.min() <= limits.min or codes.max() >= limits.max)


@dataclass(slots=True)
class HeldCapture:
    """A capture in memory; see :class:`Capture`.

    Attributes
    ----------
    samples_v : tuple of numpy.ndarray
        A column each: float32, shape (frames,), in volts.
    base : TimeBase
        Rate, and where frames are missing; its rows are frames.
    relative : tuple of str
        Why a column's volts are relative, in a sentence; empty where they are not.
    notes : tuple of str
        What the user should know of the capture as a whole.
    """

    kind: str
    samples_v: tuple[NDArray[np.float32], ...]
    base: TimeBase
    relative: tuple[str, ...]
    titles: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    min_max: bool = False
    clipped: bool = False
    description: Description = field(default_factory=Description)
    full_scale_v: float | None = None
    _stretch: int = 0
    _row: int = 0

    @property
    def channels(self) -> int:
        """Columns."""
        return len(self.samples_v)

    @property
    def rate_hz(self) -> float:
        """Frames a second."""
        return self.base.rate_hz

    @property
    def length_frames(self) -> int:
        """Frames from the first to the last, missing ones counted."""
        return self.base.indices[-1] + len(self.samples_v[0]) - self.base.starts[-1]

    def notes_of(self, columns: Sequence[int]) -> tuple[str, ...]:
        """Return what the user should know of the capture and of some of its columns."""
        reasons = (self.relative[column] for column in columns)
        return self.notes + tuple(dict.fromkeys(reason for reason in reasons if reason))

    def is_uncalibrated(self, columns: Sequence[int]) -> bool:
        """Tell whether the volts of one of the columns are relative."""
        return any(self.relative[column] for column in columns)

    def read(self, columns: tuple[int, ...]) -> Part | None:
        """Return the next frames of some columns, or None at the end; see :class:`Capture`."""
        if not self.samples_v or self._row == len(self.samples_v[0]):
            return None
        starts = self.base.starts
        last = self._stretch + 1 == len(starts)
        end = len(self.samples_v[0]) if last else starts[self._stretch + 1]
        # Pairs of extremes are read record by record.
        stop = end if self.min_max else min(self._row + BLOCK_FRAMES, end)
        samples = np.column_stack([self.samples_v[i][self._row : stop] for i in columns])
        start = starts[self._stretch]
        first = self.base.indices[self._stretch] + self._row - start
        gap = self._row == start and self._stretch > 0
        self._row = stop
        if stop == end:
            self._stretch += 1
        return first, gap, np.ascontiguousarray(samples)

    def close(self) -> None:
        """Let go of the samples."""
        self.samples_v = ()
