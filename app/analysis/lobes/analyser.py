"""From samples to readings: the newest, lobe by lobe, and one over a whole capture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.mixing import MIXED_PART, carrier_before
from app.analysis.envelope.paths import path_for
from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.envelope.setup import SampleBlock, Setup
from app.analysis.envelope.stillness import StillnessWatch
from app.analysis.lobes.character import Character, characterise, of_windows
from app.analysis.lobes.finder import TurnFinder
from app.analysis.lobes.gain_control import gain_is_controlled
from app.analysis.lobes.gone import gone_bins
from app.analysis.lobes.heights import (
    Heights,
    MeanTurn,
    are_ragged,
    far_off,
    invalid,
    mean_turn,
    measure_heights,
    of_recording,
    with_balance,
    with_effects,
)
from app.analysis.lobes.layout import Layout, layout_of
from app.analysis.lobes.roughness import Roughness, roughness_of_turn
from app.analysis.lobes.speed import mean_speed
from app.analysis.lobes.tracking import (
    GONE_PART,
    Followed,
    LiveBalance,
    LobeFollower,
    Taught,
    Teaching,
    with_untold,
)
from app.analysis.lobes.turns import SLOWEST_TURN_S, Turn, bins_of
from app.analysis.results import Message, Quantity, Reading, Side, Sign, Trace
from app.analysis.uncertainty import mean_frequency

_RECENT_TURNS = 8
_SPEED_TURNS = 5
_WAIT_S = 2.4
"""A turn that has not been found for so long from the beginning is not only late."""
_HOLD_S = 0.28
"""A reading stands for so long without another lobe: one may be missed even at 250 rpm."""
_COUNTED_S = 20.0
"""Through a longer gap no turns are counted on: a machine that slept is not gone through bin by
bin."""
_CLIPPED_KEPT_S = 3.0
_MOVED_SIGMAS, _MOVED_LEAST = 3.0, 0.03
"""The head moves where the balance has left the reading's by so many u and by this."""
_CHARACTER_TURNS = 8
_BESIDE_A_PATTERN = messages.CLIPPED, messages.TOO_UNCERTAIN
"""Why a reading is not valid although its pattern was found."""
_LEAST_KNOWN = 0.5
"""A turn of which less is there teaches nothing, and one that is not whole nothing by itself."""
_UNEVEN = 0.03
"""A spindle's mass lets no turn differ by more than this from the one before (common practice)."""
_OFF_SPEED = 0.02
_OFF_CARRIER = 0.05
_PULSE, _SAME_SIGNAL, _GONE_SIGNAL = 0.05, 0.5, 0.25
"""A capture may begin or end within a pulse, of no more of a turn than this (common practice). With
more than this part of the turns' power the pattern is still there, with less than that it is gone.
"""


