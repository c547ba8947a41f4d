"""From samples to readings: the one object that the rest of the program feeds.

Separate records, as a scope delivers them: each is read by itself, and they are averaged.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.paths import path_for
from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.envelope.setup import SampleBlock, Setup
from app.analysis.lobes.heights import Heights, balance_of, far_off, invalid, sign_of, with_balance
from app.analysis.lobes.layout import Layout
from app.analysis.lobes.summary import Capture, carrier_of, snr_of, speed_of, summarise
from app.analysis.lobes.tracking import Followed, LobeFollower, Teaching
from app.analysis.lobes.turns import SLOWEST_TURN_S, Turn, TurnFinder
from app.analysis.results import Message, Quantity, Reading, Side, Sign, Trace
from app.analysis.uncertainty import excess_u

_RECENT_TURNS = 8
_SPEED_TURNS = 5
_WAIT_S = 2.4
"""A turn that has not been found for so long from the beginning is not only late."""


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
        self._path = path_for(setup)
        self._starts = self._path.starts
        self._finder = TurnFinder(setup)
        self._epoch = self._finder.epoch
        self._follower = LobeFollower(setup)
        self._teaching = Teaching()
        self._turns: list[Turn] = []
        self._turn_count = 0
        self._first_frame: int | None = None
        self._end_frame = 0
        self._frames_seen = 0
        self._shift = 0
        self._said_clipped = False
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
        return self._finder.under_way(self._end_frame) is not None

    @property
    def teaching(self) -> bool:
        """Whether a teaching of the sign is under way."""
        return self._teaching.under_way

    @property
    def turns(self) -> tuple[Turn, ...]:
        """The whole turns kept, in frames since the beginning."""
        return tuple(self._turns)

    def push(self, block: SampleBlock) -> bool:
        """Take the next samples and return whether there is a new reading."""
        if block.min_max != self._setup.min_max:
            raise ValueError("samples and min/max pairs do not mix in one stream")
        self._said_clipped |= block.clipped
        # Samples beyond all measure become bins that are not ok: that is dealt with there.
        with np.errstate(invalid="ignore", over="ignore"):
            return self._push(
                block.samples_v, block.first_index + self._shift, block.gap_before, block.at_index
            )

    def _push(
        self, samples_v: NDArray[np.float32], first_index: int, gap_before: bool, at_index: bool
    ) -> bool:
        if self._first_frame is None:
            self._first_frame = first_index
        elif gap_before and first_index == self._end_frame:
            first_index += self._break_off()
        self._end_frame = first_index + len(samples_v)
        self._frames_seen += len(samples_v)
        self._path.push(samples_v, first_index)
        if self._path.starts != self._starts:
            self._starts = self._path.starts
            self._finder.begin_anew()
        turns = self._finder.push(samples_v, first_index, self._path.series, at_index=at_index)
        return self._advance(turns)

    def _break_off(self) -> int:
        """Begin anew after a gap of unknown length; returns by how much later frames move.

        A second is put in on the analyser's own axis, and no count of lobes outlasts it; turns by
        the index do.
        """
        jump = round(self._setup.sample_rate_hz)
        self._shift += jump
        if not self._finder.by_index:
            self._finder.begin_anew()
        return jump

    def finish(self) -> None:
        """Work through what waits for more samples: the capture has ended."""
        self._path.flush()
        turns = self._finder.finish(
            self._path.series, self._end_frame, any_before=bool(self._turns)
        )
        self._advance(turns)

    def summary(self) -> Reading:
        """Return the reading over all turns kept; call :meth:`finish` first."""
        series, fault = self._path.series, self._path.fault
        if series is None or fault is not None:
            ended = messages.NO_CARRIER if fault in (None, messages.WAITING) else fault
            return invalid(self._bare(), ended)
        finder = self._finder
        capture = Capture(
            setup=self._setup,
            path=self._path,
            series=series,
            turns=tuple(self._turns),
            lobe_times=finder.lobe_times,
            by_index=finder.by_index,
            pairs=self._setup.pairs,
            lobes_a_turn=finder.lobes_a_turn,
            sense=self._sense(),
            taught=self._taught,
            clipped=self._said_clipped,
            notes=self._standing_notes(),
            first_index=self._first_frame or 0,
            end_index=self._end_frame,
        )
        with np.errstate(invalid="ignore", over="ignore"):
            return summarise(capture)

    def begin_teaching(self) -> Message | None:
        """Remember the balance now; returns what is missing when there is none."""
        return self._teaching.begin(self._in_order if self._reading.valid else None)

    def cancel_teaching(self) -> None:
        """Forget a teaching under way."""
        self._teaching.cancel()

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
        balance = self._in_order if self._reading.valid else None
        return self._teaching.learn(side, balance, self._finder.lock)

    @property
    def _taught(self) -> bool:
        return not self._finder.by_index and self._sense() is not None

    def _sense(self) -> int | None:
        """Return which lobe is the taller with the head outward, where that is known."""
        if self._finder.by_index:
            return 1 if self._setup.first_lobe_outward else -1
        return self._teaching.sense(self._finder.lock)

    def _advance(self, turns: list[Turn]) -> bool:
        """Take turns completed and lobes completed; returns whether there is a new reading."""
        if self._finder.epoch != self._epoch:
            self._epoch = self._finder.epoch
            self._turns.clear()
            self._follower.forget()
            self._in_order = None
        series = self._path.series
        if series is None or self._path.fault is not None:
            self._reading = invalid(self._bare(), self._path.fault or messages.WAITING)
            return True
        self._turns += turns
        self._turn_count += len(turns)
        changed = not self._keep_all and self._follow(series, learn=bool(turns))
        if turns:
            self.trace = take_trace(series, turns[-1], self._follower.layout, self._turn_count)
        if not self.locked:
            late = self._frames_seen > _WAIT_S * self._setup.sample_rate_hz
            reason = messages.NO_LOCK if late else messages.WAITING
            self._reading = invalid(self._bare(), reason)
            return True
        return changed or bool(turns)

    def _follow(self, series: EnvelopeSeries, *, learn: bool) -> bool:
        follower = self._follower
        if learn:
            del self._turns[:-_RECENT_TURNS]
            follower.learn(series, self._turns)
            if follower.layout is None:
                self._in_order = None
                self._reading = self._without_layout(follower.lone)
            self._forget_old()
        under_way = self._finder.under_way(self._end_frame)
        if under_way is None:
            return False
        changed = False
        for followed in follower.follow(series, [*self._turns[-1:], under_way]):
            self._reading = self._live_reading(series, followed)
            changed = True
        return changed

    def _without_layout(self, lone: float | None) -> Reading:
        if lone is None:
            return invalid(self._bare(), messages.NO_PATTERN)
        return far_off(self._bare(), lone < 0.5, self._sense() if self._finder.by_index else None)

    def _live_reading(self, series: EnvelopeSeries, followed: Followed) -> Reading:
        follower, live = self._follower, followed.live
        sense, notes = self._sense(), list(self._standing_notes())
        self._in_order = live.heights.balance
        reasons: list[Message] = []
        if self._path.clipped_between(followed.start_frame, followed.end_frame):
            reasons.append(messages.CLIPPED)
        if follower.character.geometry is None:
            filled = follower.character.filled
            reasons.append(messages.NULLS_FILLED if filled else messages.NO_PATTERN)
        if live.sum_jumped:
            notes.append(messages.SUM_JUMPED)
        if self._finder.by_index and follower.layout is not None and follower.layout.is_at_index:
            sense = None
            notes.append(messages.LOBE_AT_INDEX)
        taller = max(live.heights.first_v.value, live.heights.second_v.value)
        reading = replace(
            self._bare(),
            valid=not reasons,
            reasons=tuple(reasons),
            notes=tuple(notes),
            first_index=int(followed.start_frame),
            end_index=int(followed.end_frame),
            revolutions=1,
            from_one_lobe=live.from_one_lobe,
            geometry=follower.character.geometry,
            snr_db=snr_of(self._path, taller),
            sign=sign_of(sense, taught=self._taught),
        )
        return with_balance(reading, live.heights, sense, self._setup)

    def _forget_old(self) -> None:
        keep_s = (_RECENT_TURNS + 4) * SLOWEST_TURN_S
        oldest = self._end_frame - keep_s * self._setup.sample_rate_hz
        self._path.forget_before(oldest)
        self._turns = [turn for turn in self._turns if turn.start_frame > oldest]

    def _bare(self) -> Reading:
        """Return a reading that says nothing but what stands without lobes."""
        series = self._path.series
        recent = self._turns[-_SPEED_TURNS:]
        rate_hz = self._setup.sample_rate_hz
        return Reading(
            valid=False,
            notes=self._standing_notes(),
            first_index=self._first_frame or 0,
            end_index=self._end_frame,
            speed_rpm=speed_of(recent, rate_hz) if self.locked else None,
            carrier_hz=carrier_of(series, recent[-1:]) if series is not None else None,
            sign=sign_of(self._sense(), taught=self._taught),
            calibrated=self._setup.calibrated,
        )

    def _standing_notes(self) -> tuple[Message, ...]:
        setup = self._setup
        notes: list[Message] = []
        if setup.columns.envelope is not None and setup.detector_threshold_v is None:
            notes.append(messages.DETECTOR_UNPROVED)
        if not setup.calibrated:
            notes.append(messages.UNCALIBRATED)
        if self._finder.index_is_silent:
            notes.append(messages.INDEX_SILENT)
        if not self._finder.by_index and self._sense() is None:
            notes.append(messages.SIGN_UNKNOWN)
        return tuple(notes)


def take_trace(series: EnvelopeSeries, turn: Turn, layout: Layout | None, number: int) -> Trace:
    """Return one turn of envelope for the eye, the lobes' tops marked where they are known."""
    bins = series.bins_between(turn.start_frame, turn.end_frame)
    place = (series.centres_in(bins) - turn.start_frame) / turn.frames
    amplitude = np.where(series.ok[bins], series.amplitude_v[bins], np.nan)
    tops: list[float] = []
    heights: list[float] = []
    if layout is not None:
        tops = layout.centres.tolist()
        heights = layout.fit(series, [turn]).height_v.tolist()
    return Trace(
        turns=place.astype(np.float32),
        envelope_v=amplitude.astype(np.float32),
        tops_turns=tuple(tops),
        tops_v=tuple(heights),
        number=number,
    )


