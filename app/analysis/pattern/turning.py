"""Whole turns of one stream: by the index while it speaks, else by the pattern."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from app.analysis.pattern.index import IndexDetector, Pulse
from app.analysis.pattern.revolution import IndexTurns, LobeTime, PatternTurns, Turn
from app.analysis.signal.series import EnvelopeSeries
from app.analysis.signal.setup import Setup

_INDEX_PATIENCE_S = 1.2
"""An index that has given no turn for so long from the beginning is silent."""
_LATE_TURN = 1.4
"""A turn that has lasted this much longer than the one before is not foretold any more."""


class TurnFinder:
    """Finds the turns, and knows which lobe is first where the index tells.

    Parameters
    ----------
    setup : Setup
        Source and disk.
    """

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        # Of extremes the index is looked at once for each pair of rows.
        self._rows = 2 if setup.extremes else 1
        has_index = setup.columns.index is not None
        self._index = IndexDetector(setup.sample_rate_hz / self._rows) if has_index else None
        self._by_edges = IndexTurns(setup.sample_rate_hz)
        self._pattern: PatternTurns | None = None
        self._triggered_at: int | None = None
        self._frames_seen = 0
        self.epoch = 0
        """Counted up whenever the turns found before do not belong with those that follow."""

    @property
    def by_index(self) -> bool:
        """Whether the turns begin at edges of the index."""
        has_index = self._index is not None or self._triggered_at is not None
        return self._pattern is None and has_index

    @property
    def index_is_silent(self) -> bool:
        """Whether there is an index channel that gives no turns."""
        return self._index is not None and self._pattern is not None

    @property
    def lock(self) -> tuple[int, int] | None:
        """Names the count of lobes that the pattern has now; None by the index."""
        return None if self._pattern is None else (self.epoch, self._pattern.locks)

    @property
    def lobe_times(self) -> tuple[LobeTime, ...]:
        """Where the pattern was found, lobe by lobe; empty by the index."""
        return () if self._pattern is None else tuple(self._pattern.times)

    @property
    def lobes_a_turn(self) -> int:
        """Lobes that the pattern counts to a turn; 0 by the index."""
        return 0 if self._pattern is None else 2 * self._pattern.pairs

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
        if at_index:
            self._triggered_at = first_index
            self._by_edges.take_edge(float(first_index))
        if self._index is None:
            return self._by_pattern(series, at_end=False)
        turns = self._by_edges.push(self._pulses(self._index, samples_v, first_index))
        if turns and self._pattern is not None:
            self._pattern = None
            self.epoch += 1
        if turns or self._by_edges.turn_frames is not None:
            return turns
        if self._frames_seen < _INDEX_PATIENCE_S * self._setup.sample_rate_hz:
            return []
        return self._by_pattern(series, at_end=False)

    def finish(
        self, series: EnvelopeSeries | None, end_frame: int, *, any_before: bool
    ) -> list[Turn]:
        """Return the turns that were waiting for more samples; the capture ends at `end_frame`."""
        turns: list[Turn] = []
        if self._index is not None:
            turns = self._by_edges.push(self._in_frames(self._index.flush()))
        if self._pattern is None and (turns or any_before):
            return turns
        turns = self._by_pattern(series, at_end=True)
        if self._triggered_at is not None and self._pattern is not None:
            return self._triggered(self._pattern, self._triggered_at, end_frame)
        return turns

    def begin_anew(self) -> None:
        """Forget the pattern's count: the envelope begins anew, or time is not continuous."""
        self.epoch += 1
        if self._pattern is not None:
            self._pattern = self._new_pattern()

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

    def _triggered(self, pattern: PatternTurns, start: int, end_frame: int) -> list[Turn]:
        """Return whole turns from the index edge that triggered a record, as long as the pattern's.

        The pattern's own phase counts for nothing then: the index tells which lobe is first.
        """
        frames = pattern.turn_frames
        self._pattern = None
        if frames is None:
            return []
        count = int((end_frame - start) // frames)
        return [Turn(start + k * frames, start + (k + 1) * frames) for k in range(count)]

    def _by_pattern(self, series: EnvelopeSeries | None, *, at_end: bool) -> list[Turn]:
        if series is None:
            return []
        if self._pattern is None:
            self._pattern = self._new_pattern()
            self.epoch += 1
        return self._pattern.push(series, at_end=at_end)

    def _new_pattern(self) -> PatternTurns:
        setup = self._setup
        return PatternTurns(setup.sample_rate_hz, setup.speed_rpm, setup.pairs)
