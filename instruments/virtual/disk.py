"""Disks: the alignment disk's radial patterns and bursts, and the scratch disk's written tracks.

Places on a disk are angles in turns from the index. Offsets are the head's, in micrometres outward
of the track's line as the disk lies at that angle. Amplitudes are relative to a lobe's top with the
head on the line and the disk seated truly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from math import cos, exp, floor, pi, radians, sin, tan, tau

import numpy as np
from numpy.typing import NDArray

from instruments.virtual.params import BurstWindow, VirtualParams

Floats = NDArray[np.float64]

_GROUP_RAMP = 0.04
"""Length of an alternating group's ramps, as a fraction of the spacing of the groups."""
_GUARD_FULL, _GUARD_GONE = 0.5, 0.7
"""Offset, in track pitches, to which the recording is whole and from which it is erased."""


@dataclass(frozen=True, slots=True)
class TwoBand:
    """Two bands, eccentric in opposite senses, each nearest the line at one point of the turn.

    Attributes
    ----------
    top_turns : float
        Place of the first lobe's top.
    scale_um : float
        S = w − d: overlap of the head with each band at its nearest, with the head on the line.
    eccentricity_um : float
        Eccentricity of each band; above S it leaves dead zones between the lobes.
    head_um : float
        Width of the head, hence the most that it can overlap a band, which is wider.
    """

    top_turns: float
    scale_um: float
    eccentricity_um: float
    head_um: float
    geometry: str = "two-band"
    pairs: int = 1

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, None]:
        """Return the sum of both bands' overlaps; they are recorded in phase."""
        first, second = self._overlaps(turns, offset_um)
        return first + second, None

    def heights(
        self, turns: Floats, offset_um: Floats, gain: Floats | float = 1.0
    ) -> tuple[float, float]:
        """Return the largest overlap with each band."""
        first, second = self._overlaps(turns, offset_um)
        return float((first * gain).max()), float((second * gain).max())

    def _overlaps(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats]:
        away_um = self.eccentricity_um * np.cos(tau * (turns - self.top_turns))
        nearest_um = self.scale_um - self.eccentricity_um
        most = self.head_um / self.scale_um
        first = np.clip((nearest_um + away_um + offset_um) / self.scale_um, 0.0, most)
        second = np.clip((nearest_um - away_um - offset_um) / self.scale_um, 0.0, most)
        return first, second


@dataclass(frozen=True, slots=True)
class Boundary:
    """Two antiphase bands that meet on one eccentric circle, read by a head over both.

    With the circle off the head's middle by p the parts of the head over either band give
    ∫ exp(jky) dy with opposite signs, k = 2π·tan θ/λ for an azimuth θ: together
    (2/k)·(sin kp, cos(kW/2) − cos kp), which is (2p, 0) with none. A circle beyond the head's edge
    is as good as at it.

    Attributes
    ----------
    top_turns : float
        Place of the first lobe's top: where the circle is nearest the spindle.
    scale_um : float
        S = e: eccentricity of the circle; tops are flat where it reaches beyond the head's edge.
    head_um : float
        W, the width of the head.
    tilt_per_um : float
        k, by how much of a radian the carrier is ahead from one micrometre to the next outward.
    """

    top_turns: float
    scale_um: float
    head_um: float
    tilt_per_um: float = 0.0
    geometry: str = "boundary"
    pairs: int = 1

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats | None]:
        """Return what both bands give; the sign in phase is the side of the circle."""
        away_um = self._away_um(turns, offset_um)
        k = self.tilt_per_um
        if not k:
            return away_um / self.scale_um, None
        along = np.sin(k * away_um)
        across = cos(k * self.head_um / 2.0) - np.cos(k * away_um)
        return along / (k * self.scale_um), across / (k * self.scale_um)

    def heights(
        self, turns: Floats, offset_um: Floats, gain: Floats | float = 1.0
    ) -> tuple[float, float]:
        """Return the largest amplitude to either side of the circle."""
        along, across = self.wave(turns, offset_um)
        envelope = gain * np.hypot(along, 0.0 if across is None else across)
        sides = (envelope[along > 0.0], envelope[along < 0.0])
        first, second = (float(side.max(initial=0.0)) for side in sides)
        return first, second

    def _away_um(self, turns: Floats, offset_um: Floats) -> Floats:
        away_um = self.scale_um * np.cos(tau * (turns - self.top_turns)) + offset_um
        return np.clip(away_um, -self.head_um / 2.0, self.head_um / 2.0)


