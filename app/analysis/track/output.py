"""A track of one frequency: amplitude, frequency, modulation over the turn, asymmetry of peaks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.mixing import carrier_before
from app.analysis.envelope.setup import SampleBlock, Setup
from app.analysis.results import Message, OutputFinding, Quantity, Trace
from app.analysis.track.strands import Floats, Strand, strands_of
from app.analysis.uncertainty import mean_frequency, scatter_u

_BINS, _FEW_BINS = 256, 64
"""Places in a turn, and where there are not enough values for so many."""
_VALUES_A_BIN = 8
_HARMONICS = 12
"""Of the turn, that count as modulation: a standard's means over some 2000 transitions, a
twenty-fifth of a turn, show no more (ECMA-70's modulation, from memory)."""
_SURE = 9.0
"""A harmonic so many times the noise's own power is none of noise (one in 8000 is)."""
_MIN_PART = 0.2
"""Of the mean: below that at any place it is not one track all round."""
_OVERTONES = 5
_GROUPS = 16
_PLACES = 4096
_LINEAR_PART = 1e-3
"""Of the amplitude: how far from linear a source that is linear may be."""


@dataclass(frozen=True, slots=True)
class OutputFound:
    """The finding, the mean turn, and why something of it is missing."""

    finding: OutputFinding
    trace: Trace
    problem: Message | None


def output_of(pieces: Sequence[SampleBlock], setup: Setup) -> OutputFound | Message:
    """Measure a track of one frequency, or return why that cannot be.

    Each piece is without a gap. Without an index the turn is the nominal one.
    """
    if any(piece.clipped for piece in pieces):
        return messages.CLIPPED
    strands = strands_of(pieces, setup, messages.NOTHING_WRITTEN)
    if isinstance(strands, Message):
        return strands
    marks = [_Marks.of(strand, setup.speed_rpm) for strand in strands]
    envelope = _envelope(marks)
    if envelope is None or envelope.raw_v.min() < _MIN_PART * envelope.raw_v.mean():
        return messages.NOTHING_WRITTEN
    frequency_hz, asymmetry_ns, problem = None, None, messages.ASYMMETRY_NEEDS_SIGNAL
    if strands[0].carrier_hz is not None:
        frequency_hz = _frequency(marks, setup)
        asymmetry_ns, problem = _asymmetry(strands, setup, frequency_hz.value)
    bins = envelope.raw_v.size
    finding = OutputFinding(
        amplitude_v=_amplitude(marks, envelope),
        frequency_hz=frequency_hz,
        modulation_percent=_modulation(envelope, strands[0].floor_u_v),
        asymmetry_ns=asymmetry_ns,
        once_percent=envelope.once_percent,
    )
    trace = Trace(
        turns=((np.arange(bins) + 0.5) / bins).astype(np.float32),
        envelope_v=envelope.smooth_v.astype(np.float32),
        tops_turns=(),
        tops_v=(),
        number=0,
    )
    return OutputFound(finding, trace, problem)


@dataclass(frozen=True, slots=True)
class _Marks:
    """A strand's amplitude window by window.

    Attributes
    ----------
    phasors_v : numpy.ndarray
        complex128, shape (n,), a window apart.
    turns : numpy.ndarray
        float64, shape (n,): place of each in turns, counted on from turn to turn.
    noise_v2 : float
        Power of the noise in each.
    """

    strand: Strand
    phasors_v: NDArray[np.complex128]
    turns: Floats
    noise_v2: float

    @classmethod
    def of(cls, strand: Strand, speed_rpm: float) -> _Marks:
        low, high = strand.inside(0.0, float(strand.values_v.size))
        step = strand.window
        phasors = strand.phasors(low, high, step)
        places = np.arange(low, high, step, dtype=np.float64)
        edges = [turn.start_frame for turn in strand.turns]
        edges += [turn.end_frame for turn in strand.turns[-1:]]
        if len(edges) > 1:
            turns = np.interp(places, edges, np.arange(len(edges)), left=-1.0, right=-1.0)
        else:
            turns = places * speed_rpm / 60.0 / strand.rate_hz
        inside = turns >= 0.0
        phasors, turns = phasors[inside], turns[inside]
        return cls(strand, phasors, turns, _noise(phasors))


def _noise(phasors_v: NDArray[np.complex128]) -> float:
    """Return the noise's power from what three neighbours do not share, drifts being straight."""
    if phasors_v.size < 3:
        return 0.0
    second = phasors_v[2:] - 2.0 * phasors_v[1:-1] + phasors_v[:-2]
    # The median forgives drop-outs; of an exponential distribution it is ln 2 of the mean.
    return float(np.median(np.abs(second) ** 2)) / 6.0 / float(np.log(2.0))


@dataclass(frozen=True, slots=True)
class _Envelope:
    """The mean turn: as it is, and what of it is not noise.

    ``u_v`` is the standard deviation that noise gives to a harmonic's amplitude, and ``kept`` how
    many harmonics there are.
    """

    raw_v: Floats
    smooth_v: Floats
    u_v: float
    kept: int

    @property
    def once_percent(self) -> float:
        """Amplitude of the first harmonic, in per cent of the mean."""
        lines = np.abs(np.fft.rfft(self.smooth_v))
        return 200.0 * float(lines[1] / lines[0])


def _envelope(marks: Sequence[_Marks]) -> _Envelope | None:
    bins = _BINS
    if sum(mark.turns.size for mark in marks) < _VALUES_A_BIN * _BINS:
        bins = _FEW_BINS
    sums, counts, noise = np.zeros(bins), np.zeros(bins), 0.0
    for mark in marks:
        where = (mark.turns * bins).astype(np.int64) % bins
        sums += np.bincount(where, np.abs(mark.phasors_v) ** 2 - mark.noise_v2, bins)
        counts += np.bincount(where, minlength=bins)
        noise += mark.noise_v2 * mark.turns.size
    if not counts.all():
        return None
    total = float(counts.sum())
    raw_v = np.sqrt(np.maximum(sums / counts, 0.0))
    spectrum = np.fft.rfft(raw_v) / bins
    # Of the complex noise half lies along the signal; a harmonic c is half its amplitude.
    part_v2 = 0.5 * noise / total / total
    lines = np.arange(spectrum.size)
    kept = (lines == 0) | ((lines <= _HARMONICS) & (np.abs(spectrum) ** 2 > _SURE * part_v2))
    smooth_v = np.fft.irfft(np.where(kept, spectrum, 0.0) * bins, bins)
    return _Envelope(raw_v, smooth_v, float(np.sqrt(2.0 * part_v2)), int(kept.sum()) - 1)


def _amplitude(marks: Sequence[_Marks], envelope: _Envelope) -> Quantity:
    by_turn: list[float] = []
    for mark in marks:
        power = np.abs(mark.phasors_v) ** 2 - mark.noise_v2
        number = mark.turns.astype(np.int64)
        counts = np.bincount(number)
        full = counts > 0.9 * counts.max()
        by_turn += list(np.sqrt(np.maximum(np.bincount(number, power)[full] / counts[full], 0.0)))
    u = scatter_u(np.array(by_turn)) if len(by_turn) > 1 else 0.0
    value = float(envelope.smooth_v.mean())
    floor_u = marks[0].strand.floor_u_v
    return Quantity(value, float(np.linalg.norm([u, envelope.u_v, floor_u, _LINEAR_PART * value])))


def _modulation(envelope: _Envelope, floor_u_v: float) -> Quantity:
    high, low = float(envelope.smooth_v.max()), float(envelope.smooth_v.min())
    # One harmonic's noise where none is kept: less than that cannot be known.
    u_v = envelope.u_v * float(np.sqrt(max(1, envelope.kept)))
    hidden_v = 0.0 if envelope.kept else envelope.u_v * float(np.sqrt(_SURE / 3.0))
    value = 100.0 * (high - low) / (high + low)
    # What is added all along makes the swing a smaller part of the whole, or a larger one.
    u_percent = [100.0 * u_v / high, 100.0 * hidden_v / high, value * floor_u_v / high]
    return Quantity(value, float(np.linalg.norm(u_percent)))


def _frequency(marks: Sequence[_Marks], setup: Setup) -> Quantity:
    """Return the mean frequency, by the carrier's angle from window to window."""
    faster = _speed_rpm(marks, setup) / setup.speed_rpm
    # The profile's carrier is 2F.
    nominal = (faster * setup.carrier_hz, faster * setup.carrier_hz / 2.0)
    found: list[float] = []
    for mark in marks:
        strand = mark.strand
        for part in np.array_split(mark.phasors_v, _GROUPS):
            if part.size > 1:
                step = float(np.angle(np.sum(part[1:] * np.conj(part[:-1]))))
                away = step / strand.window * strand.rate_hz / (2.0 * float(np.pi))
                seen_hz = (strand.carrier_hz or 0.0) + away
                found.append(carrier_before(seen_hz, setup.mixed_hz, *nominal))
    return mean_frequency(np.array(found), setup.clock_u_part)


def _speed_rpm(marks: Sequence[_Marks], setup: Setup) -> float:
    """Return the speed by the whole turns, the nominal one without an index."""
    turns = [(turn, mark.strand.rate_hz) for mark in marks for turn in mark.strand.turns]
    if not turns:
        return setup.speed_rpm
    return 60.0 / float(np.mean([turn.frames / rate_hz for turn, rate_hz in turns]))


def _asymmetry(
    strands: Sequence[Strand], setup: Setup, frequency_hz: float
) -> tuple[Quantity | None, Message | None]:
    if setup.mixed_hz is not None:
        return None, messages.ASYMMETRY_NEEDS_CARRIER
    if 2.0 * frequency_hz > min(setup.bandwidth_hz, 0.495 * setup.sample_rate_hz):
        return None, messages.ASYMMETRY_NEEDS_RATE
    rows = [row for strand in strands for row in _overtones(strand)]
    whole = np.sum(rows, axis=0)
    value = _tops_apart_ns(whole, frequency_hz)
    parts = np.array([_tops_apart_ns(row, frequency_hz) for row in rows])
    u = float(scatter_u(parts)) if len(parts) > 1 else abs(value)
    beyond = 0.0
    if 4.0 * frequency_hz > setup.bandwidth_hz:
        # What bends the tops is in the third harmonic; its partners beyond the band are missing.
        beyond = 9.0 * float(np.abs(whole[2] / whole[0])) if whole.size > 2 else 1.0
    return Quantity(value, float(np.hypot(u, beyond * value))), None


def _overtones(strand: Strand) -> list[NDArray[np.complex128]]:
    """Return the cycle's harmonics, the first in front and real, for each group of windows.

    The fundamental's own angle, window by window, is the time by which the cycles are laid upon
    one another, so wow does not matter.
    """
    carrier_hz = strand.carrier_hz or 0.0
    count = min(_OVERTONES, int(0.495 * strand.rate_hz / carrier_hz))
    window = strand.window
    usable = strand.values_v.size // window * window
    values = strand.values_v[:usable].reshape(-1, window)
    orders = np.arange(1, count + 1)
    angle: Floats = strand.omega * np.multiply.outer(np.arange(window), orders)
    begin: Floats = strand.omega * np.multiply.outer(np.arange(0, usable, window), orders)
    lines = 2.0 / window * (values @ np.cos(angle) - 1j * (values @ np.sin(angle)))
    lines = lines * np.exp(-1j * begin)
    unit = lines[:, :1] / np.maximum(np.abs(lines[:, :1]), 1e-300)
    aligned = lines * np.conj(unit) ** orders
    return [part.sum(axis=0) for part in np.array_split(aligned, _GROUPS) if len(part)]


def _tops_apart_ns(harmonics: NDArray[np.complex128], frequency_hz: float) -> float:
    """Return half of what the way from top to bottom is longer than the way back, in ns."""
    angle = 2.0 * np.pi * np.arange(_PLACES) / _PLACES
    order = np.arange(1, harmonics.size + 1)[:, None]
    cycle = (harmonics[:, None] * np.exp(1j * order * angle)).real.sum(axis=0)
    top, bottom = _peak(cycle), _peak(-cycle)
    falling = (bottom - top) % 1.0
    return (falling - 0.5) * 1e9 / frequency_hz


def _peak(cycle: Floats) -> float:
    """Return the place of the highest value in cycles, by a parabola through three."""
    at = int(np.argmax(cycle))
    left, middle, right = cycle[at - 1], cycle[at], cycle[(at + 1) % cycle.size]
    bend = left - 2.0 * middle + right
    return float(at + (0.5 * (left - right) / bend if bend < 0.0 else 0.0)) / cycle.size