class Analyser:
    """Takes samples as they come and holds the newest reading.

    Parameters
    ----------
    keep_all : bool
        Keep every turn for :meth:`summary`; otherwise only the last ones.
    """

    def __init__(self, setup: Setup, *, keep_all: bool = False) -> None:
        self._setup = setup
        self._keep_all = keep_all
        self._path = path_for(setup, live=not keep_all)
        self._starts = self._path.starts
        self._lacks_carrier = False
        self._stillness = StillnessWatch(setup.columns.signals, setup.sample_rate_hz)
        self._finder = TurnFinder(setup)
        self._count_of = self._finder.epoch, self._finder.lock
        self._follower = LobeFollower(setup)
        self._hold_frames = _HOLD_S * setup.sample_rate_hz
        self._teaching = Teaching()
        self._turns: list[Turn] = []
        self._roughness_by: dict[Turn, Roughness] = {}
        self._roughness: Roughness | None = None
        self._speed: Quantity | None = None
        self._speed_to: Sequence[Turn] = []
        self._turn_count = 0
        self._turn_frames: float | None = None
        self._last_turns: list[Turn] = []
        """The newest turn, sound or not; empty before any."""
        self._first_frame: int | None = None
        self._end_frame = 0
        self._frames_seen = 0
        self._shift = 0
        self._said_clipped = False
        self._clipped_spans: list[tuple[int, int]] = []
        self._cut: list[Turn] = []
        self._pattern_is_cut = False
        self._in_order: Quantity | None = None
        self._reading = Reading(valid=False, reasons=(messages.WAITING,))
        self.trace: Trace | None = None
        """The newest whole turn; where all are kept it is there when the capture has ended."""
        self.told: Reading | None = None
        """The last summary without what no record tells; None before any, and where lobes could not
        be read."""
        self.moving: Quantity | None = None
        """The balance now, inside a lobe, where the head has moved away from the reading's."""

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
                block.samples_v,
                block.first_index + self._shift,
                block.gap_before,
                block.at_index,
                block.clipped,
            )

    def _push(
        self,
        samples_v: NDArray[np.float32],
        first_index: int,
        gap_before: bool,
        at_index: bool,
        clipped: bool,
    ) -> bool:
        if self._first_frame is None:
            self._first_frame = first_index
        elif (gap_before and first_index == self._end_frame) or (
            first_index - self._end_frame > _COUNTED_S * self._setup.sample_rate_hz
        ):
            first_index += self._break_off(first_index)
        self._end_frame = first_index + len(samples_v)
        self._frames_seen += len(samples_v)
        if clipped:
            self._note_clipped(first_index)
        self._stillness.push(samples_v)
        if self._stillness.fault is None:
            self._path.push(samples_v, first_index)
        if self._path.starts != self._starts:
            self._starts = self._path.starts
            self._finder.begin_anew()
        lacked_one = self._lacks_carrier
        self._lacks_carrier = self._path.fault == messages.NO_CARRIER
        if lacked_one and not self._lacks_carrier and self._setup.columns.index is not None:
            # The pattern's count, where the index gave none, went by noise meanwhile.
            self._finder.break_off(first_index)
        turns = self._finder.push(samples_v, first_index, self._path.series, at_index=at_index)
        return self._advance(turns)

    def _note_clipped(self, first_index: int) -> None:
        """Keep where the source says that it clipped, as long as a lobe may still touch it."""
        oldest = self._end_frame - _CLIPPED_KEPT_S * self._setup.sample_rate_hz
        self._clipped_spans = [span for span in self._clipped_spans if span[1] > oldest]
        self._clipped_spans.append((first_index, self._end_frame))

    def _clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether the signal shows clipping between two frames, or the source said so."""
        return self._said_between(start_frame, end_frame) or self._cut_between(
            start_frame, end_frame
        )

    def _said_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether the source said of frames between two that they are clipped."""
        return any(end > start_frame and first < end_frame for first, end in self._clipped_spans)

    def _cut_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether the signal itself shows clipping between two frames."""
        return (
            self._path.clipped_between(start_frame, end_frame)
            # A whole lobe hides one that was cut after it.
            or self._path.reaches_rail_between(0.5 * (start_frame + end_frame), end_frame)
        )

    def _break_off(self, first_index: int) -> int:
        """Begin anew after a gap of unknown length, or of hours; returns how later frames move.

        On the analyser's own axis the gap lasts a second, and no count of lobes outlasts it; turns
        by the index do.
        """
        jump = self._end_frame + round(self._setup.sample_rate_hz) - first_index
        self._shift += jump
        self._finder.break_off(first_index + jump)
        return jump

    def finish(self) -> None:
        """Work through what waits for more samples: the capture has ended."""
        with np.errstate(invalid="ignore", over="ignore"):
            self._finish()

    def _finish(self) -> None:
        self._path.flush()
        turns = self._finder.finish(self._path.series, self._end_frame)
        self._advance(turns)
        series = self._path.series
        if self._keep_all and series is not None and self._turns:
            self.trace = self._trace_of(series, self._turns[-1], None)

    def summary(self) -> Reading:
        """Return the reading over all turns kept; call :meth:`finish` first."""
        series, fault = self._path.series, self._path.fault
        if series is None or fault is not None:
            ended = messages.NO_CARRIER if fault in (None, messages.WAITING) else fault
            return self._with_sure_speed(invalid(self._bare(), self._stillness.fault or ended))
        with np.errstate(invalid="ignore", over="ignore"):
            return self._with_sure_speed(self._summary(series))

    def begin_teaching(self) -> Message | None:
        """Remember the balance now; returns what is missing, or that nothing is to be taught."""
        if self._finder.by_index or self._finder.tells_side:
            return messages.TEACH_MEND_INDEX if self._sense() is None else messages.TEACH_KNOWN
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
    def taught(self) -> Taught | None:
        """What was taught, for another analysis of the same samples; None while that is nothing."""
        turn, sense = self._finder.under_way(self._end_frame), self._sense()
        if self._finder.by_index or turn is None or sense is None:
            return None
        return Taught(sense, Turn(turn.start_frame - self._shift, turn.end_frame - self._shift))

    def adopt(self, taught: Taught) -> None:
        """Take over what was taught to another analysis of the same samples; no break counts."""
        sense = taught.sense_in(self._turns, self._finder.alike_a_turn)
        if sense is not None and not self._finder.by_index:
            self._teaching.adopt(sense, self._finder.lock)

    def _sense(self) -> int | None:
        """Return which lobe is the taller with the head outward, where that is known."""
        if self._finder.index_is_doubled or self._finder.index_is_long:
            return None
        if self._finder.by_index or self._finder.tells_side:
            return 1 if self._setup.first_lobe_outward else -1
        return self._teaching.sense(self._finder.lock)

    def _sign(self, sense: int | None) -> Sign:
        if sense is None:
            return Sign.UNKNOWN
        known = self._finder.by_index or self._finder.tells_side
        return Sign.KNOWN if known else Sign.TAUGHT

    def _advance(self, turns: list[Turn]) -> bool:
        """Take turns completed and lobes completed; returns whether there is a new reading."""
        count_of = self._finder.epoch, self._finder.lock
        if count_of != self._count_of:
            self._count_of = count_of
            self._turns.clear()
            self._last_turns.clear()
            self._follower.forget()
            self._in_order = None
        self.moving = None
        series, fault = self._path.series, self._stillness.fault or self._path.fault
        if series is None or fault is not None:
            self._reading = invalid(self._bare(), fault or messages.WAITING)
            return True
        sound = [turn for turn in turns if self._keep_all or self._is_sound(series, turn)]
        self._turns += sound
        if sound and not self._keep_all:
            self._turns = self._as_rough_as_newest()
            # By now: once whole tops have come, cut ones are below them and no rail any more.
            self._cut = [each for each in self._cut if each in self._turns]
            self._cut += [
                each for each in sound if self._clipped_between(each.start_frame, each.end_frame)
            ]
        self._turn_count += len(turns)
        self._last_turns = turns[-1:] or self._last_turns
        changed = not self._keep_all and self._follow(series, learn=bool(sound))
        if turns and not self._keep_all:
            trace = self._trace_of(series, turns[-1], self._follower.layout)
            # A turn that was counted on through a gap shows nothing.
            self.trace = trace if trace.turns.size else self.trace
        if not self.locked:
            late = self._frames_seen > _WAIT_S * self._setup.sample_rate_hz
            reason = self._no_lock if late else messages.WAITING
            self._reading = invalid(self._bare(), reason)
            return True
        return self._said_anew(changed or bool(turns))

    def _said_anew(self, changed: bool) -> bool:
        """Say why there is no reading once more where that is old; returns whether one is new."""
        reading = self._reading
        is_old = self._end_frame - reading.end_index > self._hold_frames
        if changed or self._keep_all or reading.valid or not is_old:
            return changed
        late = self._frames_seen > _WAIT_S * self._setup.sample_rate_hz
        reasons = (
            (self._no_lock,) if late and messages.WAITING in reading.reasons else reading.reasons
        )
        self._reading = replace(self._bare(), reasons=reasons)
        return True

    def _as_rough_as_newest(self) -> list[Turn]:
        """Return the turns kept that are as rough as the newest: no pattern is of both."""
        newest = self._roughness_by[self._turns[-1]]
        alike = [each for each in self._turns if self._roughness_by[each].is_like(newest)]
        if len(alike) > 1 and self._roughness_by[alike[-2]].goes_with(newest):
            # One turn that is higher may be that in which the gain has jumped; two are the signal.
            alike = [each for each in alike if self._roughness_by[each].goes_with(newest)]
        return alike

    def _trace_of(self, series: EnvelopeSeries, turn: Turn, layout: Layout | None) -> Trace:
        trace = take_trace(series, turn, layout, self._turn_count)
        frames = turn.start_frame - self._shift, turn.end_frame - self._shift
        return replace(trace, frames=frames)

    def _is_sound(self, series: EnvelopeSeries, turn: Turn) -> bool:
        """Return whether a live turn seems to have all its samples, also where nobody told.

        Noise that is there in each turn belongs to the signal; other noise does not.
        """
        before, self._turn_frames = self._turn_frames, turn.frames
        before_it = self._roughness
        self._roughness = roughness_of_turn(series, turn.start_frame, turn.end_frame)
        if not self._roughness.is_same_throughout and not (
            before_it and self._roughness.is_like(before_it)
        ):
            # What comes behind it may be counted from elsewhere.
            self._turns.clear()
            return False
        if self._roughness.known < _LEAST_KNOWN or not (self._roughness.is_whole or self._turns):
            return False
        self._roughness_by[turn] = self._roughness
        as_long = before is None or abs(turn.frames / before - 1.0) <= _UNEVEN
        follower = self._follower
        # Lobes of a pattern that is not known have no places; else one that was taken wrongly, of
        # a turn within which the head came, would keep each turn from which to learn better.
        return as_long and (follower.character.reason is not None or follower.places.hold(turn))

    def _follow(self, series: EnvelopeSeries, *, learn: bool) -> bool:
        follower = self._follower
        if learn:
            del self._turns[:-_RECENT_TURNS]
            # What was cut has another pattern; where all was, that has to do.
            whole = [each for each in self._turns if each not in self._cut]
            roughness = self._roughness_by[self._turns[-1]]
            follower.learn(series, whole or self._turns, roughness, self._path.step_v)
            self._pattern_is_cut = not whole
            if follower.layout is None:
                self._in_order = None
                self._reading = self._without_layout(self._bare(), follower.lone)
            elif follower.layout.windows is not None and follower.character.reason is not None:
                # Of windows that are not there no lobe may come to say so.
                self._reading = invalid(self._bare(), follower.character.reason)
            self._forget_old()
        under_way = self._finder.under_way(self._end_frame)
        if under_way is None:
            return False
        # The last lobe of a turn may be there only when the next one has begun. Those of all that
        # was learned from, to begin with: they tell whether heights are steady.
        whole = self._turns if follower.is_new else self._last_turns
        turns, changed = [*whole, under_way], False
        followed_now = follower.follow(
            series,
            turns,
            self._said_between,
            self._cut_between,
            foretold=not self._finder.by_index,
        )
        for followed in followed_now:
            if followed.live is None:
                assert followed.why is not None
                self._in_order = None
                self._reading = invalid(self._bare(), followed.why)
            else:
                self._reading = self._live_reading(series, followed, followed.live)
            changed = True
        self._leave_places()
        self.moving = self._moved(series, turns)
        if self.moving is not None and follower.is_other(
            series, self._end_frame - turns[-1].frames, self._end_frame
        ):
            self.moving = None
        if self._reading.valid and self._end_frame - self._reading.end_index > self._hold_frames:
            held = series.bins_between(self._reading.end_index, self._end_frame)
            gaps = not series.ok[held].all()
            self._reading = invalid(self._bare(), messages.GAPS if gaps else messages.NOT_FOLLOWED)
            changed = True
        return changed

    def _leave_places(self) -> None:
        """Begin anew where lobes stand elsewhere from now on."""
        places = self._follower.places
        if self._finder.by_index:
            if places.moved_at is not None:
                # The disk slipped beneath the index: no turn from before is of what comes now.
                at = places.moved_at
                self._turns = [each for each in self._turns if each.start_frame > at]
                self._follower.forget()
        elif places.shifted_at is not None:
            # Of samples that are missing untold nobody knows how many turns they were.
            self._finder.break_off(places.shifted_at)

    def _moved(self, series: EnvelopeSeries, turns: Sequence[Turn]) -> Quantity | None:
        """Return the balance now where it has left that of the reading.

        Without an index a step of the head shifts the turns too, and with them the shapes.
        """
        before = self._in_order
        if before is None or not self._reading.valid or not self._finder.by_index:
            return None
        now = self._follower.now(series, turns)
        if now is None:
            return None
        least = max(_MOVED_LEAST, _MOVED_SIGMAS * float(np.hypot(now.u, before.u)))
        if abs(now.value - before.value) <= least:
            return None
        sense = self._sense() if self._reading.sign is not Sign.UNKNOWN else None
        return replace(now, value=abs(now.value) if sense is None else sense * now.value)

    def _without_layout(self, reading: Reading, lone: float | None) -> Reading:
        """Return a reading of no lobes, or of but one at the place `lone`, in turns."""
        if lone is None:
            return invalid(reading, self._stillness.fault or messages.NO_PATTERN)
        return far_off(reading, lone < 0.5, self._sense() if self._finder.by_index else None)

    def _live_reading(
        self, series: EnvelopeSeries, followed: Followed, live: LiveBalance
    ) -> Reading:
        follower = self._follower
        sense, notes = self._sense(), list(self._standing_notes())
        self._in_order = with_untold(live.heights.balance, live.untold_u)
        reasons: list[Message] = []
        clipped = self._clipped_between(followed.start_frame, followed.end_frame)
        if clipped or self._pattern_is_cut:
            reasons.append(messages.CLIPPED)
        if follower.character.reason is not None:
            reasons.append(follower.character.reason)
        if follower.character.note is not None:
            notes.append(follower.character.note)
        if live.sum_jumped:
            notes.append(messages.SUM_JUMPED)
        if self._finder.by_index and follower.layout is not None and follower.layout.is_at_index:
            sense = None
            notes.append(messages.LOBE_AT_INDEX)
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
            snr_db=self._snr_db(live.heights),
            sign=self._sign(sense),
        )
        heights, character = live.heights, follower.character
        if follower.layout is not None and self._turns:
            # The tops of one turn are too few to tell how far they are bent.
            heights = self._with_effects(heights, follower.layout, self._turns, character)
        heights = of_recording(heights, character.filling, character.balance_u, character.even_u)
        heights = replace(heights, balance=with_untold(heights.balance, live.untold_u))
        return with_balance(reading, heights, sense, self._setup)

    def _forget_old(self) -> None:
        keep_s = (_RECENT_TURNS + 4) * SLOWEST_TURN_S
        oldest = self._end_frame - keep_s * self._setup.sample_rate_hz
        self._path.forget_before(oldest)
        self._finder.forget_before(oldest)
        self._turns = [turn for turn in self._turns if turn.start_frame > oldest]
        self._roughness_by = {turn: self._roughness_by[turn] for turn in self._turns}

    def _snr_db(self, heights: Heights) -> float | None:
        """Return sine power at the taller lobe's top over noise power, None where not known."""
        taller_v, noise_v2 = max(heights.first_v.value, heights.second_v.value), self._path.noise_v2
        if noise_v2 <= 0.0 or taller_v <= 0.0:
            return None
        return float(10.0 * np.log10(0.5 * taller_v**2 / noise_v2))

    def _summary(self, series: EnvelopeSeries) -> Reading:
        if self._turns:
            series.lose(gone_bins(series, _with_outer(self._turns)))
        turns = [turn for turn in self._turns if _is_whole(series, turn)]
        reading = self._over_turns(series, turns)
        if not turns:
            return invalid(
                reading,
                messages.NO_WHOLE_TURN if self._turns else self._stillness.fault or self._no_lock,
            )
        mean = mean_turn(series, turns, with_spikes=bool(self._setup.windows))
        layout = layout_of(mean, series, turns, self._setup) if mean is not None else None
        if mean is None or layout is None:
            return self._without_layout(reading, None)
        if layout.lone is not None:
            return self._without_layout(reading, layout.lone)
        fits = layout.fit(series, _with_outer(turns))
        measured = measure_heights(fits, layout.pairs)
        if measured is None or _are_none(measured[0], mean):
            return invalid(reading, _why_unread(mean, layout))
        if layout.windows is None and are_ragged(fits, layout.pairs):
            return invalid(reading, messages.LOBES_RAGGED)
        heights, moved = measured
        if moved is not None:
            reading = replace(reading, notes=(*reading.notes, moved))
        return self._over_lobes(series, turns, layout, heights, reading)

    def _with_sure_speed(self, reading: Reading) -> Reading:
        """Return the reading without a speed that only a pattern could tell, which is none.

        Nor is that of one lobe, nor what repeats between pulses of which not each begins a turn. A
        record that an index began tells by its pattern alone how long the turn is.
        """
        finder = self._finder
        by_edges = finder.by_index and not finder.lobes_a_turn and not finder.index_is_doubled
        if by_edges or all(each in _BESIDE_A_PATTERN for each in reading.reasons):
            return reading
        told = messages.OFF_SPEED.text, messages.SPEED_BY_PROFILE.text
        notes = tuple(note for note in reading.notes if note.text not in told)
        return replace(reading, speed_rpm=None, notes=notes)

    def _with_effects(
        self, heights: Heights, layout: Layout, turns: Sequence[Turn], character: Character
    ) -> Heights:
        """Return heights with what the way to the envelope leaves uncertain of both."""
        centres = layout.frames_of(turns)[0].reshape(-1, 2)
        heights_v = heights.first_v.value, heights.second_v.value
        effects_v = self._path.effects_v(centres, heights_v)
        steps_v = np.diag([self._path.steps_u_v(layout.window.fall * each) for each in heights_v])
        return with_effects(heights, np.vstack([effects_v, 2 * [character.law_u_v], steps_v]))

    def _over_turns(self, series: EnvelopeSeries, turns: Sequence[Turn]) -> Reading:
        """Return what whole turns give without lobes: speed, carrier, and faults of the signal."""
        setup, finder = self._setup, self._finder
        notes = list(self._standing_notes())
        missed, gone = self._between_turns(series)
        dropped = len(self._turns) - len(turns) + gone
        if dropped:
            notes.append(messages.fill(messages.TURNS_DROPPED, dropped))
        if missed:
            notes.append(messages.fill(messages.INDEX_MISSED, missed))
        speed = mean_speed(turns, setup, finder.lobe_times, finder.lobes_a_turn, series)
        carrier = carrier_of(series, turns, setup)
        if self._pairs_are_guessed:
            notes.append(messages.SPEED_BY_PROFILE)
        notes += off_profile(setup, speed, carrier)
        clipped = bool(turns) and (
            self._said_clipped
            or self._path.clipped_between(turns[0].start_frame, turns[-1].end_frame)
            or any(
                self._path.reaches_rail_between(turn.start_frame, turn.end_frame) for turn in turns
            )
        )
        return replace(
            self._without_lobes(speed, carrier),
            valid=True,
            reasons=(messages.CLIPPED,) if clipped else (),
            notes=tuple(notes),
            revolutions=len(turns),
        )

    def _between_turns(self, series: EnvelopeSeries) -> tuple[int, int]:
        """Return how many turns that were not made had the pattern, pulses of the index missing.

        And how many of them had no signal, or samples missing. Of records there are no turns
        before the edge that began them, nor between them.
        """
        if self._setup.min_max or not self._turns:
            return 0, 0
        by_edges = self._finder.by_index and not self._finder.lobes_a_turn
        by_edges = by_edges and not self._finder.index_is_doubled
        ends = [float(self._first_frame or 0), *(turn.end_frame for turn in self._turns)]
        starts = [*(turn.start_frame for turn in self._turns), float(self._end_frame)]
        frames = float(np.mean([turn.frames for turn in self._turns]))
        within = bins_of(series, self._turns)[0]
        usual_v2 = float(np.mean(series.power_v2[within])) if within.size else np.inf
        missed = gone = 0
        for number, (end, start) in enumerate(zip(ends, starts, strict=True)):
            # At either end of a capture there is a part of a turn.
            is_between = 0 < number < len(self._turns)
            lost = (start - end) / frames
            turns = max(round(lost) if is_between else int(lost - _PULSE), 0)
            begin = end if number else start - turns * frames
            for turn in range(turns):
                bins = series.bins_between(begin + turn * frames, begin + (turn + 1) * frames)
                power_v2 = float(np.sum(series.power_v2[bins])) / max(bins.stop - bins.start, 1)
                missed += bool(series.ok[bins].all()) and power_v2 > _SAME_SIGNAL * usual_v2
                gone += not series.ok[bins].all() or power_v2 < _GONE_SIGNAL * usual_v2
        return missed if by_edges else 0, gone

    def _over_lobes(
        self,
        series: EnvelopeSeries,
        turns: Sequence[Turn],
        layout: Layout,
        heights: Heights,
        reading: Reading,
    ) -> Reading:
        """Complete a reading by the lobes of whole turns, or by why they cannot be read."""
        character = _recording(series, turns, layout, heights, self._setup)
        heights = self._with_effects(heights, layout, turns, character)
        heights = of_recording(heights, character.filling, character.balance_u, character.even_u)
        notes, reasons = list(reading.notes), list(reading.reasons)
        speed, sense = reading.speed_rpm, self._sense()
        if layout.pairs > 1 and layout.windows is None:
            notes.append(messages.fill(messages.PAIRS, layout.pairs))
        if self._pairs_are_guessed and speed is not None:
            # Half a pair more or less in the turn would fit the nominal speed no worse.
            wide = speed.value / (2.0 * layout.pairs) / np.sqrt(3.0)
            speed = Quantity(speed.value, float(np.hypot(speed.u, wide)))
        if character.reason is not None:
            reasons.append(character.reason)
        elif gain_is_controlled(series, turns, layout, self._path.step_v):
            reasons.append(messages.GAIN_CONTROLLED)
        if character.note is not None:
            notes.append(character.note)
        if self._finder.by_index and layout.is_at_index:
            notes.append(messages.LOBE_AT_INDEX)
            sense = None
        completed = replace(
            reading,
            reasons=tuple(reasons),
            notes=tuple(notes),
            geometry=character.geometry,
            speed_rpm=speed,
            snr_db=self._snr_db(heights),
            sign=self._sign(sense),
        )
        untold_v = self._path.untold_v((heights.first_v.value, heights.second_v.value))
        self.told = with_balance(completed, heights, sense, self._setup)
        heights = with_effects(heights, untold_v[None])
        return with_balance(completed, heights, sense, self._setup)

    @property
    def _no_lock(self) -> Message:
        """Why no turn is found in what is no silence."""
        looked = self._setup.windows and self._setup.columns.index is None
        return messages.WINDOWS_MISSING if looked else messages.NO_LOCK

    @property
    def _pairs_are_guessed(self) -> bool:
        """Whether the pairs a turn come from the nominal speed alone."""
        return self._finder.lobes_a_turn > 2 and self._setup.pairs is None

    def _bare(self) -> Reading:
        """Return a live reading without lobes."""
        series, recent = self._path.series, self._turns[-_SPEED_TURNS:]
        return self._without_lobes(
            self._speed_of(recent) if self.locked else None,
            None if series is None else carrier_of(series, recent[-1:], self._setup),
        )

    def _speed_of(self, turns: Sequence[Turn]) -> Quantity | None:
        """Return the speed over turns, by the lobes' own places where there is no index."""
        finder, last = self._finder, turns[-1:]
        if last != self._speed_to:
            self._speed_to = last
            self._speed = mean_speed(turns, self._setup, finder.lobe_times, finder.lobes_a_turn)
        return self._speed

    def _without_lobes(self, speed_rpm: Quantity | None, carrier_hz: Quantity | None) -> Reading:
        return Reading(
            valid=False,
            notes=self._standing_notes(),
            first_index=self._first_frame or 0,
            end_index=self._end_frame,
            speed_rpm=speed_rpm,
            carrier_hz=carrier_hz,
            sign=self._sign(self._sense()),
            calibrated=self._setup.calibrated,
        )

    def _standing_notes(self) -> tuple[Message, ...]:
        setup = self._setup
        notes = list(self._path.notes)
        if setup.detector_is_unproved:
            notes.append(messages.DETECTOR_UNPROVED)
        elif setup.law is not None and setup.carrier_is_beyond_proof:
            notes.append(
                messages.fill(
                    messages.DETECTOR_PROVED_TO,
                    f"{setup.law.proved_hz / 1e3:.4g}",
                    f"{setup.carrier_hz / 1e3:.4g}",
                )
            )
        if not setup.calibrated:
            notes.append(messages.UNCALIBRATED)
        if self._finder.index_is_doubled:
            notes.append(messages.INDEX_DOUBLED)
        elif self._finder.index_is_long:
            notes.append(messages.INDEX_LONG)
        if self._finder.index_is_silent:
            crowded = self._finder.index_is_crowded
            notes.append(messages.INDEX_CROWDED if crowded else messages.INDEX_SILENT)
        if not self._finder.by_index and self._sense() is None:
            if setup.windows and self._finder.alike_a_turn:
                notes.append(messages.WINDOWS_ALIKE)
            lost = self._teaching.is_lost(self._finder.lock)
            notes.append(messages.SIGN_LOST if lost else messages.SIGN_UNKNOWN)
        return tuple(notes)