@dataclass(frozen=True, slots=True)
class Alternating:
    """Concentric groups to either side of the line in turn: flat tops with short ramps.

    Attributes
    ----------
    top_turns : float
        Place of the middle of the first group.
    scale_um : float
        S = w − d: overlap of the head with each group, with the head on the line.
    pairs : int
        Pairs of groups a turn.
    head_um : float
        Width of the head, hence the most that it can overlap a group, which is wider.
    """

    top_turns: float
    scale_um: float
    pairs: int
    head_um: float
    geometry: str = "alternating"

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, None]:
        """Return the overlap with the group that lies at each place."""
        groups = (turns - self.top_turns) * 2 * self.pairs
        number = np.rint(groups)
        from_edge = (0.5 - np.abs(groups - number)) / _GROUP_RAMP
        shape = 0.5 - 0.5 * np.cos(pi * np.minimum(from_edge, 1.0))
        outward = 1.0 - 2.0 * np.remainder(number, 2.0)
        return shape * self._overlap(outward, offset_um), None

    def heights(
        self, turns: Floats, offset_um: Floats, gain: Floats | float = 1.0
    ) -> tuple[float, float]:
        """Return the mean over the flat tops of each kind of group."""
        groups = (turns - self.top_turns) * 2 * self.pairs
        number = np.rint(groups)
        flat = np.abs(groups - number) < 0.5 - _GROUP_RAMP
        first = flat & (np.remainder(number, 2.0) == 0.0)
        second = flat & ~first
        outward = gain * self._overlap(np.ones_like(turns), offset_um)
        inward = gain * self._overlap(-np.ones_like(turns), offset_um)
        return float(outward[first].mean()), float(inward[second].mean())

    def _overlap(self, outward: Floats, offset_um: Floats) -> Floats:
        most = self.head_um / self.scale_um
        return np.clip(1.0 + outward * offset_um / self.scale_um, 0.0, most)


@dataclass(frozen=True, slots=True)
class Beat:
    """Two concentric frequencies, one to either side of the line, that beat with each other.

    The lobes are equal wherever the head stands; the nulls between them fill in as it leaves
    the line.

    Attributes
    ----------
    top_turns : float
        Place of the first beat's top.
    scale_um : float
        Overlap of the head with each track, with the head on the line.
    head_um : float
        Width of the head, hence the most that it can overlap a track, which is wider.
    """

    top_turns: float
    scale_um: float
    head_um: float
    geometry: str = "beat"
    pairs: int = 1

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats]:
        """Return the sum of the two tones, one cycle a turn above and below the carrier."""
        most = self.head_um / self.scale_um
        outer = np.clip(1.0 + offset_um / self.scale_um, 0.0, most)
        inner = np.clip(1.0 - offset_um / self.scale_um, 0.0, most)
        angle = tau * (turns - self.top_turns)
        return 0.5 * (outer + inner) * np.cos(angle), 0.5 * (outer - inner) * np.sin(angle)

    def heights(
        self, turns: Floats, offset_um: Floats, gain: Floats | float = 1.0
    ) -> tuple[float, float]:
        """Return the largest amplitude in each half of the turn."""
        along, across = self.wave(turns, offset_um)
        envelope = gain * np.hypot(along, across)
        first = np.cos(tau * (turns - self.top_turns)) > 0.0
        return float(envelope[first].max()), float(envelope[~first].max())


_WINDOW_RAMP_TURNS = 0.5 / 360.0
"""Length of a window's ramps."""


@dataclass(frozen=True, slots=True)
class WindowedBursts:
    """Concentric bursts of any length, each to one side of the line; nothing between them.

    Attributes
    ----------
    windows : tuple of Window
        In the order of passing.
    scale_um : float
        S = w − d: overlap of the head with each burst, with the head on the line.
    head_um : float
        Width of the head, hence the most that it can overlap a burst, which is wider.
    """

    windows: tuple[BurstWindow, ...]
    scale_um: float
    head_um: float
    geometry: str = "windows"
    pairs: int = 1

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, None]:
        """Return the overlap with the burst that lies at each place."""
        place = np.remainder(turns, 1.0)
        total = np.zeros_like(place)
        for each in self.windows:
            inside = np.minimum(
                place - each.start_turns, each.start_turns + each.length_turns - place
            )
            risen = np.clip(inside / _WINDOW_RAMP_TURNS, 0.0, 1.0)
            shape = 0.5 - 0.5 * np.cos(pi * risen)
            total += shape * self._overlap(offset_um, outward=each.outward)
        return total, None

    def heights(
        self, turns: Floats, offset_um: Floats, gain: Floats | float = 1.0
    ) -> tuple[float, float]:
        """Return the mean over the flat tops outward, and inward."""
        place = np.remainder(turns, 1.0)
        means: list[float] = []
        for outward in (True, False):
            flat = np.zeros(place.shape, bool)
            for each in self.windows:
                if each.outward is outward:
                    from_start = place - each.start_turns
                    flat |= (from_start > _WINDOW_RAMP_TURNS) & (
                        from_start < each.length_turns - _WINDOW_RAMP_TURNS
                    )
            amplitude = gain * self._overlap(offset_um, outward=outward)
            means.append(float(amplitude[flat].mean()))
        return means[0], means[1]

    def _overlap(self, offset_um: Floats, *, outward: bool) -> Floats:
        towards = offset_um if outward else -offset_um
        return np.clip(1.0 + towards / self.scale_um, 0.0, self.head_um / self.scale_um)


