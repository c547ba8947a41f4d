"""The moving parts of the drive: spindle, clamp, screws, positioner and index sensor."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import atan2, ceil, floor, hypot, tau

import numpy as np
from numpy.typing import NDArray

_SETTLED_TURNS = 1e-12
_MAX_STEPS = 50


@dataclass(frozen=True, slots=True)
class Wow:
    """One periodic deviation of speed.

    Attributes
    ----------
    depth : float
        Peak deviation as a fraction of the mean speed.
    frequency_hz : float
        Deviations a second.
    phase_rad : float
        Phase of the deviation's cosine at time 0.
    """

    depth: float
    frequency_hz: float
    phase_rad: float = 0.0


@dataclass(frozen=True, slots=True)
class Spindle:
    """A spindle at a mean speed, with any number of periodic deviations; drift is a slow one.

    The angle is a closed form of time, so that any moment can be asked for in any order.

    Attributes
    ----------
    speed_rpm : float
        Mean speed.
    wows : tuple of Wow
        Deviations; their depths add up to less than 1, so that the disk never turns back.
    start_turns : float
        Angle at time 0, in turns from the index.
    """

    speed_rpm: float
    wows: tuple[Wow, ...] = ()
    start_turns: float = 0.0

    @property
    def speed_hz(self) -> float:
        """Mean turns a second."""
        return self.speed_rpm / 60.0

    def trimmed(self, factor: float, at_s: float) -> Spindle:
        """Return the spindle that from `at_s` on turns faster by `factor`, its angle unbroken."""
        faster = replace(self, speed_rpm=self.speed_rpm * factor)
        moment = np.array([at_s])
        away = float(self.turns(moment)[0] - faster.turns(moment)[0])
        return replace(faster, start_turns=self.start_turns + away)

    def turns(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the angle at `times_s` in turns, counted on without end; whole at the index."""
        turns = self.start_turns + self.speed_hz * times_s
        for wow in self.wows:
            swing = self.speed_hz * wow.depth / (tau * wow.frequency_hz)
            angle = tau * wow.frequency_hz * times_s + wow.phase_rad
            turns += swing * (np.sin(angle) - np.sin(wow.phase_rad))
        return turns

    def speed_at_rpm(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the instantaneous speed at `times_s`."""
        relative = np.ones_like(times_s)
        for wow in self.wows:
            relative += wow.depth * np.cos(tau * wow.frequency_hz * times_s + wow.phase_rad)
        return self.speed_rpm * relative

    def mean_rpm(self, start_s: float, end_s: float) -> float:
        """Return the mean speed between two moments."""
        before, after = self.turns(np.array([start_s, end_s]))
        return float(60.0 * (after - before) / (end_s - start_s))

    def times_s(self, turns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return when the angle is `turns`: the inverse of :meth:`turns`, by Newton's method."""
        times = (turns - self.start_turns) / self.speed_hz
        for _ in range(_MAX_STEPS):
            missing = turns - self.turns(times)
            times += missing * 60.0 / self.speed_at_rpm(times)
            if np.all(np.abs(missing) < _SETTLED_TURNS * (1.0 + np.abs(turns))):
                break
        return times


@dataclass(frozen=True, slots=True)
class ClampSeating:
    """One seating of the disk.

    Attributes
    ----------
    shift_um : float
        Distance of the disk's centre from the spindle's axis.
    shift_turns : float
        Direction of the shift, as an angle on the disk in turns from the index.
    oval_um : float
        Amplitude of the ovality: the tracks' radius deviates twice a turn by this much.
    oval_turns : float
        Angle on the disk at which the ovality is largest outward.
    spindle_turns : float
        Angle on the disk at which a mark of the spindle lies.
    """

    shift_um: float = 0.0
    shift_turns: float = 0.0
    oval_um: float = 0.0
    oval_turns: float = 0.0
    spindle_turns: float = 0.0

    def runout_um(self, turns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far outward the disk's tracks lie from their true radius under the head."""
        once = self.shift_um * np.cos(tau * (turns - self.shift_turns))
        return once + self.oval_um * np.cos(2.0 * tau * (turns - self.oval_turns))


class Clamp:
    """Draws seatings.

    Parameters
    ----------
    shift_um, oval_um : float
        Root mean square, over many seatings, of the shift and of the ovality's amplitude.
    rng : numpy.random.Generator
        Where the seatings come from.
    angles : numpy.random.Generator
        Where the angles of disk to spindle come from.
    """

    def __init__(
        self,
        shift_um: float,
        oval_um: float,
        rng: np.random.Generator,
        angles: np.random.Generator,
    ) -> None:
        self._shift_um = shift_um
        self._oval_um = oval_um
        self._rng = rng
        self._angles = angles
        self.reseat()

    def reseat(self) -> None:
        """Open the clamp and close it again."""
        # Two normal components each: every direction is equally likely.
        x, y, p, q = self._rng.standard_normal(4) * 0.5**0.5
        self.seating = ClampSeating(
            shift_um=self._shift_um * hypot(x, y),
            shift_turns=atan2(y, x) / tau,
            oval_um=self._oval_um * hypot(p, q),
            oval_turns=atan2(q, p) / (2.0 * tau),
            spindle_turns=self._angles.random(),
        )


class Screws:
    """Screws that hold the stepper's body.

    Parameters
    ----------
    creep_um : float
        Shift of the head by tightening, the drive's own part.
    scatter_um : float
        The most by which one tightening differs from that.
    rng : numpy.random.Generator
        Where the differences come from.
    tight : bool
        How they stand at first.
    """

    def __init__(
        self, creep_um: float, scatter_um: float, rng: np.random.Generator, *, tight: bool
    ) -> None:
        self._creep_um = creep_um
        self._scatter_um = scatter_um
        self._rng = rng
        self.tight = tight

    def loosen(self) -> None:
        """Loosen them."""
        self.tight = False

    def tighten(self) -> float:
        """Tighten them, and return by how much that shifts the head; nothing if they were."""
        if self.tight:
            return 0.0
        self.tight = True
        return self._creep_um + self._scatter_um * float(self._rng.uniform(-1.0, 1.0))


PITCH_UM = 25.4e3 / 48.0
"""Track pitch: 25.4 mm / 48, ECMA-70, 5.1."""
ALIGNMENT_TRACK = 16
"""From memory, drive manuals."""
LAST_TRACK = 39
"""ECMA-70, 5.1: tracks 0 to 39."""
_SHORT_TRACKS = 4
"""A seek over so many or fewer is a short one."""


@dataclass(frozen=True, slots=True)
class Faults:
    """What is wrong with a positioner beside its backlash, in micrometres of the head.

    Attributes
    ----------
    slope_um : float
        How much farther outward the head stands on track 0 than on the last track.
    phase_um : float
        How far outward one of the stepper's phases holds it: that of the track after the
        alignment track, and of each fourth from there.
    long_seek_um : float
        How far a seek over the whole stroke falls short of one over a few tracks, in proportion.
    play_um : float
        Play of the arm: what remains of a push to either side.
    """

    slope_um: float = 0.0
    phase_um: float = 0.0
    long_seek_um: float = 0.0
    play_um: float = 0.0


PHASES = 4
"""Of the stepper, a track each."""


class Positioner:
    """Where the head stands: at first on the alignment track; the stops hold it on 0 and the last.

    The head rests half the backlash outward of the middle when it arrived from the outer side
    (stepping inward), and as far inward of it when it arrived from the inner side. It starts as
    having arrived from the outer side, where track 0 is.

    Parameters
    ----------
    offset_um : float
        Radial offset of the head from the track line at the start, positive outward.
    backlash_um : float
        Distance between the two positions of rest.
    faults : Faults, optional
        What else is wrong with it.
    """

    def __init__(self, offset_um: float, backlash_um: float, faults: Faults = Faults()) -> None:
        self._backlash_um = backlash_um
        self._faults = faults
        self._side = 1
        self._stroke = 0.0
        self._pushed = 0.0
        self.middle_um = offset_um - backlash_um / 2.0
        """Middle of the two positions of rest on the alignment track: where the body stands."""
        self.track = ALIGNMENT_TRACK

    @property
    def off_line_um(self) -> float:
        """Offset of the head from the line of the track that it was stepped to."""
        faults, inward = self._faults, self.track - ALIGNMENT_TRACK
        phase_um = faults.phase_um if inward % PHASES == 1 else 0.0
        short_um = faults.long_seek_um * self._stroke
        rest_um = self._side * (self._backlash_um / 2.0 + short_um)
        slope_um = -faults.slope_um * inward / LAST_TRACK
        return self.middle_um + rest_um + slope_um + phase_um + self._pushed * faults.play_um / 2.0

    @property
    def offset_um(self) -> float:
        """Offset of the head from the line of the alignment track, positive outward."""
        return self.off_line_um + (ALIGNMENT_TRACK - self.track) * PITCH_UM

    def nudge(self, offset_um: float) -> None:
        """Turn the stepper's body so that the head moves outward by `offset_um`."""
        self.middle_um += offset_um

    def push(self, outward: bool) -> None:
        """Push the arm lightly to one side and let it go: of its play it takes that end."""
        self._pushed = 1.0 if outward else -1.0

    def seek(self, track: int) -> None:
        """Step to a track, as far as the stops."""
        self.step(track - self.track)

    def step(self, tracks: int) -> None:
        """Step `tracks` tracks inward (positive) or outward (negative), as far as the stops."""
        target = min(max(self.track + tracks, 0), LAST_TRACK)
        if target != self.track:
            self._side = 1 if target > self.track else -1
            # A few tracks are what all else is told from.
            self._stroke = max(0, abs(target - self.track) - _SHORT_TRACKS) / LAST_TRACK
            self._pushed = 0.0
            self.track = target


@dataclass(frozen=True, slots=True)
class IndexSensor:
    """A sensor of the index hole.

    Attributes
    ----------
    amplitude_v : float
        Volts of the high level; the low level is 0 V.
    active_high : bool
        True when the pulse goes from low to high, False when from high to low.
    width_turns : float
        Length of the pulse as a fraction of a turn.
    edge_s : float
        Time that an edge takes; its middle is the edge's place.
    """

    amplitude_v: float
    active_high: bool
    width_turns: float
    edge_s: float

    @property
    def rest_v(self) -> float:
        """Volts between the pulses."""
        return 0.0 if self.active_high else self.amplitude_v

    def fill(
        self, out_v: NDArray[np.float32], spindle: Spindle, first: int, rate_hz: float
    ) -> None:
        """Write the pulse's level to `out_v`, whose first frame is number `first`.

        The middle of each leading edge is where the spindle's angle is a whole turn.
        """
        rest_v = self.rest_v
        active_v = self.amplitude_v - rest_v
        out_v[:] = rest_v
        ends_s = np.array([first, first + out_v.shape[0]]) / rate_hz
        ends_s += (-self.edge_s, self.edge_s)
        start, end = spindle.turns(ends_s)
        numbers = np.arange(ceil(start - self.width_turns), floor(end) + 1, dtype=np.float64)
        if not numbers.size:
            return
        leading_s = spindle.times_s(numbers)
        trailing_s = spindle.times_s(numbers + self.width_turns)
        for lead_s, trail_s in zip(leading_s, trailing_s, strict=True):
            begin = max(floor((lead_s - self.edge_s) * rate_hz), first)
            stop = min(ceil((trail_s + self.edge_s) * rate_hz) + 1, first + out_v.shape[0])
            if begin < stop:
                times_s = np.arange(begin, stop) / rate_hz
                shape = self._shape(times_s - lead_s, trail_s - times_s)
                out_v[begin - first : stop - first] = rest_v + (active_v - rest_v) * shape

    def _shape(
        self, since_s: NDArray[np.float64], left_s: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        inside_s = np.minimum(since_s, left_s)
        if not self.edge_s:
            return (inside_s >= 0.0).astype(np.float64)
        return np.clip(inside_s / self.edge_s + 0.5, 0.0, 1.0)
