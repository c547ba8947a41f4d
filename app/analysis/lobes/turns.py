"""Whole turns of a stream, by its index or by the rhythm of its lobes."""

from __future__ import annotations

import cmath
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries, mean_by, median_of
from app.analysis.envelope.setup import SampleBlock, Setup
from app.analysis.lobes.index import IndexDetector, Pulse
from app.analysis.lobes.roughness import LOBE_PLACES, Roughness, roughness_of

SLOWEST_TURN_S = 60.0 / 235.0
FASTEST_TURN_S = 60.0 / 425.0
"""Turns outside of 250 to 400 rpm, with some room for wow, are not turns."""

_EARLY, _LATE = 0.9, 1.1
"""An edge this much before or after its time is not the next one of the index."""
_NARROW_PART = 0.5
"""A pulse narrower than this part of the widest of late is a glitch."""
_WIDTHS_KEPT = 6
_PATIENCE = 3
_DOUBLED = 0.2
"""With as many pulses between the edges for each turn there is more than one index a turn."""
_EDGES_KEPT, _ALIKE = 12, 0.02
"""Of several pulses a turn each comes again after a turn: of all ways between so many edges, taken
for the same where they are alike to this part, a turn's is the commonest."""
_LONG = 1.0 / 3.0
"""Of a pulse that lasts more than this part of the turn nobody knows which state is the pulse."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One whole turn, from one edge to the next, in absolute frames (they need not be whole)."""

    start_frame: float
    end_frame: float

    @property
    def frames(self) -> float:
        """Length in frames."""
        return self.end_frame - self.start_frame


def bins_of(
    series: EnvelopeSeries, turns: Sequence[Turn]
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]:
    """Return the bins that lie within turns, where in its turn each stands, and in which of them.

    All three have shape (bins,): places in the series' arrays, 0 to 1 of a turn, and places among
    `turns`.
    """
    within = [series.bins_between(turn.start_frame, turn.end_frame) for turn in turns]
    bins = np.concatenate([np.arange(each.start, each.stop, dtype=np.int64) for each in within])
    number = np.repeat(np.arange(len(turns)), [each.stop - each.start for each in within])
    start = np.array([turn.start_frame for turn in turns])[number]
    frames = np.array([turn.frames for turn in turns])[number]
    return bins, (series.centre_frame(bins + series.first) - start) / frames, number


