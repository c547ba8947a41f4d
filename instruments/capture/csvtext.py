"""A scope's CSV export as columns of samples."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from instruments.capture.description import Description
from instruments.source import FormatError


class CsvCapture:
    """An open CSV export."""

    titles: tuple[str, ...] = ()
    channels: int = 0
    length_frames: int = 0
    rate_hz: float = 1.0
    description: Description = Description()
    uncalibrated: bool = False
    full_scale_v: float | None = None
    notes: tuple[str, ...] = ()

    def __init__(self, path: Path, rate_hz: float | None) -> None:
        raise FormatError("CSV is not read yet; export it as WAV")

    def read(self, columns: tuple[int, ...]) -> tuple[int, bool, NDArray[np.float32]] | None:
        """Return the next frames, or None at the end."""
        del columns

    def close(self) -> None:
        """Let go of the file."""
