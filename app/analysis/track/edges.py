"""Where a burst begins, to a part of a cycle of its carrier."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.track.strands import Floats, Strand

_HALVES = (3.0, 1.0, 0.5)
"""Half the stretch about the start that is weighed, in windows, from one try to the next: noise
counts the less the shorter it is, and two cycles on either side hold what a start can be like."""
_HALF_KNOWN = 0.5
"""The part of a cycle in which a burst begins moves an abrupt start's sum by up to 1/(2ω), and
does not move that of a start which takes a whole cycle. What a disk has lies between."""
_LOW_SLOPE = 4
_COARSE = 0.5
"""Of an envelope's values: an edge between two of them may lie anywhere, and so may the index's."""


@dataclass(frozen=True, slots=True)
class Edge:
    """A burst's start, in values.

    Attributes
    ----------
    place : float
        In the stretch.
    u_noise, u_shape : float
        Standard uncertainties: by noise, and by what is not known of the start's shape, which is
        the same in each turn.
    """

    place: float
    u_noise: float
    u_shape: float


@dataclass(frozen=True, slots=True)
class _Tone:
    """What a burst is like soon after its start."""

    height_v: float
    phase: float
    slope: float
    """Radians a value, beside the carrier's."""
    at: float
    noise_v: float

    def phase_at(self, places: Floats) -> Floats:
        return self.phase + self.slope * (places - self.at)


def start_of(strand: Strand, near: float, room: float) -> Edge | None:
    """Return where a burst begins: where its envelope is at half its height.

    Parameters
    ----------
    strand : Strand
        The stretch.
    near : float
        Where it begins, to some windows.
    room : float
        How much of the burst after that is taken for its flat part, in values.
    """
    edge = Edge(near, np.inf, 0.0)
    for windows in _HALVES:
        tone = _tone(strand, edge.place, room)
        if tone is None:
            return None
        edge = _weighed(strand, tone, edge.place, windows * strand.window)
    return edge


def _tone(strand: Strand, place: float, room: float) -> _Tone | None:
    window = strand.window
    low, high = strand.inside(place + window, place + window + room)
    if high - low < 2 * window:
        return None
    flat = strand.phasors(low, high)
    if strand.carrier_hz is None:
        before, after = strand.inside(place - room, place - window)
        quiet = strand.phasors(before, after).real if after > before else np.zeros(1)
        level = float(np.median(quiet))
        height = float(flat.real.mean()) - level
        # The level before the burst stands in the place of the phase.
        return _Tone(height, level, 0.0, float(low), float(flat.real.std())) if height > 0 else None
    step = max(1, window // 2)
    chosen = flat[::step]
    # Of an even window the middle lies half a value later than its place.
    places = np.arange(low, high)[::step] + (0.5 if window % 2 == 0 else 0.0)
    phases: NDArray[np.float64] = np.unwrap(np.angle(chosen))
    slope, phase = 0.0, float(np.angle(chosen.sum()))
    middle = float(places.mean())
    if places.size >= _LOW_SLOPE:
        fitted = np.polyfit(places - middle, phases, 1)
        slope, phase = float(fitted[0]), float(fitted[1])
    turned = chosen * np.exp(-1j * (phase + slope * (places - middle)))
    height = float(turned.real.mean())
    if height <= 0.0:
        return None
    return _Tone(height, phase, slope, middle, float(turned.imag.std()))


def _weighed(strand: Strand, tone: _Tone, near: float, half: float) -> Edge:
    """Return the start from the sum of what is there about `near`, in the tone's own phase."""
    low = max(0, round(near - half))
    high = min(strand.values_v.size, round(near + half) + 1)
    places = np.arange(low, high, dtype=np.float64)
    values = strand.values_v[low:high]
    end = high - 0.5
    if strand.carrier_hz is None:
        there = float(np.sum(values - tone.phase)) / tone.height_v
        noise = tone.noise_v * float(np.sqrt(strand.window * values.size)) / tone.height_v
        return Edge(end - there + strand.early, noise, _COARSE)
    angle = strand.omega * places + tone.phase_at(places)
    there = 2.0 * float(values @ np.cos(angle)) / tone.height_v
    # |z|'s noise is that of 2·d·cos, the mean over a window.
    u = tone.noise_v * float(np.sqrt(strand.window * values.size)) / tone.height_v
    omega = strand.omega + tone.slope
    last = _double(strand, tone, end) / (2.0 * np.sin(omega))
    total = float(end - there + last)
    grid: Floats = total + np.linspace(-np.pi, np.pi, 401) / omega
    moved: Floats = grid + _HALF_KNOWN * _double(strand, tone, grid) / (2.0 * omega)
    place = float(np.interp(total, moved, grid))
    return Edge(place, u, float(_HALF_KNOWN / (2.0 * omega * np.sqrt(2.0))))


def _double(strand: Strand, tone: _Tone, places: float | Floats) -> Floats:
    """Return the sine of twice the carrier's angle."""
    at = np.asarray(places, dtype=np.float64)
    return np.sin(2.0 * (strand.omega * at + tone.phase_at(at)))