class IndexTurns:
    """Pairs leading edges of the index into turns, and passes over glitches and missing pulses."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._shortest = FASTEST_TURN_S * sample_rate_hz
        self._longest = SLOWEST_TURN_S * sample_rate_hz
        self._last: float | None = None
        self._widths: deque[float] = deque(maxlen=_WIDTHS_KEPT)
        self._edges: deque[float] = deque(maxlen=_EDGES_KEPT)
        self._strays = 0
        self._early = self._turns = 0
        self._cut = False
        self.turn_frames: float | None = None
        """Length of the last turn, None before the first."""
        self.slips = 0
        """How many times turns began to begin at another place."""

    @property
    def is_doubled(self) -> bool:
        """Whether so many pulses stand within turns that one of them may be the index."""
        return self._early > _DOUBLED * (self._turns + 1)

    @property
    def is_long(self) -> bool:
        """Whether pulses last so long that either of their edges may begin the turn."""
        if self.turn_frames is None or not self._widths:
            return False
        widths = np.array(self._widths)
        usual = median_of(widths[widths >= _NARROW_PART * widths.max()])
        return usual > _LONG * self.turn_frames

    @property
    def last_edge(self) -> float | None:
        """Frame of the newest edge that counts."""
        return self._last

    @property
    def newest_edge(self) -> float | None:
        """Frame of the newest edge, whether it counts or not."""
        return self._edges[-1] if self._edges else None

    def break_off(self) -> None:
        """Note that samples are missing: the next edge may be late by any part of a turn."""
        self._cut = True

    def push(self, pulses: list[Pulse]) -> list[Turn]:
        """Take new pulses and return the turns that they complete, since turns last slipped."""
        turns: list[Turn] = []
        for pulse in pulses:
            slips, turn = self.slips, self._take(pulse)
            if self.slips > slips:
                turns.clear()
            if turn is not None:
                turns.append(turn)
        return turns

    def _take(self, pulse: Pulse) -> Turn | None:
        widest = max(self._widths, default=0.0)
        is_wide = pulse.frames * _NARROW_PART > widest > 0.0
        if is_wide and self.turn_frames is not None:
            return None  # those before have made a turn: this one is an index that was cut off
        self._widths.append(pulse.frames)
        if pulse.frames < _NARROW_PART * widest:
            return None
        if is_wide:
            # So much wider than all before that those were glitches.
            self._restart(pulse.edge_frame)
            return None
        return self.take_edge(pulse.edge_frame)

    def take_edge(self, edge: float) -> Turn | None:
        """Take an edge that is known to be the index's, and return the turn that it completes."""
        last = self._last
        self._edges.append(edge)
        if last is None:
            self._restart(edge)
            return None
        frames = edge - last
        usual = self.turn_frames
        low = self._shortest if usual is None else max(_EARLY * usual, self._shortest)
        if frames < low:
            self._early += 1
            self._strays += 1
            if self._strays >= _PATIENCE:
                self._restart(edge)
            return None
        high = self._longest if usual is None else min(_LATE * usual, self._longest)
        if frames > high:
            # One or more pulses were missed: begin again here, the length stands.
            if usual is not None and not self._cut:
                self.slips += abs(frames / usual - round(frames / usual)) > 1.0 - _EARLY
            self._last, self._cut = edge, False
            self._strays += 1
            if self._strays >= _PATIENCE:
                self._restart(edge)
            return None
        self._turns += 1
        self._strays, self._cut = 0, False
        self._last, self.turn_frames = edge, frames
        return Turn(last, edge)

    def _restart(self, edge: float) -> None:
        self.slips += self.turn_frames is not None
        self._last, self.turn_frames, self._strays = edge, self._commonest(), 0

    def _commonest(self) -> float | None:
        """Return the way between edges that is met most often, if it is that of one turn."""
        edges = np.array(self._edges)
        ways = (edges[:, None] - edges)[np.tril_indices(len(edges), -1)]
        ways = ways[(ways >= self._shortest) & (ways <= self._longest)]
        if not ways.size:
            return None
        alike = np.abs(ways[:, None] / ways - 1.0) < _ALIKE
        counts = alike.sum(axis=0)
        best = int(np.argmax(counts))
        others = counts[~alike[best]]
        if others.size and others.max() >= counts[best]:
            return None
        return float(np.median(ways[alike[best]])) if counts[best] > 1 else None


def index_turns(pieces: Sequence[SampleBlock], setup: Setup) -> list[Turn]:
    """Return the whole turns between edges of the index, pieces joined end to end."""
    column = setup.columns.index
    if column is None:
        return []
    turns: list[Turn] = []
    begin = 0.0
    for piece in pieces:
        # Of min/max pairs the index is looked at once for each pair of rows.
        rows = 2 if piece.min_max else 1
        pairs = IndexTurns(setup.sample_rate_hz)
        start, begin = begin, begin + len(piece.samples_v)
        if piece.at_index:
            pairs.take_edge(start)
        detector = IndexDetector(setup.sample_rate_hz / rows)
        level_v = np.ascontiguousarray(piece.samples_v[::rows, column])
        found = [*detector.push(level_v, 0), *detector.flush()]
        turns += pairs.push(
            [Pulse(start + each.edge_frame * rows, each.frames * rows) for each in found]
        )
    return turns


_ACQUIRE_S = 0.75
"""Three turns at 250 rpm."""
_MIN_THERE = 0.8
"""A stretch of which less is there has the rhythm of its gaps."""
_MIN_LINE = 0.12
"""The line of the lobes' rate, as a part of the envelope's mean, below which there is no
pattern: lobes of any known shape give more than 0.5."""
_ALPHA, _BETA = 0.35, 0.06
"""Gains of the flywheel for place and period: it forgets an error in some three lobes, critically
damped (beta = alpha squared / (2 - alpha))."""
_HOLD_S = 20.0
"""With the pattern gone the flywheel runs on for so long: a speed steady to 0.2 % is then 40 ms
off, less than half of the distance between lobes."""
_PERIODS = 3
"""It runs on with the period of so many lobes before."""
_FOLDS = 40
_SAME_LEVEL, _GONE, _LOW, _BETWEEN, _WIDE_GAP = 0.93, 0.1, 0.2, 0.3, 0.3
"""Parts of the top: a place above the first is level with it, one below the second is a gap, and
what lies between is a second level where it fills this much of the room. Groups leave less of it
empty in one place than the last."""
_LEVEL = 0.1
"""A level's values lie within this part of the top."""
_AS_DEEP = 0.25
"""Gaps are alike: one that is less of a dip than this part of another is a dip within a group."""
_FAR = 0.2
_STRAYS = 6
_PUT_OFF = 8
"""So often a stretch that is rough in part is put off: by then all of it is new."""
_REGAINS = 2
"""After noise the places of so many lobes are believed at once."""
_NOISY = 6
"""So many lobes in a row that are noisier than before are no chance: the signal has become so."""
_WEAK = 0.1


