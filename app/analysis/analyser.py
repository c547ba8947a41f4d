"""From samples to readings: the one object that the rest of the program feeds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.balance import far_off, invalid, sign_of, with_balance
from app.analysis.extremes import ExtremesPath
from app.analysis.index import IndexDetector, Pulse
from app.analysis.layout import (
    Character,
    Layout,
    characterise,
    find_layout,
    mean_turn,
    refine_layout,
)
from app.analysis.live import BalanceTracker, LiveBalance
from app.analysis.lobes import Window, fit_lobes
from app.analysis.paths import EnvelopePath, RawPath, SignalPath
from app.analysis.reading import Message, Quantity, Reading, Side, Trace
from app.analysis.revolution import SLOWEST_TURN_S, IndexTurns, PatternTurns, Turn
from app.analysis.series import EnvelopeSeries
from app.analysis.setup import Setup
from app.analysis.summary import Capture, carrier_of, snr_of, speed_of, summarise

_RECENT_TURNS = 8
_INDEX_PATIENCE_S = 1.2
_LIVE_WINDOW = Window(0.57)
"""Widest window of a live fit: a wider one waits longer for the lobe's end than it gains."""
_LATE_TURN = 1.4
_QUIET_NULLS = 0.02**2
"""Uncertainty of the nulls' power, over the mean height's, with which a turn can be judged."""
_TEACH_SIGMAS = 4.0
_TEACH_LEAST = 0.02