@dataclass(frozen=True, slots=True)
class OrdinaryTrack:
    """A track as any drive writes it, concentric and with nothing beside it.

    Attributes
    ----------
    track_um : float
        Width of the track.
    scale_um : float
        Not of this recording, whose lobes are even wherever the head stands.
    head_um : float
        Width of the head.
    """

    track_um: float
    scale_um: float
    head_um: float
    geometry: str = "track"
    pairs: int = 1

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, None]:
        """Return the overlap of head and track, as a part of the narrower of the two."""
        narrow = min(self.head_um, self.track_um)
        common = (self.head_um + self.track_um) / 2.0 - np.abs(offset_um)
        return np.clip(common, 0.0, narrow) / narrow, None

    def heights(
        self, turns: Floats, offset_um: Floats, gain: Floats | float = 1.0
    ) -> tuple[float, float]:
        """Return the largest amplitude in each half of the turn."""
        envelope, _ = self.wave(turns, offset_um)
        envelope = gain * envelope
        first = np.remainder(turns, 1.0) < 0.5
        return float(envelope[first].max()), float(envelope[~first].max())


Recording = TwoBand | Boundary | Alternating | Beat | WindowedBursts | OrdinaryTrack
"""How an alignment track is recorded.

``wave`` takes places and the offset at each, and returns the signed amplitudes in phase with the
carrier and a quarter turn ahead, None where there are none of these. ``heights`` takes the same,
over one turn evenly, with a factor for each place, and returns the heights of the first and of the
second lobe.
"""


def presence(offset_um: float, pitch_um: float) -> float:
    """Return how much of an alignment track the head finds at all, from 1 to 0.

    The tracks beside an alignment track are erased, so that a whole track away nothing is left.
    """
    away = (abs(offset_um) / pitch_um - _GUARD_FULL) / (_GUARD_GONE - _GUARD_FULL)
    away = min(max(away, 0.0), 1.0)
    return 1.0 - away * away * (3.0 - 2.0 * away)


_DROPOUT_RAMP = 0.3
"""Length of a drop-out's ramps, as a fraction of half its length."""


@dataclass(frozen=True, slots=True)
class DropOuts:
    """Short losses of amplitude.

    Attributes
    ----------
    places_turns : numpy.ndarray or None
        float64, shape (n,): middles of the drop-outs that are fixed on the disk. None when they
        fall anywhere, anew each turn.
    count : int
        Drop-outs a turn.
    length_turns : float
        Length of each.
    depth : float
        Fraction of the amplitude that is lost.
    seed : int
        Where places that are not fixed come from.
    """

    places_turns: NDArray[np.float64] | None
    count: int
    length_turns: float
    depth: float
    seed: int

    def apply(self, turns: NDArray[np.float64], amplitude: NDArray[np.float64]) -> None:
        """Weaken `amplitude` in place where `turns`, rising, lie within drop-outs."""
        if not self.count:
            return
        half = self.length_turns / 2.0
        for number in range(floor(turns[0] - half), floor(turns[-1] + half) + 1):
            for middle in number + self._places(number):
                begin, end = np.searchsorted(turns, (middle - half, middle + half))
                inward = 1.0 - np.abs(turns[begin:end] - middle) / half
                amplitude[begin:end] *= 1.0 - self.depth * np.minimum(inward / _DROPOUT_RAMP, 1.0)

    def _places(self, number: int) -> NDArray[np.float64]:
        if self.places_turns is not None:
            return self.places_turns
        # A stream of its own for each turn: any turn can be asked for in any order.
        return np.random.default_rng((self.seed, number % 2**32)).random(self.count)


@dataclass(frozen=True, slots=True)
class Evenness:
    """What changes the strength of a whole alignment track over the turn.

    Attributes
    ----------
    modulation : float
        Part by which it swings once a turn, as contact, coating and spindle make it.
    strongest_turns : float
        Where it is strongest.
    blank_turns : float
        Length from the index on where the recording was spliced: nothing is there.
    """

    modulation: float = 0.0
    strongest_turns: float = 0.0
    blank_turns: float = 0.0

    def gain(self, turns: Floats) -> Floats:
        """Return the factor of the amplitude at each place."""
        factor = 1.0 + self.modulation * np.cos(tau * (turns - self.strongest_turns))
        if self.blank_turns:
            factor *= np.remainder(turns, 1.0) >= self.blank_turns
        return factor