@dataclass(frozen=True, slots=True)
class LobeTime:
    """The place of one lobe in time: its count since lock, and the frame of its middle."""

    count: int
    frame: float


class PatternTurns:
    """Finds turns in the envelope alone, and holds on to them like a flywheel.

    At equal lobes half a turn is as periodic as a whole one; so the lobes' own rate is followed,
    and every second lobe (or every one of 2 m) is counted on from the moment of lock. That count
    distinguishes the lobes for as long as the flywheel runs.

    Parameters
    ----------
    sample_rate_hz : float
        Frames a second.
    nominal_rpm : float
        Gives the pairs of lobes a turn where they are open.
    pairs : int or None
        Pairs of lobes a turn, None when open.
    from_frame : float
        What comes before is not of one course with what comes after.
    """

    def __init__(
        self,
        sample_rate_hz: float,
        nominal_rpm: float,
        pairs: int | None,
        from_frame: float = 0.0,
    ) -> None:
        self._from_frame = from_frame
        self._rate_hz = sample_rate_hz
        self._nominal_hz = nominal_rpm / 60.0
        self._wanted_pairs = pairs
        self.pairs = pairs or 1
        self.locked = False
        self.locks = 0
        """How many times lock was found: another lock is another count of lobes."""
        self.times: list[LobeTime] = []
        """Where each lobe was found since lock."""
        self._count = 0
        self._next_frame = 0.0
        self._period = 0.0
        self._periods: deque[float] = deque()
        self._turn_start = 0.0
        self._coasted: int = 0
        self._strays = 0
        self._strays_from = 0.0
        self._usual = 0.0
        self._tried_to = 0
        self._roughness: Roughness | None = None
        self._put_off: int = 0
        self._noisy: int = 0
        self._regains: int = 0
        self._spoilt = False

    @property
    def a_turn(self) -> int:
        """Lobes that are counted to a turn."""
        return 2 * self.pairs

    @property
    def turn_frames(self) -> float | None:
        """Length of a turn now, None when not locked."""
        return 2 * self.pairs * self._period if self.locked else None

    @property
    def turn_start(self) -> float:
        """Frame at which the turn under way began."""
        return self._turn_start

    def push(self, series: EnvelopeSeries, *, at_end: bool = False) -> list[Turn]:
        """Follow the pattern to the end of the series and return the turns completed.

        With `at_end` a stretch shorter than usual may do to find the pattern in.
        """
        if not self.locked and not self._acquire(series, at_end=at_end):
            return []
        turns: list[Turn] = []
        while self._next_frame + 0.5 * self._period < series.end_frame:
            self._follow_one(series)
            if not self.locked:
                break
            if self._count % (2 * self.pairs) == 0:
                end = self._next_frame - 0.5 * self._period
                if not self._spoilt:
                    turns.append(Turn(self._turn_start, end))
                self._turn_start, self._spoilt = end, False
        return turns

    def forget_before(self, frame: float) -> None:
        """Drop the places of lobes that are older."""
        self.times[:] = [time for time in self.times if time.frame >= frame]

    def _acquire(self, series: EnvelopeSeries, *, at_end: bool) -> bool:
        bins = round(_ACQUIRE_S * self._rate_hz / series.frames_a_bin)
        if at_end:
            least = round(SLOWEST_TURN_S * self._rate_hz / series.frames_a_bin)
            bins = min(bins, max(series.end - series.first, least))
        oldest = series.first_from(self._from_frame)
        if series.end < max(self._tried_to + bins // 8, oldest + bins):
            return False
        start = max(self._tried_to - bins, oldest) - series.first
        stretch = slice(start, start + max(bins, min(2 * bins, series.end - series.first)))
        self._tried_to = min(series.first + stretch.stop, series.end)
        there = series.ok[stretch]
        if np.mean(there) < _MIN_THERE:
            return False
        frames = series.centres_in(slice(start, start + len(there)))
        roughness = roughness_of(series, frames[0], frames[-1])
        if not (roughness.is_same_throughout or at_end) and self._put_off < _PUT_OFF:
            # Half of it noise, it may show any rhythm.
            self._put_off += 1
            return False
        amplitude = np.where(there, series.amplitude_in(stretch), 0.0)
        found = self._lobe_rate(amplitude, series.frames_a_bin / self._rate_hz)
        if found is None:
            return False
        rate_hz, self.pairs = found
        self._period = self._rate_hz / rate_hz
        wave = np.exp(-2j * np.pi * frames / self._period)
        first = -cmath.phase(amplitude @ wave) / (2.0 * np.pi) * self._period
        lead = np.ceil((frames[0] + 0.5 * self._period - first) / self._period)
        self._next_frame = first + lead * self._period
        self._turn_start = self._next_frame - 0.5 * self._period
        self._usual = float(amplitude.mean())
        self._periods = deque([self._period], maxlen=_PERIODS)
        self._roughness = roughness
        self._count = self._coasted = self._strays = 0
        self._noisy = self._put_off = self._regains = 0
        self._spoilt = False
        self.times.clear()
        self.locked = True
        self.locks += 1
        return True

    def _lobe_rate(self, amplitude: NDArray[np.float64], bin_s: float) -> tuple[float, int] | None:
        """Return lobes a second and pairs a turn, or None where no such rhythm stands out."""
        mean = float(amplitude.mean())
        # A window of fewer than three bins is all zeros.
        if mean <= 0.0 or len(amplitude) < 3:
            return None
        window = np.hanning(len(amplitude))
        size = 1 << 15
        spectrum = np.abs(np.fft.rfft((amplitude - mean) * window, size))
        spectrum *= 2.0 / window.sum() / mean
        step_hz = 1.0 / (size * bin_s)
        low_hz, high_hz = 1.0 / SLOWEST_TURN_S, 1.0 / FASTEST_TURN_S
        pairs = self._wanted_pairs
        if pairs is None:
            low, high = 2.0 * low_hz, 36.0 * high_hz
        else:
            low, high = 2.0 * pairs * low_hz, 2.0 * pairs * high_hz
        first = int(np.ceil(low / step_hz))
        band = spectrum[first : int(high / step_hz) + 1]
        if not band.size:  # the bins are too few a second for any turn
            return None
        line = int(np.argmax(band))
        if band[line] < _MIN_LINE:
            return None
        rate_hz = (first + line) * step_hz
        if pairs is None:
            if rate_hz > 2.0 * high_hz and _are_pairs(amplitude, rate_hz * bin_s):
                # The line of the pairs is the strongest: two groups stand in each.
                rate_hz *= 2.0
            pairs = 1 if rate_hz <= 2.0 * high_hz else round(rate_hz / (2.0 * self._nominal_hz))
            if pairs > 1 and not low_hz <= rate_hz / (2.0 * pairs) <= high_hz:
                return None
        return rate_hz, pairs

    def _follow_one(self, series: EnvelopeSeries) -> None:
        """Compare one lobe's place with where it was expected, and go on to the next."""
        half = 0.5 * self._period
        bins = series.bins_between(self._next_frame - half, self._next_frame + half)
        ok, amplitude = series.ok[bins], series.amplitude_in(bins)
        level = float(amplitude.mean()) if ok.size and ok.all() else 0.0
        wave = np.exp((-2j * np.pi / self._period) * (series.centres_in(bins) - self._next_frame))
        line = complex(amplitude @ wave) if level > 0.0 else 0.0j
        late = -cmath.phase(line) / (2.0 * np.pi) * self._period
        is_there = level > _WEAK * self._usual
        # What is as high here as there is no lobe.
        has_top = is_there and 2.0 * abs(line) >= _MIN_LINE * level * len(amplitude)
        is_near = has_top and abs(late) <= _FAR * self._period
        is_noise = is_there and self._is_noise(series, half, is_near=is_near)
        if is_noise:
            self._regains = _REGAINS
        elif has_top and self._coasted > self.a_turn:
            self._regains = max(self._regains, 1)
        self._spoilt |= is_noise or (has_top and self._regains > 0)
        # What it ran on without for long, or through noise, is corrected at once.
        gain = 1.0 if self._regains else _ALPHA
        if has_top and not is_noise:
            self._coasted = 0
            self._usual += 0.1 * (level - self._usual)
            if not is_near:
                if not self._strays:
                    self._strays_from = self._next_frame - half
                self._strays += 1
                late = 0.0
            else:
                self._strays = 0
                self._regains = max(0, self._regains - 1)
                self.times.append(LobeTime(self._count, self._next_frame + late))
        else:
            if not self._coasted:
                # The last lobe before a signal goes may be but a part of one.
                self._period = self._periods[0]
            late = 0.0
            self._coasted += 1
        turn_s = 2 * self.pairs * self._period / self._rate_hz
        runs_away = not FASTEST_TURN_S <= turn_s <= SLOWEST_TURN_S
        coasted_s = self._coasted * self._period / self._rate_hz
        if runs_away or self._strays >= _STRAYS or coasted_s > _HOLD_S:
            self.locked = False
            self._tried_to = series.end
            if self._strays >= _STRAYS:
                # Samples are missing before the first of them: no rhythm goes on over that.
                self._from_frame = self._strays_from
            return
        self._period += _BETA * late
        self._periods.append(self._period)
        self._next_frame += self._period + gain * late
        self._count += 1

    def _is_noise(self, series: EnvelopeSeries, half: float, *, is_near: bool) -> bool:
        """Return whether a lobe is not as rough as those that were followed.

        Of noise few have a top where one is expected; where several in a row have one it is the
        signal that has changed.
        """
        roughness = roughness_of(
            series, self._next_frame - half, self._next_frame + half, LOBE_PLACES
        )
        other = self._roughness is not None and not roughness.is_as_rough_as(self._roughness)
        self._noisy = self._noisy + 1 if other and is_near else 0
        if other and self._noisy < _NOISY:
            return True
        # What grows by and by is followed.
        self._roughness, self._noisy = roughness, 0
        return False


def _are_pairs(amplitude: NDArray[np.float64], repeats_a_bin: float) -> bool:
    """Return whether what repeats so often holds two groups, or one and as much room again."""
    phase = np.arange(len(amplitude)) * repeats_a_bin % 1.0
    folded = mean_by((phase * _FOLDS).astype(int), amplitude, _FOLDS)
    return holds_two(folded, flat=True)


def holds_two(folded: NDArray[np.float64], *, flat: bool, slack: float = 0.0) -> bool:
    """Return whether a repeated part of the turn holds two levels, or but one.

    Opposite the deepest gap between single groups is the middle of a group; of two groups, another
    gap. Where there are no gaps, `flat` groups of two heights show two levels.

    Parameters
    ----------
    folded : numpy.ndarray
        float64, shape (n,): amplitude by place in the part.
    slack : float
        What noise may take away from an amplitude.
    """
    count = len(folded)
    top, bottom = float(np.sort(folded)[-max(1, count // 8)]), float(folded.min())
    low = folded < bottom + (_GONE if flat else _LOW) * (top - bottom)
    if not low.any():
        return False  # one level, wherever one looks
    # The longest run of low places, around the end of the turn too.
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.tile(low, 2), [0]])))
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    if not flat and ends[longest] - starts[longest] > _WIDE_GAP * count:
        return False
    opposite = int(starts[longest] + ends[longest] - 1) // 2 + count // 2
    near = folded[np.arange(opposite - count // 16, opposite + count // 16 + 1) % count]
    dips = float(near.min()) < _SAME_LEVEL * top - slack
    if dips and not (flat and top - near.min() < _AS_DEEP * (top - bottom)):
        return True
    between = (folded > _GONE * top) & (folded < _SAME_LEVEL * top)
    high = float(np.mean(folded > 0.5 * top))
    second = bottom > _GONE * top and float(between.mean()) > _BETWEEN
    return flat and ((second and _is_level(folded[between], top)) or high < 0.5)


def _is_level(values: NDArray[np.float64], top: float) -> bool:
    """Return whether most values are one level, and no slope down into a smeared gap."""
    ordered = np.sort(values)
    most = len(ordered) // 2
    return bool(np.min(ordered[most:] - ordered[: len(ordered) - most]) < _LEVEL * top)
