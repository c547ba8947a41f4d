"""Bursts of carrier within the turn: where they begin, how high they are, and what that says.

Places are known roughly by the mean turn, then turn by turn from the index's own edge: a burst's
carrier, carried on from its flat part, weighs the samples about its start, and the sum of those
says how much of the burst is there. Index timing is from that edge to the start of the first
burst; the heights of bursts recorded at known angles give the head's azimuth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.mixing import MIXED_PART, carrier_before
from app.analysis.envelope.setup import SampleBlock, Setup
from app.analysis.lobes.turns import Turn
from app.analysis.messages import fill
from app.analysis.results import AzimuthFinding, Burst, IndexFinding, Message, Quantity, Trace
from app.analysis.track.strands import Floats, Strand, strands_of
from app.analysis.uncertainty import fit, scatter_u

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


_BINS = 2048
"""Places in a turn."""
_SHORTEST = _BINS // 64
_SHORTEST_GAP = _BINS // 256
_THRESHOLD = 0.25
"""Of the loudest power: half of its amplitude."""
_OVER_NOISE = 2.0
_BLUNT = 8
"""So many bins, or one and a half values where those are few, before its start a burst is not
there yet, and so many after it all is: lobes of a radial pattern swell far more slowly."""
_NOT_YET, _THERE = 0.09, 0.6
_MAX_FILLED = 0.9
_BEFORE_INDEX = 0.98
"""What begins later in the turn than this is the first burst, come before the index."""


@dataclass(frozen=True, slots=True)
class BurstsFound:
    """The bursts of a stretch.

    Attributes
    ----------
    bursts : tuple of Burst
        In the order of passing.
    first_us : numpy.ndarray
        float64, shape (turns,): start of the first burst of each turn.
    timed : bool
        Whether those are more than the mean turn's.
    rpm : float
        Mean speed.
    carrier_hz : float or None
        Mean carrier; None of an envelope.
    trace : Trace
        The mean turn.
    mixed : bool
        Whether the signal was mixed down, so that the carrier hangs on the nominal one.
    """

    bursts: tuple[Burst, ...]
    first_us: Floats
    timed: bool
    rpm: float
    carrier_hz: float | None
    trace: Trace
    mixed: bool


def bursts_of(pieces: Sequence[SampleBlock], setup: Setup, track: int) -> BurstsFound | Message:
    """Find the bursts, or return why there are none.

    Each piece is without a gap; `track` is where the head should be.
    """
    no_burst = fill(messages.NO_BURST, track)
    strands = strands_of(pieces, setup, no_burst)
    if isinstance(strands, Message):
        return strands
    passes = [(strand, turn) for strand in strands for turn in strand.turns]
    if not passes:
        return messages.NEEDS_INDEX
    power_v2 = _mean_power(passes)
    coarse = max(_BINS * 1.5 / turn.frames for _, turn in passes)
    runs = _runs(power_v2, max(_BLUNT, int(np.ceil(coarse))))
    if not runs:
        return no_burst
    noise_v2 = _noise(power_v2, runs)
    seen = [
        [one for strand, turn in passes if (one := _look(strand, turn, run, noise_v2)) is not None]
        for run in runs
    ]
    if not all(seen):
        return no_burst
    bursts = tuple(_burst(each, strands[0]) for each in seen)
    carrier_hz = None
    if strands[0].carrier_hz is not None:
        seen_hz = float(np.mean([one.carrier_hz for each in seen for one in each]))
        carrier_hz = carrier_before(seen_hz, setup.mixed_hz, setup.carrier_hz)
    rpm = 60.0 / float(np.mean([turn.frames / strand.rate_hz for strand, turn in passes]))
    return BurstsFound(
        bursts=bursts,
        first_us=np.array([one.start_us for one in _best_timed(seen[0])]),
        timed=any(one.timed for one in seen[0]),
        rpm=rpm,
        carrier_hz=carrier_hz,
        mixed=setup.mixed_hz is not None,
        trace=Trace(
            turns=((np.arange(_BINS) + 0.5) / _BINS).astype(np.float32),
            envelope_v=np.sqrt(np.maximum(power_v2 - noise_v2, 0.0)).astype(np.float32),
            tops_turns=tuple(float((begin + end) / (2.0 * _BINS) % 1.0) for begin, end in runs),
            tops_v=tuple(burst.height_v.value for burst in bursts),
            number=len(passes),
        ),
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """One burst in one turn; ``timed`` is False where only the mean turn gives its start."""

    start_us: float
    timed: bool
    noise_u_us: float
    shape_u_us: float
    length_us: float
    power_v2: float
    noise_v2: float
    carrier_hz: float


def _mean_power(passes: Sequence[tuple[Strand, Turn]]) -> Floats:
    """Return the mean squared amplitude by place in the turn, shape (_BINS,), with its noise."""
    sums, counts = np.zeros(_BINS), np.zeros(_BINS)
    for strand, turn in passes:
        low, high = strand.inside(turn.start_frame, turn.end_frame)
        # Windows that overlap by half have all that there is; two fall into each of the bins.
        step = max(1, min(strand.window // 2, int(0.5 * turn.frames / _BINS)))
        power = np.abs(strand.phasors(low, high, step)) ** 2
        places = np.arange(low, high, step)
        where = ((places - turn.start_frame) / turn.frames * _BINS).astype(np.int64)
        where = np.clip(where, 0, _BINS - 1)
        sums += np.bincount(where, power, _BINS)
        counts += np.bincount(where, minlength=_BINS)
    known = np.flatnonzero(counts)
    if not known.size:
        return sums
    return np.interp(np.arange(_BINS), known, sums[known] / counts[known], period=_BINS)


def _runs(power_v2: Floats, blunt: int) -> list[tuple[int, int]]:
    """Return first bin and end of each burst in the order of passing; either may lie outside."""
    smooth = np.mean([np.roll(power_v2, shift) for shift in range(-2, 3)], axis=0)
    quiet, loud = float(np.quantile(smooth, 0.1)), float(np.quantile(smooth, 0.995))
    if loud < _OVER_NOISE * quiet or loud <= 0.0:
        return []
    there: NDArray[np.bool_] = smooth > quiet + _THRESHOLD * (loud - quiet)
    if there.mean() > _MAX_FILLED:
        return []
    # From a quiet place on, so that no burst is cut in two.
    shift = int(np.argmin(np.convolve(np.tile(there, 2), np.ones(_SHORTEST), "valid")[:_BINS]))
    edges = np.diff(np.roll(there, -shift).astype(np.int8), prepend=0, append=0)
    runs: list[tuple[int, int]] = []
    for begin, end in zip(np.flatnonzero(edges > 0), np.flatnonzero(edges < 0), strict=True):
        if runs and begin - runs[-1][1] < _SHORTEST_GAP:
            # A drop-out.
            runs[-1] = (runs[-1][0], int(end))
        else:
            runs.append((int(begin), int(end)))
    placed: list[tuple[int, int]] = []
    for begin, end in runs:
        first = (begin + shift) % _BINS
        level = (smooth[(first + np.array([-blunt, blunt])) % _BINS] - quiet) / (
            float(np.median(smooth[np.arange(first, first + end - begin) % _BINS])) - quiet
        )
        if end - begin < _SHORTEST or level[0] > _NOT_YET or level[1] < _THERE:
            continue
        first -= _BINS if first > _BEFORE_INDEX * _BINS else 0
        placed.append((first, first + end - begin))
    return sorted(placed)


def _noise(power_v2: Floats, runs: Sequence[tuple[int, int]]) -> float:
    quiet = np.ones(_BINS, dtype=np.bool_)
    for begin, end in runs:
        quiet[np.arange(begin - 2, end + 2) % _BINS] = False
    return float(np.median(power_v2[quiet])) if quiet.any() else 0.0


def _look(strand: Strand, turn: Turn, run: tuple[int, int], noise_v2: float) -> _Seen | None:
    """Return a burst of one turn, None where the stretch or the turn hardly holds it."""
    a_bin = turn.frames / _BINS
    begin, end = (turn.start_frame + place * a_bin for place in run)
    room = min(0.25 * (end - begin), turn.frames / 128.0)
    low, high = strand.inside(begin + room, end - room)
    if high - low < 2 * strand.window:
        return None
    flat = strand.phasors(low, high)
    powers = np.abs(flat) ** 2
    height_v2 = float(powers.mean()) - noise_v2
    if height_v2 <= 0.0:
        return None
    last = _rough(strand, end, room, height_v2, noise_v2, end=True)
    edge, timed = None, True
    if begin - strand.window >= strand.reach:
        edge = start_of(strand, _rough(strand, begin, room, height_v2, noise_v2, end=False), room)
    if edge is None:
        # The stretch begins too near: the mean turn gives the start, to some of its bins.
        edge, timed = Edge(begin + strand.early, a_bin, max(2.0 * a_bin, 1.0)), False
    in_us = 1e6 / strand.rate_hz
    return _Seen(
        start_us=(edge.place - turn.start_frame) * in_us,
        timed=timed,
        noise_u_us=edge.u_noise * in_us,
        shape_u_us=edge.u_shape * in_us,
        length_us=(last - edge.place) * in_us,
        power_v2=height_v2,
        noise_v2=noise_v2,
        carrier_hz=_frequency(strand, flat),
    )


def _rough(
    strand: Strand, near: float, room: float, height_v2: float, noise_v2: float, *, end: bool
) -> float:
    """Return about where a burst begins or ends: by how much of its power there is about `near`."""
    low, high = strand.inside(near - room, near + room)
    there = float(np.sum(np.abs(strand.phasors(low, high)) ** 2 - noise_v2)) / height_v2
    # Half a value: a sum of values reaches that much beyond their places. Of the ramp that the
    # window makes of a step, the square holds a third instead of half.
    if end:
        return low - 0.5 + there + strand.window / 6.0
    return high - 0.5 - there - strand.window / 6.0


def _frequency(strand: Strand, flat: NDArray[np.complex128]) -> float:
    if strand.carrier_hz is None:
        return 0.0
    step = strand.window
    phases = np.unwrap(np.angle(flat[::step]))
    slope = float(np.polyfit(np.arange(phases.size), phases, 1)[0]) if phases.size > 2 else 0.0
    return strand.carrier_hz + slope / step * strand.rate_hz / (2.0 * float(np.pi))


def _burst(seen: Sequence[_Seen], strand: Strand) -> Burst:
    timed = _best_timed(seen)
    starts = np.array([one.start_us for one in timed])
    powers = np.array([one.power_v2 for one in seen])
    height_v = float(np.sqrt(powers.mean()))
    start_u = scatter_u(starts) if len(starts) > 1 else timed[0].noise_u_us
    # What each turn has alike: the start's shape, and where between two values the index's edge is.
    alike_u = float(np.hypot(timed[0].shape_u_us, 0.1e6 / strand.rate_hz))
    # Noise over the flat part: its values are independent once a window.
    windows = max(1.0, seen[0].length_us * 0.5e-6 * strand.rate_hz / strand.window)
    noise_u = float(np.sqrt(0.5 * seen[0].noise_v2 / windows / len(seen)))
    height_u = scatter_u(powers) / (2.0 * height_v) if len(seen) > 1 else noise_u
    return Burst(
        start_us=Quantity(float(starts.mean()), float(np.hypot(start_u, alike_u))),
        length_us=float(np.mean([one.length_us for one in seen])),
        height_v=Quantity(height_v, max(height_u, noise_u)),
    )


def _best_timed(seen: Sequence[_Seen]) -> Sequence[_Seen]:
    return [one for one in seen if one.timed] or seen


_FARTHEST_ARCMIN = 60.0
_STEP_ARCMIN = 0.5
_LINEAR_PART = 1e-3
"""Of a height: how unequal equal heights may come out of a source that is linear."""
_WORST_MISFIT = 0.1
_SWING_U = 0.04 / 2.0**0.5
"""Standard uncertainty of either quadrature of a swing once a turn, as a part: up to 4 % at any
angle (our choice, from no source)."""
_ROUNDS = 8


def azimuth_loss(angle_arcmin: Floats, width_um: float, length_um: float) -> Floats:
    """Return the amplitude that an azimuth error leaves: sin y / y, y = π·W·tan θ/λ.

    The standard tape-loss expression; negative beyond the first null.

    Parameters
    ----------
    angle_arcmin : numpy.ndarray
        float64, any shape: angle between the gap and the transitions.
    width_um, length_um : float
        Width W of the track and length λ of a cycle.
    """
    return np.sinc(width_um * np.tan(np.radians(angle_arcmin / 60.0)) / length_um)


def azimuth_of(
    found: BurstsFound,
    angles_arcmin: Sequence[float],
    *,
    width_um: Quantity,
    radius_mm: float,
    carrier_hz: float,
) -> AzimuthFinding | Message:
    """Return the azimuth by the bursts found, or why there is none.

    Parameters
    ----------
    found : BurstsFound
        The turn's bursts.
    angles_arcmin : sequence of float
        Of each burst in the order of passing.
    width_um : Quantity
        Of the head's core: the bursts are recorded wider.
    radius_mm : float
        Of the track.
    carrier_hz : float
        At the speed found: taken where the signal itself does not show it.
    """
    if len(found.bursts) != len(angles_arcmin):
        return fill(messages.FEWER_BURSTS, len(found.bursts), len(angles_arcmin))
    if found.carrier_hz is not None:
        away = abs(found.carrier_hz / carrier_hz - 1.0)
        if found.mixed and away > MIXED_PART:
            return fill(messages.OFF_MIXED, f"{carrier_hz / 1e3:.4g}")
        carrier_hz = found.carrier_hz
    cycles = carrier_hz * 60.0 / found.rpm
    length_um = 2e3 * float(np.pi) * radius_mm / cycles
    angles = np.array(angles_arcmin, dtype=np.float64)
    return angle_of(found.bursts, found.rpm, angles, width_um, length_um)


def angle_of(
    bursts: Sequence[Burst],
    rpm: float,
    angles_arcmin: Floats,
    width: Quantity,
    length_um: float,
) -> AzimuthFinding | Message:
    """Fit the heights of bursts by one amplitude, its swing once a turn, and the head's angle.

    Bursts spread over the turn show the swing; of those that stand together it changes all alike.

    Parameters
    ----------
    bursts : sequence of Burst
        In the order of passing.
    rpm : float
        Of the spindle: where in the turn they are.
    angles_arcmin : numpy.ndarray
        float64, shape (n,): of each, n at least 2.
    width, length_um : Quantity, float
        Width of the head's core and length of a cycle, in micrometres.
    """
    width_um = width.value
    heights = np.array([burst.height_v.value for burst in bursts])
    u = np.array([burst.height_v.u for burst in bursts])
    top = float(heights.max())
    # Beside the heights stands what is known of the swing without them.
    u = np.concatenate([np.hypot(u, _LINEAR_PART * top), np.full(2, _SWING_U * top)])
    values = np.concatenate([heights, np.zeros(2)])
    middles_us = np.array([burst.start_us.value + burst.length_us / 2.0 for burst in bursts])
    turn = 2.0 * np.pi * 1e-6 * middles_us * rpm / 60.0
    swing = np.stack([np.cos(turn), np.sin(turn)], axis=1)

    def curve(head_arcmin: float) -> Floats:
        return np.abs(azimuth_loss(angles_arcmin - head_arcmin, width_um, length_um))

    def columns_of(head_arcmin: float) -> Floats:
        """Return what amplitude and swing make of the values."""
        shape = curve(head_arcmin)[:, None]
        of_heights = np.concatenate([shape, shape * swing], axis=1)
        return np.concatenate([of_heights, np.eye(2, 3, 1)])

    def solved(head_arcmin: float) -> tuple[Floats, Floats]:
        columns = columns_of(head_arcmin)
        found = np.linalg.lstsq(columns / u[:, None], values / u, rcond=None)[0].astype(np.float64)
        return found, values - columns @ found

    def miss(head_arcmin: float) -> float:
        rest = solved(head_arcmin)[1] / u
        return float(rest @ rest)

    grid = np.arange(-_FARTHEST_ARCMIN, _FARTHEST_ARCMIN + _STEP_ARCMIN, _STEP_ARCMIN)
    head = float(grid[int(np.argmin([miss(float(each)) for each in grid]))])
    u_arcmin = float(np.inf)
    for _ in range(_ROUNDS):
        found, rest = solved(head)
        slope = (columns_of(head + 0.01) - columns_of(head - 0.01)) @ found / 0.02
        columns: Floats = np.concatenate([columns_of(head), slope[:, None]], axis=1)
        largest = np.abs(columns).max(axis=0).clip(1e-300)
        if np.linalg.matrix_rank(columns / largest) < columns.shape[1]:
            return messages.NO_AZIMUTH
        step = fit(columns, rest, u)
        head += float(np.clip(step.parameters[3], -1.0, 1.0))
        u_arcmin = step.combination(0.0, 0.0, 0.0, 1.0).u
    found, _ = solved(head)
    rest = heights - found[0] * curve(head)
    misfit = float(np.sqrt(np.mean(rest**2, dtype=np.float64))) / float(heights.mean())
    if abs(head) > _FARTHEST_ARCMIN or misfit > _WORST_MISFIT:
        return messages.NO_AZIMUTH
    # The loss goes with the square of width times angle.
    width_u = 2.0 * width.u / width.value * abs(head)
    angle = Quantity(head, float(np.hypot(u_arcmin, width_u)))
    return AzimuthFinding(angle, tuple(bursts), 100.0 * misfit, width_u)


def index_of(found: BurstsFound) -> IndexFinding | Message:
    """Return the delay of the first burst and how single turns scatter, or why there is none."""
    if not found.timed:
        return messages.START_UNTIMED
    starts = found.first_us
    scatter_us = float(starts.std(ddof=1)) if len(starts) > 1 else 0.0
    return IndexFinding(found.bursts[0].start_us, scatter_us, len(starts))