@dataclass(frozen=True, slots=True)
class Disk:
    """An alignment disk.

    Attributes
    ----------
    recording : Recording
        The pattern of its radial alignment track.
    cycles_per_turn : int
        Carrier of the recording.
    drop_outs : DropOuts
        Its flaws.
    evenness : Evenness
        Of the radial alignment track.
    """

    recording: Recording
    cycles_per_turn: int
    drop_outs: DropOuts
    evenness: Evenness


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


@dataclass(frozen=True, slots=True)
class Track:
    """What a head finds on a track.

    Attributes
    ----------
    cycles_per_turn : int
        Cycles of the carrier.
    wave : callable
        As of a :data:`Recording`.
    gain : float
        Factor of the wave.
    has_edges : bool
        Whether the amplitude changes within microseconds.
    skew_rad : float
        By how much of a cycle the carrier's positive tops come early and the negative late.
    """

    cycles_per_turn: int
    wave: Callable[[Floats, Floats], tuple[Floats, Floats | None]]
    gain: float = 1.0
    has_edges: bool = False
    skew_rad: float = 0.0


def bursts(start_turns: float, heights: tuple[float, ...], cycles_per_turn: int) -> Track:
    """Return a track of bursts of carrier.

    They are wider than the head, so an offset changes nothing.

    Parameters
    ----------
    start_turns : float
        Where the first burst's envelope is at half its height.
    heights : tuple of float
        Of each, in the order of passing; at most :data:`MOST_BURSTS`, each
        :data:`BURST_SPACING_TURNS` after the one before, :data:`BURST_LENGTH_TURNS` long.
    cycles_per_turn : int
        Cycles of the carrier.
    """
    all_heights = np.zeros(MOST_BURSTS)
    all_heights[: len(heights)] = heights

    def wave(turns: Floats, _: Floats) -> tuple[Floats, None]:
        since = np.remainder(turns - start_turns + _RISE_TURNS, 1.0) - _RISE_TURNS
        number = np.minimum(np.floor(since / BURST_SPACING_TURNS + 0.25), MOST_BURSTS - 1)
        inside = since - number * BURST_SPACING_TURNS
        rising = np.clip(inside / _RISE_TURNS + 0.5, 0.0, 1.0)
        falling = np.clip((BURST_LENGTH_TURNS - inside) / _RISE_TURNS + 0.5, 0.0, 1.0)
        return all_heights[number.astype(np.intp)] * np.minimum(rising, falling), None

    return Track(cycles_per_turn, wave, has_edges=True)


def spacing_loss(spacing_um: float, length_um: float) -> float:
    """Return the amplitude left by a spacing: 54.6·d/λ dB, Wallace."""
    return exp(-tau * spacing_um / length_um)


class DiskIn(StrEnum):
    """The disk in the drive."""

    ALIGNMENT = "alignment"
    """It has no notch: the sensor protects it."""
    SCRATCH = "scratch"
    PROTECTED = "protected"
    """The scratch disk with its notch covered."""


class ScratchDisk:
    """A blank disk of the drive's class.

    Parameters
    ----------
    params : VirtualParams
        The drive's.
    cycles_per_turn : int
        Of a track of ones (2F); one of noughts (1F) has half of it.
    place_turns : float
        Where a written track is strongest.
    """

    def __init__(self, params: VirtualParams, cycles_per_turn: int, place_turns: float) -> None:
        self._params = params
        self._cycles = {"1F": cycles_per_turn // 2, "2F": cycles_per_turn}
        self._place_turns = place_turns
        self._written: dict[tuple[int, int], str] = {}

    def write(self, track: int, side: int, pattern: str) -> None:
        """Write a track, ``"1F"`` or ``"2F"``."""
        self._written[track, side] = pattern

    def track(self, track: int, side: int) -> Track:
        """Return what is on a track."""
        pattern = self._written.get((track, side))
        params, cycles = self._params, self._cycles[pattern or "2F"]
        height = spacing_loss(params.spacing_um, wavelength_um(track, side, cycles))
        return Track(
            cycles,
            self._wave,
            gain=height if pattern else 0.0,
            # Tops that come early by e and late by e stand 2e nearer on one side.
            skew_rad=tau * cycles * params.speed_rpm / 60.0 * params.asymmetry_ns * 1e-9 / 2.0,
        )

    def _wave(self, turns: Floats, _: Floats) -> tuple[Floats, None]:
        # Head and track are the drive's own, so no offset lies between.
        swing = np.cos(tau * (turns - self._place_turns))
        return 1.0 + self._params.modulation_percent / 100.0 * swing, None
