"""The turns of a stream: by the index while there is one, else by the pattern itself."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.envelope.setup import Setup
from app.analysis.lobes.index import IndexDetector, Pulse
from app.analysis.lobes.turns import IndexTurns, LobeTime, PatternTurns, Turn
from app.analysis.lobes.window_turns import WindowTurns
from app.analysis.lobes.windows import Windows

_INDEX_PATIENCE_S = 1.2
"""An index that has given no turn for so long, from the beginning or of late, is silent."""
_LATE_TURN = 1.4
"""A turn that has lasted this much longer than the one before is not foretold any more."""


class TurnFinder:
    """Finds the turns of one stream, by the index if it can and else by the pattern."""

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        # Of min/max pairs the index is looked at once for each pair of rows.
        self._rows = 2 if setup.min_max else 1
        has_index = setup.columns.index is not None
        self._index = IndexDetector(setup.sample_rate_hz / self._rows) if has_index else None
        self._by_edges = IndexTurns(setup.sample_rate_hz)
        self._windows = Windows.of(setup.windows) if setup.windows else None
        self._pattern: PatternTurns | WindowTurns | None = None
        self._read_by: PatternTurns | WindowTurns | None = None
        self._triggered_at: int | None = None
        self._any_by_edges = False
        self._patience_frames = _INDEX_PATIENCE_S * setup.sample_rate_hz
        self._turned_at = 0
        self._frames_seen = 0
        self._next_frame = 0
        self._from_frame = 0.0
        self.epoch = 0
        """Counted up whenever the turns found before do not belong with those that follow."""

    @property
    def by_index(self) -> bool:
        """Whether the turns begin at edges of the index."""
        has_index = self._index is not None or self._triggered_at is not None
        return self._pattern is None and has_index

    @property
    def index_is_doubled(self) -> bool:
        """Whether the index gives more than one pulse a turn, so that its edges tell no side."""
        return self.by_index and self._by_edges.is_doubled

    @property
    def index_is_long(self) -> bool:
        """Whether pulses last so long that it cannot be told which of their edges is the index."""
        return self.by_index and self._by_edges.is_long

    @property
    def index_is_silent(self) -> bool:
        """Whether there is an index channel that gives no turns."""
        return self._index is not None and self._pattern is not None

    @property
    def index_is_crowded(self) -> bool:
        """Whether edges come all the same, of which none is a turn from another."""
        edge = self._by_edges.newest_edge
        return edge is not None and self._next_frame - edge < self._patience_frames

    @property
    def lock(self) -> tuple[int, int] | None:
        """Names the count of lobes that the pattern has now; None by the index."""
        return None if self._pattern is None else (self.epoch, self._pattern.locks)

    @property
    def lobe_times(self) -> tuple[LobeTime, ...]:
        """Where the pattern was found, lobe by lobe; empty by edges of an index channel."""
        read_by = self._pattern or self._read_by
        return () if read_by is None else tuple(read_by.times)

    @property
    def lobes_a_turn(self) -> int:
        """Lobes that the pattern counts to a turn; 0 by edges of an index channel."""
        read_by = self._pattern or self._read_by
        return 0 if read_by is None else read_by.a_turn

    @property
    def alike_a_turn(self) -> int:
        """Places of a turn at which it may be taken to begin; at every second the sides swap."""
        return self.lobes_a_turn if self._windows is None else self._windows.swaps_a_turn

    @property
    def tells_side(self) -> bool:
        """Whether the pattern by itself shows which side is which."""
        return isinstance(self._pattern, WindowTurns) and self._pattern.tells_side

    def push(
        self,
        samples_v: NDArray[np.float32],
        first_index: int,
        series: EnvelopeSeries | None,
        *,
        at_index: bool,
    ) -> list[Turn]:
        """Take the next samples, their envelope already in `series`; returns turns completed."""
        self._frames_seen += len(samples_v)
        if first_index != self._next_frame:
            self._by_edges.break_off()
        self._next_frame = first_index + len(samples_v)
        if at_index:
            self._triggered_at = first_index
            self._by_edges.take_edge(float(first_index))
        if self._index is None:
            return self._by_pattern(series, at_end=False)
        slips = self._by_edges.slips
        turns = self._by_edges.push(self._pulses(self._index, samples_v, first_index))
        self._any_by_edges |= bool(turns)
        self.epoch += self._by_edges.slips > slips
        if turns and self._pattern is not None:
            self._pattern = None
            self.epoch += 1
        if turns:
            self._turned_at = self._frames_seen
        if self._frames_seen - self._turned_at < self._patience_frames:
            return turns
        return self._by_pattern(series, at_end=False)

    def finish(self, series: EnvelopeSeries | None, end_frame: int) -> list[Turn]:
        """Return the turns that were waiting for more samples; the capture ends at `end_frame`."""
        turns: list[Turn] = []
        if self._index is not None:
            turns = self._by_edges.push(self._in_frames(self._index.flush()))
        if self._pattern is None and (turns or self._any_by_edges):
            return turns
        turns = self._by_pattern(series, at_end=True)
        if self._triggered_at is not None and self._pattern is not None:
            return self._triggered(self._pattern, self._triggered_at, end_frame)
        return turns

    def break_off(self, from_frame: float) -> None:
        """Note a gap of unknown length: no pattern goes on over it, and turns by the index do."""
        self._from_frame = from_frame
        if not self.by_index:
            self.begin_anew()

    def begin_anew(self) -> None:
        """Forget the pattern's count: the envelope begins anew, or time is not continuous."""
        self.epoch += 1
        if self._pattern is not None:
            self._pattern = self._new_pattern()

    def forget_before(self, frame: float) -> None:
        """Drop what tells of older turns."""
        if self._pattern is not None:
            self._pattern.forget_before(frame)

    def under_way(self, end_frame: int) -> Turn | None:
        """Return the turn that is not yet over, its end foretold."""
        if self._pattern is not None:
            frames, start = self._pattern.turn_frames, self._pattern.turn_start
            return None if frames is None else Turn(start, start + frames)
        frames, edge = self._by_edges.turn_frames, self._by_edges.last_edge
        if frames is None or edge is None or end_frame - edge > _LATE_TURN * frames:
            return None
        return Turn(edge, edge + frames)

    def _pulses(
        self, index: IndexDetector, samples_v: NDArray[np.float32], first_index: int
    ) -> list[Pulse]:
        column = samples_v[:, self._setup.columns.index]
        if self._rows == 2:
            column = 0.5 * (column[::2] + column[1::2])
        return self._in_frames(index.push(column, first_index // self._rows))

    def _in_frames(self, pulses: list[Pulse]) -> list[Pulse]:
        if self._rows == 1:
            return pulses
        return [Pulse(2.0 * pulse.edge_frame, 2.0 * pulse.frames) for pulse in pulses]

    def _triggered(
        self, pattern: PatternTurns | WindowTurns, start: int, end_frame: int
    ) -> list[Turn]:
        """Return whole turns from the index edge that triggered a record, as long as the pattern's.

        The pattern's own phase counts for nothing then: the index shows which lobe is first.
        """
        frames, times = pattern.turn_frames, pattern.times
        self._pattern, self._read_by = None, pattern
        self.epoch += 1
        if frames is None:
            return []
        lobes = pattern.a_turn
        if len(times) <= lobes:
            count = int((end_frame - start) // frames)
            return [Turn(start + k * frames, start + (k + 1) * frames) for k in range(count)]
        # Each turn is as long as from one lobe to the same of the next turn.
        counts = np.array([time.count for time in times], dtype=np.float64)
        places = np.array([time.frame for time in times])
        ends = np.array([counts[0] - 2.0 * lobes, counts[-1] + 2.0 * lobes])
        spacing = frames / lobes
        counts = np.concatenate([ends[:1], counts, ends[1:]])
        far = 2.0 * lobes * spacing
        places = np.concatenate([[places[0] - far], places, [places[-1] + far]])
        first = float(np.interp(start, places, counts))
        turns = int((counts[-1] - first) // lobes)
        wanted = [first + lobes * turn for turn in range(turns + 1)]
        edges = [float(np.interp(each, counts, places)) for each in wanted]
        return [Turn(*each) for each in pairwise(edges) if each[1] <= end_frame]

    def _by_pattern(self, series: EnvelopeSeries | None, *, at_end: bool) -> list[Turn]:
        if series is None:
            return []
        if self._pattern is None:
            self._pattern = self._new_pattern()
            self.epoch += 1
        return self._pattern.push(series, at_end=at_end)

    def _new_pattern(self) -> PatternTurns | WindowTurns:
        setup = self._setup
        if self._windows is not None:
            return WindowTurns(setup.sample_rate_hz, self._windows, self._from_frame)
        rpm, pairs = setup.speed_rpm, setup.pairs
        return PatternTurns(setup.sample_rate_hz, rpm, pairs, self._from_frame)