def _are_none(heights: Heights, turn: MeanTurn) -> bool:
    """Return whether lobes were fitted where hardly anything is left of what a turn rises to."""
    taller_v = max(heights.first_v.value, heights.second_v.value)
    return taller_v < GONE_PART * float(turn.amplitude_v.max(initial=0.0))


def _why_unread(turn: MeanTurn, layout: Layout) -> Message:
    """Return why no two lobes of a turn could be measured."""
    if layout.windows is None:
        return messages.NO_PATTERN
    return of_windows(turn, layout.windows, layout.turned).reason or messages.WINDOWS_NARROW


def take_trace(series: EnvelopeSeries, turn: Turn, layout: Layout | None, number: int) -> Trace:
    """Return one turn of envelope for the eye, the lobes' tops marked where they are known."""
    bins = series.bins_between(turn.start_frame, turn.end_frame)
    place = (series.centres_in(bins) - turn.start_frame) / turn.frames
    amplitude = np.where(series.ok[bins], series.amplitude_in(bins), np.nan)
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


def carrier_of(series: EnvelopeSeries, turns: Sequence[Turn], setup: Setup) -> Quantity | None:
    """Return the mean carrier over turns, weighted by power, or None for an envelope.

    Of a signal that was mixed down it is the carrier before that.
    """
    if not turns or not series.carrier_hz.any():
        return None
    bins, _, number = bins_of(series, turns)
    weight = np.where(series.ok[bins], np.maximum(series.power_v2[bins], 0.0), 0.0)
    sums = np.bincount(number, weight * series.carrier_hz[bins], len(turns))
    weights = np.bincount(number, weight, len(turns))
    seen_hz = (sums[weights > 0.0] / weights[weights > 0.0]).tolist()
    means = [carrier_before(each, setup.mixed_hz, setup.carrier_hz) for each in seen_hz]
    return mean_frequency(np.array(means), setup.clock_u_part) if means else None


