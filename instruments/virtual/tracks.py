"""What lies under the head: the radial pattern, bursts, a written track, or nothing.

Places on the disk are angles in turns from the index, offsets are the head's in micrometres
outward of the track's own line. Amplitudes are relative to a lobe's top with the head on the line.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, pi, radians, sin, tan, tau
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from instruments.virtual.recording import Recording

Floats = NDArray[np.float64]

MOST_BURSTS = 8
BURST_SPACING_TURNS = 1.0 / MOST_BURSTS
"""From the start of one burst to that of the next, in the order of passing."""
BURST_LENGTH_TURNS = BURST_SPACING_TURNS / 2.0
_RISE_TURNS = 1e-5
"""Of a burst's edge: 2 µs at 300 rpm, a part of a cycle of the carrier."""
_REFERENCE_MM = (57.150, 55.033)
"""Radius of track 0 on sides 0 and 1: ECMA-70, 5.1."""


def radius_mm(track: int, side: int) -> float:
    """Return the radius of a track of the virtual drive: ECMA-70, 5.1."""
    return _REFERENCE_MM[side] - track * 25.4 / 48.0


def wavelength_um(track: int, side: int, cycles_per_turn: int) -> float:
    """Return the length of a cycle on the disk."""
    return tau * radius_mm(track, side) * 1e3 / cycles_per_turn


def azimuth_loss(width_um: float, angle_arcmin: float, length_um: float) -> float:
    """Return the amplitude left by an azimuth error: sin y / y, y = π·W·tan θ/λ."""
    y = pi * width_um * tan(radians(angle_arcmin / 60.0)) / length_um
    return abs(sin(y) / y) if y else 1.0


class Track(Protocol):
    """What a head finds on a track."""

    @property
    def cycles_per_turn(self) -> int:
        """Cycles of the carrier."""
        ...

    @property
    def has_edges(self) -> bool:
        """Whether the amplitude changes within microseconds."""
        ...

    @property
    def skew_rad(self) -> float:
        """By how much of a cycle the carrier's positive tops come early and the negative late."""
        ...

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats | None]:
        """Return the signed amplitudes in phase with the carrier and a quarter turn ahead."""
        ...


@dataclass(frozen=True, slots=True)
class Radial:
    """The radial alignment track, and how much of it the head finds at all, from 1 to 0."""

    recording: Recording
    there: float
    cycles_per_turn: int
    has_edges: bool = False
    skew_rad: float = 0.0

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats | None]:
        """Return what the recording gives."""
        along, across = self.recording.wave(turns, offset_um)
        return along * self.there, None if across is None else across * self.there


@dataclass(frozen=True, slots=True)
class Bursts:
    """Bursts of carrier, the first of which starts at the index burst's place.

    Attributes
    ----------
    start_turns : float
        Where the first burst's envelope is at half its height.
    heights : tuple of float
        Of each, in the order of passing; at most :data:`MOST_BURSTS`, each
        :data:`BURST_SPACING_TURNS` after the one before, :data:`BURST_LENGTH_TURNS` long.
    """

    start_turns: float
    heights: tuple[float, ...]
    cycles_per_turn: int
    has_edges: bool = True
    skew_rad: float = 0.0

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats | None]:
        """Return the bursts; they are wider than the head, so an offset changes nothing."""
        del offset_um
        since = np.remainder(turns - self.start_turns + _RISE_TURNS, 1.0) - _RISE_TURNS
        number = np.minimum(np.floor(since / BURST_SPACING_TURNS + 0.5), MOST_BURSTS - 1)
        inside = since - number * BURST_SPACING_TURNS
        rising = np.clip(inside / _RISE_TURNS + 0.5, 0.0, 1.0)
        falling = np.clip((BURST_LENGTH_TURNS - inside) / _RISE_TURNS + 0.5, 0.0, 1.0)
        heights = np.zeros(MOST_BURSTS)
        heights[: len(self.heights)] = self.heights
        return heights[number.astype(np.intp)] * np.minimum(rising, falling), None


@dataclass(frozen=True, slots=True)
class Written:
    """A track of one frequency that a drive has written.

    Attributes
    ----------
    height : float
        Its mean amplitude.
    modulation : float
        Peak deviation of the amplitude over the turn, as a fraction of its mean.
    place_turns : float
        Where it is strongest.
    """

    height: float
    modulation: float
    place_turns: float
    cycles_per_turn: int
    skew_rad: float
    has_edges: bool = False

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats | None]:
        """Return the amplitude; head and track are the drive's own, so no offset lies between."""
        del offset_um
        swing = 1.0 + self.modulation * np.cos(tau * (turns - self.place_turns))
        return self.height * swing, None


@dataclass(frozen=True, slots=True)
class Blank:
    """Nothing recorded."""

    cycles_per_turn: int
    has_edges: bool = False
    skew_rad: float = 0.0

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats | None]:
        """Return nothing."""
        del offset_um
        return np.zeros_like(turns), None


def spacing_loss(spacing_um: float, length_um: float) -> float:
    """Return the amplitude left by a spacing: 54.6·d/λ dB, Wallace."""
    return exp(-tau * spacing_um / length_um)