_RECENT = 4
_QUIET_U = 0.012
"""Records are averaged until the balance's standard uncertainty is below this, or four of them."""


class SweepAnalyser:
    """Takes whole records and holds the newest reading.

    Parameters
    ----------
    setup : Setup
        Source and disk; whether a record holds min/max pairs is told with each.
    keep_all : bool
        Keep every record's reading for :meth:`summary`; otherwise only the last ones.
    """

    def __init__(self, setup: Setup, *, keep_all: bool = False) -> None:
        self._setup = setup
        self._readings: deque[Reading] = deque(maxlen=None if keep_all else _RECENT)
        self._first_index: int | None = None
        self._end_index = 0
        self._turns = 0
        self.reading = Reading(valid=False, reasons=(messages.WAITING,))
        """The newest reading."""
        self.trace: Trace | None = None
        """The newest whole turn."""
        self.locked = False
        """Whether the newest record held a whole turn."""
        self.teaching = False
        """Never: records share no count of lobes that could be taught."""

    def push(self, block: SampleBlock) -> bool:
        """Take one whole record and return whether there is a new reading (always)."""
        if self._first_index is None:
            self._first_index = block.first_index
        self._end_index = block.first_index + len(block.samples_v)
        one = Analyser(replace(self._setup, min_max=block.min_max), keep_all=True)
        one.push(block)
        one.finish()
        newest = replace(one.summary(), first_index=block.first_index, end_index=self._end_index)
        self._turns += newest.revolutions
        self.locked = newest.revolutions > 0
        if one.trace is not None:
            self.trace = replace(one.trace, number=self._turns)
        self._readings.append(newest)
        self.reading = self._recent(newest)
        return True

    def finish(self) -> None:
        """Do nothing: every record is read when it comes."""

    def summary(self) -> Reading:
        """Return the reading over all records kept."""
        if not self._readings:
            return invalid(Reading(valid=False), messages.NO_WHOLE_TURN)
        whole = average(list(self._readings), self._setup)
        first = self._first_index or 0
        return replace(whole, first_index=first, end_index=self._end_index)

    def begin_teaching(self) -> Message | None:
        """Say that records cannot be taught."""
        return messages.TEACH_NOT_SWEEPS

    def cancel_teaching(self) -> None:
        """Do nothing."""

    def teach(self, side: Side) -> Message | None:
        """Say that records cannot be taught."""
        del side
        return messages.TEACH_NOT_SWEEPS

    def _recent(self, newest: Reading) -> Reading:
        """Return the newest reading, averaged with as few before it as are needed."""
        chosen = [newest]
        for before in list(self._readings)[-2::-1]:
            quiet = chosen[0].balance is not None and chosen[0].balance.u <= _QUIET_U
            if quiet or not before.valid:
                break
            chosen.append(before)
        return average(chosen, self._setup) if len(chosen) > 1 else newest