def off_profile(setup: Setup, speed: Quantity | None, carrier: Quantity | None) -> list[Message]:
    """Return notes on what is off the profile: reported, not refused."""
    notes: list[Message] = []
    if speed is not None:
        away = speed.value / setup.speed_rpm - 1.0
        if abs(away) > _OFF_SPEED:
            percent, nominal = f"{100.0 * away:+.1f}", f"{setup.speed_rpm:g}"
            notes.append(messages.fill(messages.OFF_SPEED, percent, nominal))
    if carrier is not None and speed is not None:
        nominal_hz = setup.carrier_hz * speed.value / setup.speed_rpm
        mixed = setup.mixed_hz is not None
        if abs(carrier.value / nominal_hz - 1.0) > (MIXED_PART if mixed else _OFF_CARRIER):
            khz = f"{setup.carrier_hz / 1e3:g}"
            beyond = setup.carrier_hz > 0.5 * setup.sample_rate_hz
            text = messages.IMAGE if beyond else messages.OFF_CARRIER
            notes.append(messages.fill(messages.OFF_MIXED if mixed else text, khz))
    return notes


def _is_whole(series: EnvelopeSeries, turn: Turn) -> bool:
    """Return whether every sample of the turn was there."""
    bins = series.bins_between(turn.start_frame, turn.end_frame)
    expected = int(turn.frames / series.frames_a_bin) - 1
    return bins.stop - bins.start >= expected and bool(series.ok[bins].all())


