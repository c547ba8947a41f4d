"""What an analysis is given: columns, disk and limits before the first sample, and then blocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from app.analysis.uncertainty import CLOCK_PART

_SAME_CARRIER = 1.05
BIN_S = 0.5e-3
"""A bin of envelope, some 400 a turn."""
_BINS_PART = 0.24
"""Of a window, half of which its guards leave, a bin is no more than this part."""


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


def is_beyond(carrier_hz: float, proved_hz: float) -> bool:
    """Return whether a carrier is clearly above the highest that a detector was measured with."""
    return carrier_hz > _SAME_CARRIER * proved_hz


@dataclass(frozen=True, slots=True)
class KnownLaw:
    """A detector's law as it was measured, in the source's volts.

    Attributes
    ----------
    out_v, in_v : tuple of float
        Rising: what came out, and the amplitude that went in.
    u_v : float
        Standard uncertainty of the latter.
    proved_hz : float
        Highest carrier that it was measured with.
    """

    out_v: tuple[float, ...]
    in_v: tuple[float, ...]
    u_v: float
    proved_hz: float

    def amplitude_v(self, out_v: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what went in; beyond what was measured the detector keeps as much as there."""
        kept_v = np.array(self.in_v) - np.array(self.out_v)
        return out_v + np.interp(out_v, self.out_v, kept_v)


@dataclass(frozen=True, slots=True)
class StatedWindow:
    """A stretch of the turn with a burst: start and length in turns, the index at 0."""

    start: float
    length: float
    outward: bool


@dataclass(frozen=True, slots=True)
class Setup:
    """Source and disk, as plain values.

    Attributes
    ----------
    bandwidth_hz : float
        Highest frequency that arrives undiminished.
    mixed_hz : float or None
        With what the signal was mixed down before it was sampled, None where it was not.
    low_corner_hz : float or None
        Corner of an AC-coupled input, 0 for DC, None when not known.
    detector_threshold_v : float or None
        What an external detector keeps for itself, None when not stated.
    low_corner_part, detector_threshold_part : float
        Tolerances of both, rectangular, as parts of them.
    law : KnownLaw or None
        What the detector was found to do; goes before a threshold.
    clock_u_part : float
        Standard uncertainty of the sample rate, as a part of it.
    geometry, pairs : str or None, int or None
        Recording and pairs of lobes a turn, None when open.
    windows : tuple of StatedWindow
        Of a disk whose geometry is windows, in the order of passing; empty of any other.
    scale_um, scale_u_um, calibrated : float, float, bool
        Offset for unit balance, its standard uncertainty, and whether it is more than a default.
    first_lobe_outward : bool
        The first lobe after the index is the taller with the head outward.
    set_limit, check_limit : float
        Limits of the difference.
    min_max : bool
        Rows are the lowest and the highest value of a stretch in turn; ``sample_rate_hz`` counts
        rows, and the signal is the differential.
    inputs : int
        Channels that such a differential is made of, each with its own noise.
    quiet_floor_v : tuple of float, or None
        Half of what lies between two extremes of the quiet input, in the mean and nearly at the
        lowest; None where that was not measured.
    """

    columns: Columns
    channels: int
    sample_rate_hz: float
    bandwidth_hz: float
    mixed_hz: float | None = None
    low_corner_hz: float | None = None
    detector_threshold_v: float | None = None
    low_corner_part: float = 0.2
    detector_threshold_part: float = 0.2
    law: KnownLaw | None = None
    clock_u_part: float = CLOCK_PART
    speed_rpm: float = 300.0
    carrier_hz: float = 125e3
    geometry: str | None = None
    pairs: int | None = None
    windows: tuple[StatedWindow, ...] = ()
    scale_um: float = 178.0
    scale_u_um: float = 18.0
    calibrated: bool = False
    first_lobe_outward: bool = True
    set_limit: float = 0.15
    check_limit: float = 0.30
    min_max: bool = False
    inputs: int = 1
    quiet_floor_v: tuple[float, float] | None = None

    @property
    def longest_bin_s(self) -> float:
        """How long a bin of envelope may be, so that one lies wholly within each window."""
        narrowest = min((window.length for window in self.windows), default=float("inf"))
        return _BINS_PART * narrowest * 60.0 / self.speed_rpm

    @property
    def detector_is_unproved(self) -> bool:
        """Whether nothing is known of an envelope's detector."""
        told = self.law is not None or self.detector_threshold_v is not None
        return self.columns.envelope is not None and not told

    @property
    def carrier_is_beyond_proof(self) -> bool:
        """Whether the carrier is above those that the detector was measured with."""
        return self.law is not None and is_beyond(self.carrier_hz, self.law.proved_hz)

    def undetected_v(self, out_v: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the amplitude that went into a detector which conducts."""
        if self.law is not None:
            return self.law.amplitude_v(out_v)
        return out_v + (self.detector_threshold_v or 0.0)


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