def average(readings: list[Reading], setup: Setup) -> Reading:
    """Return the mean of readings of records; what is not valid among them is left out.

    Where none is valid the newest stands.
    """
    fine = [reading for reading in readings if reading.valid]
    if not fine:
        return readings[-1]
    last = fine[-1]
    if len(fine) == 1:
        return last
    outward = 1 if setup.first_lobe_outward else -1
    sense = None if last.sign is Sign.UNKNOWN else outward
    values = [_in_order(reading, sense) for reading in fine]
    first, second, balance = (_mean([value[k] for value in values]) for k in range(3))
    balance = Quantity(balance_of(first.value, second.value), balance.u)
    merged = replace(
        last,
        revolutions=sum(reading.revolutions for reading in fine),
        speed_rpm=_mean_of([reading.speed_rpm for reading in fine]),
        carrier_hz=_mean_of([reading.carrier_hz for reading in fine]),
        reasons=(),
        valid=True,
    )
    return with_balance(merged, Heights(first, second, balance), sense, setup)


def _in_order(reading: Reading, sense: int | None) -> tuple[Quantity, Quantity, Quantity]:
    """Return first, second and their balance in order of the turn."""
    assert reading.first_v is not None
    assert reading.second_v is not None
    assert reading.balance is not None
    value = reading.balance.value * (sense or 1)
    return reading.first_v, reading.second_v, Quantity(value, reading.balance.u)


def _mean(quantities: list[Quantity]) -> Quantity:
    values = np.array([quantity.value for quantity in quantities])
    u = np.array([quantity.u for quantity in quantities])
    noise = float(np.sqrt(np.sum(u**2))) / len(u)
    return Quantity(float(values.mean()), float(np.hypot(noise, excess_u(values, u))))


def _mean_of(quantities: list[Quantity | None]) -> Quantity | None:
    known = [quantity for quantity in quantities if quantity is not None]
    return _mean(known) if known else None