def _recording(
    series: EnvelopeSeries,
    turns: Sequence[Turn],
    layout: Layout,
    heights: Heights,
    setup: Setup,
) -> Character:
    """Return what recording the pattern is of.

    The turns are judged in groups and the majority decides: over a capture in which the head
    moved, the average of all would have filled nulls.
    """
    heights_v = heights.first_v.value, heights.second_v.value
    count = max(1, len(turns) // _CHARACTER_TURNS)
    edges = np.linspace(0, len(turns), count + 1).round().astype(int).tolist()
    votes: list[Character] = []
    for start, end in pairwise(edges):
        mean = mean_turn(series, turns[start:end], with_spikes=bool(setup.windows))
        if mean is not None:
            votes.append(characterise(mean, layout, heights_v, setup))
    kinds = [vote.geometry for vote in votes]
    kind = max(set(kinds), key=kinds.count)
    chosen = [vote for vote in votes if vote.geometry == kind]
    parts = np.array([[v.balance_u, v.even_u, v.filling, v.law_u_v] for v in chosen])
    balance_u, even_u, filling, law_u_v = np.median(parts, axis=0).tolist()
    return replace(chosen[0], balance_u=balance_u, even_u=even_u, filling=filling, law_u_v=law_u_v)


def _with_outer(turns: Sequence[Turn]) -> list[Turn]:
    """Return the turns with one more at either end, for the lobes of them that there are."""
    first, last = turns[0], turns[-1]
    before = Turn(first.start_frame - first.frames, first.start_frame)
    return [before, *turns, Turn(last.end_frame, last.end_frame + last.frames)]