class Analyser:
    """Takes samples as they come and holds the newest reading.

    Parameters
    ----------
    setup : Setup
        Source and disk.
    keep_all : bool
        Keep every turn for :meth:`summary`; otherwise only the last ones.
    """

    def __init__(self, setup: Setup, *, keep_all: bool = False) -> None:
        self._setup = setup
        self._keep_all = keep_all
        self._path = _path_for(setup)
        self._index = (
            IndexDetector(setup.sample_rate_hz) if setup.columns.index is not None else None
        )
        self._index_turns = IndexTurns(setup.sample_rate_hz)
        self._pattern: PatternTurns | None = None
        self._turns: list[Turn] = []
        self._first_frame: int | None = None
        self._shift = 0
        self._triggered_at: int | None = None
        self._said_clipped = False
        self._end_frame = 0
        self._frames_seen = 0
        self._starts = 0
        self._turn_count = 0
        self._forget_pattern()
        self._sense: int | None = None
        self._taught_lock = -1
        self._teach_from: Quantity | None = None
        self._in_order: Quantity | None = None
        self._reading = Reading(valid=False, reasons=(messages.WAITING,))
        self.trace: Trace | None = None
        """The newest whole turn."""

    @property
    def reading(self) -> Reading:
        """The newest reading, its frames numbered as they were pushed."""
        shift = self._shift
        if not shift:
            return self._reading
        first, end = self._reading.first_index - shift, self._reading.end_index - shift
        return replace(self._reading, first_index=first, end_index=end)

    @property
    def locked(self) -> bool:
        """Whether the revolution is known and followed."""
        return self._turn_under_way() is not None

    @property
    def teaching(self) -> bool:
        """Whether a teaching of the sign is under way."""
        return self._teach_from is not None

    def push(
        self,
        samples_v: NDArray[np.float32],
        first_index: int,
        *,
        gap_before: bool = False,
        at_index: bool = False,
        clipped: bool = False,
        extremes: bool = False,
    ) -> bool:
        """Take the next samples and return whether there is a new reading.

        Parameters
        ----------
        samples_v : numpy.ndarray
            float32, shape (frames, channels), C-contiguous, in volts.
        first_index : int
            Absolute index of the first frame; a jump forward is a gap of known length.
        gap_before : bool
            Time is not continuous before these samples, though the index may be.
        at_index : bool
            The first frame is at an edge of the index.
        clipped : bool
            The source says that it clipped in these samples.
        extremes : bool
            What the setup says.
        """
        if extremes != self._setup.extremes:
            raise ValueError("samples and extremes do not mix in one stream")
        self._said_clipped |= clipped
        # Samples beyond all measure become cells that are not ok: that is dealt with there.
        with np.errstate(invalid="ignore", over="ignore"):
            return self._push(samples_v, first_index + self._shift, gap_before, at_index)

    def _push(
        self, samples_v: NDArray[np.float32], first_index: int, gap_before: bool, at_index: bool
    ) -> bool:
        if self._first_frame is None:
            self._first_frame = first_index
        elif gap_before and first_index == self._end_frame:
            first_index += self._break_off()
        if at_index:
            self._triggered_at = first_index
            self._index_turns.take_edge(float(first_index))
        self._end_frame = first_index + len(samples_v)
        self._frames_seen += len(samples_v)
        self._path.push(samples_v, first_index)
        turns = self._new_turns(samples_v, first_index)
        return self._advance(turns)

    def _break_off(self) -> int:
        """Begin anew after a gap of unknown length; returns by how much later frames move.

        A second is put in on the analyser's own axis, and no count of lobes outlasts it.
        """
        jump = round(self._setup.sample_rate_hz)
        self._shift += jump
        if self._pattern is not None:
            self._pattern = self._new_pattern()
            self._taught_lock = -1
        return jump

    def finish(self) -> None:
        """Work through what waits for more samples: the capture has ended."""
        pulses = self._index.flush() if self._index is not None else []
        self._path.flush()
        turns = self._index_turns.push(self._in_frames(pulses))
        if self._pattern is not None or not (turns or self._turns):
            turns = self._pattern_turns(at_end=True)
            if self._triggered_at is not None and self._pattern is not None:
                turns = self._triggered_turns(self._pattern, self._triggered_at)
        self._advance(turns)

    def summary(self) -> Reading:
        """Return the reading over all turns kept; call :meth:`finish` first."""
        with np.errstate(invalid="ignore", over="ignore"):
            return self._summary()

    def _summary(self) -> Reading:
        series = self._path.series
        if series is None or self._path.fault is not None:
            fault = self._path.fault
            ended = messages.NO_CARRIER if fault in (None, messages.WAITING) else fault
            return invalid(self._bare(), ended)
        return summarise(
            Capture(
                setup=self._setup,
                path=self._path,
                series=series,
                turns=tuple(self._turns),
                by_index=self._by_index,
                lobe_times=tuple(self._pattern.times) if self._pattern is not None else (),
                pairs=self._setup.pairs,
                times_a_turn=2 * self._pattern.pairs if self._pattern is not None else 0,
                sense=self._known_sense(),
                taught=self._taught,
                clipped=self._said_clipped,
                notes=self._standing_notes(),
                first_index=self._first_frame or 0,
                end_index=self._end_frame,
            )
        )

    def begin_teaching(self) -> Message | None:
        """Remember the balance now; returns what is missing when there is none."""
        if self._in_order is None or not self._reading.valid:
            return messages.TEACH_NEEDS_READING
        self._teach_from = self._in_order
        return None

    def cancel_teaching(self) -> None:
        """Forget a teaching under way."""
        self._teach_from = None

    def teach(self, side: Side) -> Message | None:
        """Learn the sign from the change since :meth:`begin_teaching`.

        Parameters
        ----------
        side : Side
            Where the head has gone since.

        Returns
        -------
        Message or None
            What to do when nothing could be learned.
        """
        before, now = self._teach_from, self._in_order
        if before is None or now is None or not self._reading.valid or self._pattern is None:
            return messages.TEACH_NEEDS_READING
        change = now.value - before.value
        if abs(change) < max(_TEACH_SIGMAS * np.hypot(now.u, before.u), _TEACH_LEAST):
            return messages.TEACH_TOO_SMALL
        outward = 1 if side is Side.OUTWARD else -1
        self._sense = outward if change > 0.0 else -outward
        self._taught_lock = self._pattern.locks
        self._teach_from = None
        return None

    # -- turns ---------------------------------------------------------------------------------

    @property
    def _by_index(self) -> bool:
        has_index = self._index is not None or self._triggered_at is not None
        return self._pattern is None and has_index

    @property
    def _taught(self) -> bool:
        return not self._by_index and self._known_sense() is not None

    def _known_sense(self) -> int | None:
        """Return which lobe is the taller with the head outward, where that is known."""
        if self._by_index:
            return 1 if self._setup.first_lobe_outward else -1
        if self._pattern is not None and self._pattern.locks == self._taught_lock:
            return self._sense
        return None

    def _new_turns(self, samples_v: NDArray[np.float32], first_index: int) -> list[Turn]:
        if self._path.starts != self._starts:
            self._starts = self._path.starts
            self._turns.clear()
            self._forget_pattern()
            if self._pattern is not None:
                self._pattern = self._new_pattern()
        if self._index is not None:
            column = samples_v[:, self._setup.columns.index]
            if self._setup.extremes:
                column, first_index = 0.5 * (column[::2] + column[1::2]), first_index // 2
            pulses = self._index.push(column, first_index)
            turns = self._index_turns.push(self._in_frames(pulses))
            if turns and self._pattern is not None:
                self._pattern = None
                self._turns.clear()
                self._forget_pattern()
            if turns or self._index_turns.turn_frames is not None:
                return turns
            if self._frames_seen < _INDEX_PATIENCE_S * self._setup.sample_rate_hz:
                return []
        return self._pattern_turns(at_end=False)

    def _in_frames(self, pulses: list[Pulse]) -> list[Pulse]:
        """Return pulses in frames: of extremes the index was looked at in every second one."""
        if not self._setup.extremes:
            return pulses
        return [Pulse(2.0 * pulse.edge_frame, 2.0 * pulse.frames) for pulse in pulses]

    def _triggered_turns(self, pattern: PatternTurns, start: int) -> list[Turn]:
        """Return whole turns from the index edge that triggered a record, as long as the pattern's.

        The pattern's own phase counts for nothing then: the index tells which lobe is first.
        """
        frames = pattern.turn_frames
        self._pattern = None
        if frames is None:
            return []
        count = int((self._end_frame - start) // frames)
        return [Turn(start + k * frames, start + (k + 1) * frames) for k in range(count)]

    def _pattern_turns(self, *, at_end: bool) -> list[Turn]:
        series = self._path.series
        if series is None:
            return []
        if self._pattern is None:
            self._pattern = self._new_pattern()
        return self._pattern.push(series, at_end=at_end)

    def _new_pattern(self) -> PatternTurns:
        setup = self._setup
        return PatternTurns(setup.sample_rate_hz, setup.speed_rpm, setup.pairs)

    def _turn_under_way(self) -> Turn | None:
        """Return the turn that is not yet over, its end foretold."""
        if self._pattern is not None:
            frames = self._pattern.turn_frames
            if frames is None:
                return None
            start = self._pattern.turn_start
            return Turn(start, start + frames)
        frames, start = self._index_turns.turn_frames, self._index_turns.last_edge
        if frames is None or start is None or self._end_frame - start > _LATE_TURN * frames:
            return None
        return Turn(start, start + frames)

    # -- the live reading ----------------------------------------------------------------------

    def _forget_pattern(self) -> None:
        self._layout: Layout | None = None
        self._character = Character(None, filled=False)
        self._doubted = False
        self._tracker = BalanceTracker(1)
        self._last_centre = -np.inf
        self._in_order = None

    def _advance(self, turns: list[Turn]) -> bool:
        series = self._path.series
        if series is None or self._path.fault is not None:
            self._set(invalid(self._bare(), self._path.fault or messages.WAITING))
            return True
        self._turns += turns
        if not self._keep_all:
            del self._turns[:-_RECENT_TURNS]
        changed = False
        if turns:
            self._turn_count += len(turns)
            if not self._keep_all:
                self._learn(series)
            self._take_trace(series, turns[-1])
            if not self._keep_all:
                self._forget_old(series)
        if not self._keep_all:
            changed = self._follow_lobes(series)
        if self._turn_under_way() is None:
            waited = self._frames_seen > 2.0 * _INDEX_PATIENCE_S * self._setup.sample_rate_hz
            self._set(invalid(self._bare(), messages.NO_LOCK if waited else messages.WAITING))
            return True
        return changed or bool(turns)

    def _learn(self, series: EnvelopeSeries) -> None:
        """Learn layout and character anew from the last turns."""
        turn = mean_turn(series, self._turns)
        found = find_layout(turn, self._setup.pairs) if turn is not None else None
        if turn is None or found is None:
            self._layout = None
            self._in_order = None
            self._set(invalid(self._bare(), messages.NO_PATTERN))
            return
        if self._layout is None or found.pairs != self._layout.pairs:
            self._tracker = BalanceTracker(found.pairs)
        if found.lone is not None:
            self._layout = None
            sense = self._known_sense() if self._by_index else None
            self._set(far_off(self._bare(), found.lone < 0.5, sense))
            return
        layout = refine_layout(found, turn, series, self._turns)
        if layout.pairs == 1 and layout.window.span > _LIVE_WINDOW.span:
            layout = replace(layout, window=_LIVE_WINDOW)
        self._layout = layout
        character = recent_character(series, self._turns, self._layout, self._setup)
        if character.geometry is None and not self._doubted:
            # The turn in which a hand moved the head is none of the recordings: wait for another.
            self._doubted = True
        else:
            self._doubted = character.geometry is None
            self._character = character

    def _follow_lobes(self, series: EnvelopeSeries) -> bool:
        """Fit every lobe that has been completed since the last time."""
        layout, under_way = self._layout, self._turn_under_way()
        if layout is None or under_way is None:
            return False
        turns = [*self._turns[-1:], under_way]
        centres, spacing = layout.frames_of(turns)
        reach = 0.5 * layout.window.span * spacing
        changed = False
        for turn, lobe in np.ndindex(*centres.shape):
            centre = float(centres[turn, lobe])
            new = centre > self._last_centre + 0.5 * spacing[turn, lobe]
            if not new or centre + reach[turn, lobe] > series.end_frame:
                continue
            self._last_centre = centre
            self._take_lobe(series, layout, lobe, centre, float(spacing[turn, lobe]))
            changed = True
        return changed

    def _take_lobe(
        self, series: EnvelopeSeries, layout: Layout, lobe: int, centre: float, spacing: float
    ) -> None:
        fits = fit_lobes(series, np.array([centre]), np.array([spacing]), layout.window)
        if not fits.ok[0]:
            self._tracker.miss(lobe % 2)
            return
        height = Quantity(float(fits.height_v[0]), float(fits.u_v[0]))
        live = self._tracker.push(lobe % 2, height)
        if live is not None:
            end = centre + 0.5 * layout.window.span * spacing
            self._set(self._live_reading(series, live, end, spacing))

    def _live_reading(
        self, series: EnvelopeSeries, live: LiveBalance, end: float, spacing: float
    ) -> Reading:
        assert self._layout is not None
        sense = self._known_sense()
        at_index = self._by_index and self._layout.is_at_index
        if at_index:
            sense = None
        self._in_order = live.heights.balance
        reasons: list[Message] = []
        turn = 2.0 * self._layout.pairs * spacing
        if self._path.clipped_between(end - turn, end):
            reasons.append(messages.CLIPPED)
        if self._character.filled:
            reasons.append(messages.NULLS_FILLED)
        elif self._character.geometry is None:
            reasons.append(messages.NO_PATTERN)
        notes = self._standing_notes()
        if live.sum_jumped:
            notes = (*notes, messages.SUM_JUMPED)
        if at_index:
            notes = (*notes, messages.LOBE_AT_INDEX)
        recent = self._turns[-5:]
        taller = max(live.heights.first_v.value, live.heights.second_v.value)
        reading = Reading(
            valid=not reasons,
            reasons=tuple(reasons),
            notes=notes,
            first_index=int(end - turn),
            end_index=int(end),
            revolutions=1,
            from_one_lobe=live.from_one_lobe,
            geometry=self._character.geometry,
            speed_rpm=speed_of(recent, self._setup.sample_rate_hz),
            carrier_hz=carrier_of(series, recent[-1:]),
            snr_db=snr_of(self._path, taller),
            sign=sign_of(sense, taught=self._taught),
            calibrated=self._setup.calibrated,
        )
        return with_balance(reading, live.heights, sense, self._setup)

    def _take_trace(self, series: EnvelopeSeries, turn: Turn) -> None:
        cells = series.cells_between(turn.start_frame, turn.end_frame)
        place = (series.centres_in(cells) - turn.start_frame) / turn.frames
        amplitude = np.where(series.ok[cells], series.amplitude_v[cells], np.nan)
        tops: Sequence[float] = ()
        heights: Sequence[float] = ()
        if self._layout is not None:
            fits = self._layout.fit(series, [turn])
            tops = [float(centre) for centre in self._layout.centres]
            heights = [float(height) for height in fits.height_v]
        self.trace = Trace(
            place.astype(np.float32),
            amplitude.astype(np.float32),
            tuple(tops),
            tuple(heights),
            self._turn_count,
        )

    def _forget_old(self, series: EnvelopeSeries) -> None:
        oldest = self._end_frame - (_RECENT_TURNS + 4) * SLOWEST_TURN_S * self._setup.sample_rate_hz
        self._path.forget_before(oldest)
        self._turns = [turn for turn in self._turns if turn.start_frame > oldest]

    def _bare(self) -> Reading:
        """Return a reading that says nothing but what stands without lobes."""
        series = self._path.series
        recent = self._turns[-5:]
        return Reading(
            valid=False,
            notes=self._standing_notes(),
            first_index=self._first_frame or 0,
            end_index=self._end_frame,
            speed_rpm=speed_of(recent, self._setup.sample_rate_hz) if self.locked else None,
            carrier_hz=carrier_of(series, recent[-1:]) if series is not None else None,
            sign=sign_of(self._known_sense(), taught=self._taught),
            calibrated=self._setup.calibrated,
        )

    def _standing_notes(self) -> tuple[Message, ...]:
        setup = self._setup
        notes: list[Message] = []
        if setup.columns.envelope is not None and setup.detector_threshold_v is None:
            notes.append(messages.DETECTOR_UNPROVED)
        if not setup.calibrated:
            notes.append(messages.UNCALIBRATED)
        if self._index is not None and self._pattern is not None:
            notes.append(messages.INDEX_SILENT)
        if not self._by_index and self._known_sense() is None:
            notes.append(messages.SIGN_UNKNOWN)
        return tuple(notes)

    def _set(self, reading: Reading) -> None:
        self._reading = reading


def recent_character(
    series: EnvelopeSeries, turns: Sequence[Turn], layout: Layout, setup: Setup
) -> Character:
    """Judge the pattern from as few of the newest turns as the noise allows.

    A hand that moves shifts a boundary's nulls from turn to turn: an average over many would fill
    them.
    """
    character = Character(None, filled=False)
    count = 1
    while True:
        newest = list(turns[-count:])
        turn = mean_turn(series, newest)
        fits = layout.fit(series, newest)
        if turn is None or not fits.ok.any():
            return character
        heights = fits.height_v.reshape(-1, 2)
        first, second = (float(height) for height in heights.mean(axis=0))
        character = characterise(turn, layout, (first, second), setup.geometry)
        at_nulls = float(np.quantile(turn.u_v2, 0.02))
        quiet = at_nulls < _QUIET_NULLS * (0.5 * (first + second)) ** 2
        if quiet or count >= len(turns):
            return character
        count = min(2 * count, len(turns))


def _path_for(setup: Setup) -> SignalPath:
    if setup.extremes:
        if setup.columns.differential is None:
            raise ValueError("extremes are analysed as those of the differential")
        return ExtremesPath(setup.columns.differential, setup.sample_rate_hz)
    if setup.columns.envelope is not None:
        return EnvelopePath(
            setup.columns.envelope,
            setup.sample_rate_hz,
            setup.low_corner_hz,
            setup.detector_threshold_v or 0.0,
        )
    return RawPath(
        setup.columns,
        setup.channels,
        setup.sample_rate_hz,
        setup.bandwidth_hz,
        setup.carrier_hz,
    )
