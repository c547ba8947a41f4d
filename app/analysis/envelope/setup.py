"""What an analysis is given: columns, disk and limits before the first sample, and then blocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Columns:
    """Places of the signal among the columns: one of both phases, or of either other kind."""

    plus: int | None = None
    minus: int | None = None
    differential: int | None = None
    envelope: int | None = None
    index: int | None = None

    @property
    def signals(self) -> tuple[int, ...]:
        """Columns that carry signal, not index."""
        named = (self.plus, self.minus, self.differential, self.envelope)
        return tuple(column for column in named if column is not None)

    def differential_of(self, samples_v: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return plus − minus, or the differential column as it is, shape (frames,)."""
        if self.differential is not None:
            return np.ascontiguousarray(samples_v[:, self.differential])
        return samples_v[:, self.plus] - samples_v[:, self.minus]

    def pairs_of(self, samples_v: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return rows of lowest and highest of the differential, of min/max pairs; (frames,).

        Of two phases they are the bounds: where each is lowest and highest within a stretch of
        time is not known, and the other phase of a read signal is then at its other extreme.
        """
        if self.differential is not None:
            return np.ascontiguousarray(samples_v[:, self.differential])
        plus, minus = samples_v[:, self.plus], samples_v[:, self.minus]
        rows = np.empty_like(plus)
        rows[::2], rows[1::2] = plus[::2] - minus[1::2], plus[1::2] - minus[::2]
        return rows


@dataclass(frozen=True, slots=True)
class Setup:
    """Source and disk, as plain values.

    Attributes
    ----------
    bandwidth_hz : float
        Highest frequency that arrives undiminished.
    low_corner_hz : float or None
        Corner of an AC-coupled input, 0 for DC, None when not known.
    detector_threshold_v : float or None
        What an external detector keeps for itself, None when not stated.
    low_corner_part, detector_threshold_part : float
        Tolerances of both, rectangular, as parts of them.
    geometry, pairs : str or None, int or None
        Recording and pairs of lobes a turn, None when open.
    scale_um, scale_u_um, calibrated : float, float, bool
        Offset for unit balance, its standard uncertainty, and whether it is more than a default.
    first_lobe_outward : bool
        The first lobe after the index is the taller with the head outward.
    set_limit, check_limit : float
        Limits of the difference.
    min_max : bool
        Rows are the lowest and the highest value of a stretch in turn; ``sample_rate_hz`` counts
        rows, and the signal is the differential.
    """

    columns: Columns
    channels: int
    sample_rate_hz: float
    bandwidth_hz: float
    low_corner_hz: float | None = None
    detector_threshold_v: float | None = None
    low_corner_part: float = 0.2
    detector_threshold_part: float = 0.2
    speed_rpm: float = 300.0
    carrier_hz: float = 125e3
    geometry: str | None = None
    pairs: int | None = None
    scale_um: float = 178.0
    scale_u_um: float = 18.0
    calibrated: bool = False
    first_lobe_outward: bool = True
    set_limit: float = 0.15
    check_limit: float = 0.30
    min_max: bool = False


class SampleBlock(Protocol):
    """Consecutive frames and what is said of them: what a source's block has for the analysis."""

    @property
    def samples_v(self) -> NDArray[np.float32]:
        """float32, shape (frames, channels), C-contiguous, in volts; nobody writes to it."""
        ...

    @property
    def first_index(self) -> int:
        """Absolute index of the first frame; a jump forward is a gap of known length."""
        ...

    @property
    def gap_before(self) -> bool:
        """Time is not continuous before the first frame, though the index may be."""
        ...

    @property
    def at_index(self) -> bool:
        """The first frame is at an edge of the index."""
        ...

    @property
    def clipped(self) -> bool:
        """The source says that it clipped in these frames."""
        ...

    @property
    def min_max(self) -> bool:
        """Rows are the lowest and the highest value of a stretch in turn."""
        ...
