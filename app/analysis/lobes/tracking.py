"""Following the lobes live, at the speed of the hand, and learning which of them is which.

Where the lobes are is learned from the last turns; each is measured as soon as it is complete, and
one alone gives the balance while the sum of both holds. Where there is no index the person at the
drive shows the sign once, by a nudge of known direction.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.envelope.setup import Setup
from app.analysis.lobes.character import Character, characterise
from app.analysis.lobes.gain_control import gain_is_controlled
from app.analysis.lobes.heights import (
    MAX_EXPANDED_U,
    Heights,
    LobeFits,
    MeanTurn,
    Window,
    balance_of,
    balance_u,
    mean_turn,
    with_effects,
)
from app.analysis.lobes.layout import Layout, layout_of
from app.analysis.lobes.moving import LobeShapes, balance_now, learn_shapes
from app.analysis.lobes.places import LobePlaces
from app.analysis.lobes.roughness import Roughness, is_as_rough
from app.analysis.lobes.turns import Turn
from app.analysis.results import Message, Quantity, Side

_SUM_GAIN = 0.35
_SUM_PART = 0.02
_SUM_SIGMAS = 4.0
"""The sum of two neighbours differs from the tracked one by less than this, or it does not hold
at this moment: the hand moves (then it is too large and too small in turn) or the gain changed
(then it stays on one side)."""
_JUMP_RUN = 2
_MOST_U = 0.48 * MAX_EXPANDED_U
"""With so much u of the ratio for a gain that may have changed a hand's move is read at once."""
_TREND, _TREND_ALIKE = 3, 2.0
"""So many sums in a row change alike, to within this factor, where a signal rises or fades."""
_JUMP_PART = 0.05
"""A group that differs by more than this part from those of its kind waits for the next one: a head
makes that lower where this is taller, and a gain that jumps makes both alike."""
_GAIN_LEFT = 0.2
"""A lobe behind a jump of the gain that is by this part of its height no more as that leaves it."""
_QUIET_U, _MAX_RECENT = 0.012, 10
"""Balances are averaged until their standard uncertainty is below this, or up to so many."""
_FLOOR = 5e-4


@dataclass(frozen=True, slots=True)
class LiveBalance:
    """Heights and balance by the newest lobes.

    Attributes
    ----------
    from_one_lobe : bool
        The newest lobe alone moved the balance.
    sum_jumped : bool
        The tracked sum was given up: pairs are read until it has been found again.
    untold_u : float
        Standard uncertainty of the balance from a gain of which nothing tells yet whether it has
        changed, beside its own.
    """

    heights: Heights
    from_one_lobe: bool
    sum_jumped: bool
    untold_u: float


class Trend:
    """By how much the signal rises or fades from lobe to lobe, by the sums of two neighbours.

    A head that moves makes them too large and too small in turn, and a gain that jumps changes two
    of them; what changes three alike goes on.

    Parameters
    ----------
    heights : int
        So many of each kind are averaged.
    """

    def __init__(self, heights: int) -> None:
        # One lobe that was hit is in as many sums, which are alike.
        self._swings = 2 * heights
        self._totals: deque[Quantity] = deque(maxlen=max(_TREND, self._swings) + 1)

    def of(self, heights: int) -> Trend:
        """Return the same where as many heights as that are averaged from now on."""
        other = Trend(heights)
        other._totals.extend(self._totals)
        return other

    def push(self, total: Quantity) -> None:
        """Take the sum of the newest two heights."""
        self._totals.append(total)

    @property
    def is_known(self) -> bool:
        """Whether there are sums to be compared."""
        return len(self._totals) > 1

    @property
    def _grown(self) -> list[float]:
        """By how much each of the newest sums is larger than that before it, as a part of that."""
        grown: list[float] = []
        for before, now in pairwise(self._totals):
            part = now.value / before.value - 1.0
            slack = _SUM_SIGMAS * float(np.hypot(now.u, before.u)) / before.value
            grown.append(part if abs(part) > slack else 0.0)
        return grown

    @property
    def _goes_on(self) -> bool:
        grown = np.array(self._grown)
        sizes = np.abs(grown)
        same = np.all(grown > 0.0) or np.all(grown < 0.0)
        return bool(len(grown) == _TREND and same and sizes.max() <= _TREND_ALIKE * sizes.min())

    def at_once(self, which: int, first: Quantity, second: Quantity) -> tuple[Quantity, Quantity]:
        """Return two heights, the newest of which is `which`, as of the moment of that one."""
        if not self._goes_on:
            return first, second
        times = (self._totals[-1].value / self._totals[0].value) ** (1.0 / _TREND)
        if which == 0:
            return first, Quantity(times * second.value, times * second.u)
        return Quantity(times * first.value, times * first.u), second

    @property
    def swing_u(self) -> float:
        """Standard uncertainty of a balance from a signal that rose or fell between its heights."""
        return 0.5 * max((abs(each) for each in self._grown[-self._swings :]), default=0.0)

    @property
    def balance_u(self) -> float:
        """The same once the heights are as of one moment: from what is not known of the trend."""
        return 0.5 * float(np.ptp(self._grown)) if self._goes_on else self.swing_u


class BalanceTracker:
    """Follows the balance lobe by lobe.

    Parameters
    ----------
    pairs : int
        Pairs of lobes a turn: with several, neighbours are close in time and are read as pairs.
    """

    def __init__(self, pairs: int) -> None:
        self._pairs = pairs
        self._uneven = 0.0
        self._averaged = max(1, pairs // 2)
        self._heights = tuple(deque[Quantity](maxlen=self._averaged) for _ in range(2))
        self._sum: Quantity | None = None
        self._total: Quantity | None = None
        self._run = 0
        self._jumped = False
        self._settled = 0
        self._recent: deque[Quantity] = deque(maxlen=_MAX_RECENT)
        self._trend = Trend(self._averaged)
        self._off = 0.0
        """By which part the newest lobe differs from those of its kind, beyond noise."""
        self._waiting: float | None = None
        """The same of the lobe before, with its sign, where that was much."""

    @property
    def total_v(self) -> float | None:
        """Sum of both heights, None while it is not known or does not hold."""
        return None if self._sum is None else self._sum.value

    def learn(self, uneven: float) -> None:
        """Learn by how much the lobes of one kind differ over a turn, as a part of them.

        Where they do the needle is of a whole turn, over which that is nothing.
        """
        wanted = self._pairs if uneven else max(1, self._pairs // 2)
        self._uneven = uneven
        if self._averaged != wanted:
            self._averaged = wanted
            self._heights = tuple(deque(each, maxlen=wanted) for each in self._heights)
            self._trend = self._trend.of(wanted)

    def push(self, which: int, height: Quantity) -> LiveBalance | None:
        """Take the next lobe: `which` is 0 for a first, 1 for a second lobe."""
        waits = self._pairs > 1 and self._waits(which, height)
        self._heights[which].append(height)
        if waits:
            return None
        if not self._heights[1 - which]:
            return None
        first, second = (self._mean_height(each) for each in self._heights)
        newest = (first, second)[which]
        total = Quantity(first.value + second.value, float(np.hypot(first.u, second.u)))
        if total.value <= 0.0:
            return None
        self._trend.push(total)
        alone = self._pairs == 1 and self._sum_holds(total) and self._fits(newest)
        if self._pairs > 1 and not self._trend.is_known:
            # A hand that turns a knob may not have done so to the end.
            return None
        told_u = untold_u = 0.0
        if alone:
            assert self._sum is not None
            first, second, balance = _from_one(which, newest, self._sum)
            # By as much as it is off, a gain may have changed; the next lobe tells.
            off_v = max(0.0, abs(total.value - self._sum.value) - 2.0 * total.u)
            untold_u = off_v / self._sum.value
        elif self._pairs == 1:
            # The lobe before has become as much taller or lower since as all others do.
            first, second = self._trend.at_once(which, first, second)
            balance = Quantity(balance_of(first.value, second.value), balance_u(first, second))
            told_u = self._trend.balance_u
            # Of a first pair nothing tells whether the gain held.
            untold_u = 0.0 if self._trend.is_known else math.inf
        else:
            balance = Quantity(balance_of(first.value, second.value), balance_u(first, second))
            told_u = self._trend.swing_u
            # By as much as it is off, it may have been hit; the next of its kind tells.
            untold_u = 0.5 * self._off / len(self._heights[which])
        self._recent.append(balance)
        quiet = self._quiet()
        # That is no noise: it does not average out.
        quiet = replace(quiet, u=math.hypot(quiet.u, told_u))
        return LiveBalance(Heights(first, second, quiet), alone, self._jumped, untold_u)

    def miss(self, which: int) -> None:
        """Note that a lobe could not be measured: the gain may have jumped in it."""
        self._heights[which].clear()
        self._recent.clear()
        self._waiting = None
        self._sum = self._total = None
        self._settled = self._run = 0

    def miss_both(self) -> None:
        """Note that neither height is known any more."""
        self.miss(0)
        self.miss(1)
        self._trend = Trend(self._averaged)

    def other_at(self, which: int, height_v: float) -> float | None:
        """Return how high lobes of the other kind are at the gain by which one has this height."""
        own, other = self._heights[which], self._heights[1 - which]
        if not own or not other or _mean(own).value <= 0.0:
            return None
        return height_v * _mean(other).value / _mean(own).value

    def jump(self) -> None:
        """Note that the gain has jumped: pairs are read until a sum has been found again."""
        self.miss_both()
        self._jumped = True

    def _waits(self, which: int, height: Quantity) -> bool:
        """Return whether a lobe of several pairs waits for the next to tell why it has changed.

        Where that tells of a gain, nothing from before is kept.
        """
        before, self._waiting, self._off = self._waiting, None, 0.0
        if not self._heights[which]:
            if before is not None:
                # Whatever it was, those before it are of another signal.
                other = self._heights[1 - which]
                while len(other) > 1:
                    other.popleft()
                self._trend = Trend(self._averaged)
            return False
        usual = _mean(self._heights[which])
        if usual.value <= 0.0:
            return False
        part = height.value / usual.value - 1.0
        u = math.hypot(height.u / usual.value, usual.u / usual.value, self._uneven)
        self._off = max(0.0, abs(part) - 2.0 * u)
        if abs(part) <= _JUMP_PART + _SUM_SIGMAS * u:
            return False
        if before is None:
            self._waiting = part
            return True
        if part * before > 0.0:
            # The one before may have been cut by the jump itself.
            self.miss_both()
        return False

    def _mean_height(self, heights: deque[Quantity]) -> Quantity:
        """Return the mean; short of a turn what is uneven over it is in its u."""
        mean = _mean(heights)
        if len(heights) >= self._pairs:
            return mean
        uneven_v = self._uneven * mean.value / math.sqrt(len(heights))
        return Quantity(mean.value, math.hypot(mean.u, uneven_v))

    def _sum_holds(self, total: Quantity) -> bool:
        if self._sum is None:
            before, self._total = self._total, total
            steady = before is not None and _same(before, total)
            self._settled = self._settled + 1 if steady else 0
            if before is not None and self._settled >= _JUMP_RUN:
                # What it still moves by is what it is not known by.
                self._sum = Quantity(total.value, max(total.u, abs(total.value - before.value)))
            return False
        away = total.value - self._sum.value
        if abs(away) < _SUM_PART * self._sum.value + _SUM_SIGMAS * total.u:
            gain = _SUM_GAIN
            u = np.hypot((1.0 - gain) * self._sum.u, gain * max(total.u, abs(away)))
            self._sum = Quantity(self._sum.value + gain * away, float(u))
            self._run = 0
            self._jumped = False
            return True
        same_way = away * self._run >= 0
        self._run = (self._run if same_way else 0) + (1 if away > 0.0 else -1)
        if abs(self._run) < _JUMP_RUN:
            return True
        self._sum = self._total = None
        self._settled = self._run = 0
        self._jumped = True
        self._recent.clear()
        return False

    def _fits(self, height: Quantity) -> bool:
        """Return whether one lobe is no higher than both together: else the gain has changed."""
        return self._sum is not None and height.value < self._sum.value

    def _quiet(self) -> Quantity:
        """Return the mean of the fewest newest balances that is certain enough.

        One that the newest has left is of where the head was.
        """
        newest = self._recent[-1]
        values: list[float] = []
        variance = u = 0.0
        for balance in reversed(self._recent):
            apart_u = math.hypot(balance.u, newest.u)
            if abs(balance.value - newest.value) > _SUM_SIGMAS * apart_u:
                break
            values.append(balance.value)
            variance += balance.u**2
            u = np.sqrt(variance) / len(values)
            if u <= _QUIET_U:
                break
        return Quantity(float(np.mean(values)), float(np.hypot(u, _FLOOR)))


def with_untold(balance: Quantity, untold_u: float) -> Quantity:
    """Return a balance with the u of a gain that may have changed, up to what may be shown."""
    most_u = 0.5 * _MOST_U * (1.0 + abs(balance.value)) ** 2
    return Quantity(balance.value, max(balance.u, min(most_u, math.hypot(balance.u, untold_u))))


def _same(one: Quantity, other: Quantity) -> bool:
    slack = 0.5 * _SUM_PART * other.value + _SUM_SIGMAS * float(np.hypot(one.u, other.u))
    return abs(one.value - other.value) < slack


def _mean(heights: deque[Quantity]) -> Quantity:
    count = len(heights)
    u = np.sqrt(sum(height.u**2 for height in heights)) / count
    return Quantity(sum(height.value for height in heights) / count, float(u))


def _from_one(which: int, height: Quantity, total: Quantity) -> tuple[Quantity, Quantity, Quantity]:
    """Return first, second and balance from one height and the sum of both."""
    part = height.value / total.value
    u_part = float(np.hypot(height.u, part * total.u)) / total.value
    rest = Quantity(total.value - height.value, float(np.hypot(height.u, total.u)))
    balance = 2.0 * part - 1.0
    if which == 0:
        return height, rest, Quantity(balance, 2.0 * u_part)
    return rest, height, Quantity(-balance, 2.0 * u_part)


_LIVE_WINDOW = Window(0.57)
"""Widest window of a live fit: a wider one waits longer for the lobe's end than it gains."""
_QUIET_NULLS = 0.02**2
"""Uncertainty of the nulls' power, over the mean height's, with which a turn can be judged."""
_NULL_QUANTILE = 0.02
_PHASE_TURNS = 4
_UNEVEN, _UNEVEN_SIGMAS = 0.004, 4.0
"""Lobes of one kind differ by more than this part and so many u where the disk is uneven."""
_LOST_TURNS = 2.2
"""A count that has run for so many turns without a lobe stands no more where lobes do."""
_STALE_TURNS = 1.6
"""A lobe is compared with none of the other kind that was measured longer ago."""
GONE_PART = 0.05
"""Below this part of what the learned turns rise to there is no lobe, nor one of another gain."""
_UNKNOWN = Character(None, messages.NO_PATTERN)


@dataclass(frozen=True, slots=True)
class Followed:
    """The reading that one lobe completes.

    Attributes
    ----------
    live : LiveBalance or None
        None where there is no reading any more: `why` says for what reason.
    start_frame, end_frame : float
        From a turn before the lobe's end to the end of what was fitted.
    """

    live: LiveBalance | None
    start_frame: float
    end_frame: float
    why: Message | None = None


class LobeFollower:
    """Learns the pattern turn by turn, and measures lobe after lobe."""

    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._tracker = BalanceTracker(1)
        self._last_centre = -np.inf
        self._measured_at = [-np.inf, -np.inf]
        """The middle of the newest lobe of each kind that was measured."""
        self._whole_at = self._learned_to = -np.inf
        self._lost_until: float | None = None
        self._doubted = self._was_clipped = self._was_cut = False
        self.layout: Layout | None = None
        """Where the lobes stand, None until there are any."""
        self.lone: float | None = None
        """Place of the one broad lobe, in turns, where the head is too far off for two."""
        self.character = _UNKNOWN
        """What recording the last turns are of."""
        self._roughness: Roughness | None = None
        """How rough the newest of them is."""
        self._is_stale = False
        """Noise has come since: what follows may stand elsewhere, and is learned anew."""
        self.places = LobePlaces()
        """Whether the lobes stand where they are looked for."""
        self._shapes: LobeShapes | None = None
        self._foretold_v: float | None = None
        """Height of the next lobe, where the gain is what the last one made it."""

    @property
    def is_new(self) -> bool:
        """Whether no lobe has been measured since it began."""
        return self._last_centre == -np.inf

    def forget(self) -> None:
        """Begin anew: what was learned belongs to another stretch of signal."""
        self._tracker = BalanceTracker(1)
        self._last_centre = self._whole_at = self._learned_to = -np.inf
        self._measured_at = [-np.inf, -np.inf]
        self._lost_until = None
        self._doubted = self._was_clipped = self._was_cut = False
        self.layout = self.lone = self._shapes = None
        self.places = LobePlaces()
        self.character = _UNKNOWN
        self._roughness, self._is_stale, self._foretold_v = None, False, None

    def learn(
        self, series: EnvelopeSeries, turns: Sequence[Turn], roughness: Roughness, step_v: float
    ) -> None:
        """Learn layout and character anew from the last turns, all as rough as one another.

        `step_v` is the converter's step.
        """
        if self._roughness is not None and not roughness.is_like(self._roughness):
            self.forget()
        self._roughness, self._is_stale = roughness, False
        self._learned_to = turns[-1].end_frame
        self._whole_at = max(self._whole_at, self._learned_to)
        if self._lost_until is not None and self._learned_to > self._lost_until:
            self._lost_until = None
        turns, turn, layout = self._found(series, turns)
        self.lone = layout.lone if layout is not None else None
        if turn is None or layout is None or layout.lone is not None:
            self.layout = None
            return
        if self.layout is not None and layout.is_at_index:
            layout = layout.numbered_as(self.layout)
        if self.layout is None or not layout.stands_as(self.layout):
            self._tracker, self.places = BalanceTracker(layout.pairs), LobePlaces()
        self._shapes = None if layout.windows is not None else learn_shapes(turn, layout)
        if layout.pairs > 1 and layout.windows is None:
            self._tracker.learn(_unevenness(layout.fit(series, turns), layout.pairs))
        if layout.pairs == 1 and layout.window.span > _LIVE_WINDOW.span:
            layout = replace(layout, window=_LIVE_WINDOW)
        self.layout = layout
        character = recent_character(series, turns, self.layout, self._setup)
        if character.reason is None and gain_is_controlled(series, turns, layout, step_v):
            character = replace(character, reason=messages.GAIN_CONTROLLED)
        if character.geometry is None and not self._doubted:
            # The turn in which a hand moved the head is none of the recordings: wait for another.
            self._doubted = True
        else:
            self._doubted = character.geometry is None
            self.character = character

    def _found(
        self, series: EnvelopeSeries, turns: Sequence[Turn]
    ) -> tuple[Sequence[Turn], MeanTurn | None, Layout | None]:
        """Return the turns to learn from, their mean, and where lobes stand in it.

        Turns of which some stand elsewhere look like a pattern of more lobes than were known: the
        newest alone tells.
        """
        turn = mean_turn(series, turns, with_spikes=bool(self._setup.windows))
        layout = None if turn is None else layout_of(turn, series, turns, self._setup)
        known = self.layout
        if len(turns) > 1 and layout and known and layout.pairs != known.pairs:
            return self._found(series, turns[-1:])
        return turns, turn, layout

    def follow(
        self,
        series: EnvelopeSeries,
        turns: Sequence[Turn],
        said_between: Callable[[float, float], bool],
        cut_between: Callable[[float, float], bool],
        *,
        foretold: bool,
    ) -> Iterator[Followed]:
        """Measure every lobe of `turns` that has been completed since the last time.

        Where turns are `foretold`, and no index tells them, none is measured that comes after
        turns without any: it stands where the count has run to, until that is learned anew.

        One that is out of its place is left out, unless it was clipped: that is told, and held
        against none that comes after.
        """
        layout = self.layout
        if layout is None:
            return
        places = layout.frames_of(turns)
        centres, ends = places[0].tolist(), layout.ends_of(*places).tolist()
        least_apart = layout.least_apart
        for turn, centres_in, ends_in in zip(turns, centres, ends, strict=True):
            for number, (centre, end) in enumerate(zip(centres_in, ends_in, strict=True)):
                seen = centre <= self._last_centre + 0.5 * least_apart * turn.frames
                if seen or end > series.end_frame:
                    continue
                self._last_centre = centre
                span = end - turn.frames, end
                # Those that were learned from were judged then.
                is_later = centre > self._learned_to
                if self._is_stale or (is_later and self.is_other(series, *span)):
                    self._is_stale = True
                    self._tracker.miss_both()
                    yield Followed(None, *span, messages.NOISE_WITHIN)
                    continue
                is_cut = cut_between(*span)
                is_clipped = is_cut or said_between(*span)
                fits = layout.fit_one(series, turn, number)
                if foretold and fits.ok[0] and self._is_lost(centre, turn):
                    continue
                live = self._completed(fits, turn, number, cut=is_cut, clipped=is_clipped)
                if isinstance(live, Message):
                    yield Followed(None, *span, live)
                elif live is not None:
                    yield Followed(live, *span)

    def _is_lost(self, centre: float, turn: Turn) -> bool:
        """Return whether a lobe comes after turns without one, and nothing was learned since."""
        if centre - self._whole_at > _LOST_TURNS * turn.frames:
            self._lost_until = centre
            self._tracker.miss_both()
        self._whole_at = centre
        return self._lost_until is not None

    def _completed(
        self, fits: LobeFits, turn: Turn, number: int, *, cut: bool, clipped: bool
    ) -> LiveBalance | Message | None:
        """Take the newest lobe; returns the balance that it gives, if any, or why none stands."""
        assert self.layout is not None
        known = clipped or not fits.ok[0]
        if not known and not self.places.take(fits, number, self.layout.window, turn.frames):
            return None
        was_clipped, self._was_clipped = self._was_clipped, clipped
        was_cut, self._was_cut = self._was_cut, cut
        if was_clipped and not clipped:
            # None that was cut is compared with one that was not.
            self._tracker.miss_both()
            if was_cut:
                # It may have been cut up to its middle: a whole top hides one beside it.
                return None
        if not known and self.places.gained and self._tracker.total_v is not None:
            other_v = self._tracker.other_at(number % 2, float(fits.height_v[0]))
            self._tracker.jump()
            self._measure(fits, number % 2, turn)
            self._foretold_v = other_v
            return messages.SUM_JUMPED
        foretold_v, self._foretold_v = self._foretold_v, None
        if not known and foretold_v is not None:
            # The gain may be back at once, or a scratch took the lobe before: they are no pair.
            away_v = abs(float(fits.height_v[0]) - foretold_v)
            if away_v > _GAIN_LEFT * foretold_v:
                self._tracker.miss_both()
        live = self._measure(fits, number % 2, turn)
        if live is None or known:
            return live
        beside_v = self.places.beside_v
        # Where the other height is what the sum leaves, it is off by as much.
        effect_v = [beside_v, -beside_v if live.from_one_lobe else 0.0]
        heights = with_effects(live.heights, np.array([effect_v[:: -1 if number % 2 else 1]]))
        return replace(live, heights=heights)

    def is_other(self, series: EnvelopeSeries, start_frame: float, end_frame: float) -> bool:
        """Return whether what lies between two frames is not as rough as what was learned."""
        rough = self._roughness
        return rough is not None and not is_as_rough(series, start_frame, end_frame, rough)

    def now(self, series: EnvelopeSeries, turns: Sequence[Turn]) -> Quantity | None:
        """Return the balance by what there is of the lobe under way, in order of the turn."""
        total_v = self._tracker.total_v
        if self.layout is None or self._shapes is None or total_v is None or self.places.away:
            return None
        return balance_now(series, turns, self._shapes, total_v, self._setup.sample_rate_hz)

    def _measure(self, fits: LobeFits, which: int, turn: Turn) -> LiveBalance | None:
        level_v = self._roughness.level_v if self._roughness is not None else 0.0
        if not fits.ok[0] or fits.height_v[0] < GONE_PART * level_v:
            self._tracker.miss(which)
            return None
        centre, before = float(fits.centre_frame[0]), self._measured_at[1 - which]
        self._measured_at[which] = centre
        if centre - before > _STALE_TURNS * turn.frames:
            self._tracker.miss(1 - which)
        return self._tracker.push(which, Quantity(float(fits.height_v[0]), float(fits.u_v[0])))


def _unevenness(fits: LobeFits, pairs: int) -> float:
    """Return by how much lobes of one kind differ over a turn, 0 where that may be noise.

    That comes again with each turn: a disk that is clamped askew, or worn on one side.
    """
    shape = (-1, pairs, 2)
    heights_v, u_v = fits.height_v.reshape(shape), fits.u_v.reshape(shape)
    ok = fits.ok.reshape(shape)
    if not ok.any(axis=0).all():
        return 0.0
    count = ok.sum(axis=0)
    mean_v: NDArray[np.float64] = heights_v.sum(axis=0, where=ok) / count
    power_v2: NDArray[np.float64] = (u_v**2).sum(axis=0, where=ok)
    mean_u_v = np.sqrt(power_v2) / count
    of_kind_v = mean_v.mean(axis=0)
    part: NDArray[np.float64] = mean_v / of_kind_v - 1.0
    # What a gain did in one of the turns does not come again.
    of_turn_v = heights_v.sum(axis=1, where=ok) / np.maximum(ok.sum(axis=1), 1)
    in_turns = heights_v - of_turn_v[:, None]
    again = np.min(in_turns * np.sign(part), axis=0, where=ok, initial=np.inf)
    if not np.any(again > _UNEVEN_SIGMAS * mean_u_v + _UNEVEN * of_kind_v):
        return 0.0
    return math.sqrt(float(np.mean(part**2)))


def recent_character(
    series: EnvelopeSeries, turns: Sequence[Turn], layout: Layout, setup: Setup
) -> Character:
    """Judge the pattern from as few of the newest turns as the noise allows.

    A hand that moves shifts a boundary's nulls from turn to turn: an average over many would fill
    them.
    """
    character = _UNKNOWN
    count = 1
    while True:
        newest = turns[-count:]
        turn = mean_turn(series, newest, with_spikes=bool(setup.windows))
        fits = layout.fit(series, newest)
        if turn is None or not (fits.ok.any() or layout.windows is not None):
            return character
        first, second = (float(height) for height in fits.height_v.reshape(-1, 2).mean(axis=0))
        # The phase says the same wherever the head is.
        turn = replace(turn, turns=turns[-max(count, _PHASE_TURNS) :])
        character = characterise(turn, layout, (first, second), setup)
        at_nulls = float(np.quantile(turn.u_v2, _NULL_QUANTILE))
        quiet = at_nulls < _QUIET_NULLS * (0.5 * (first + second)) ** 2
        if quiet or count >= len(turns):
            return character
        count = min(2 * count, len(turns))


_SIGMAS = 4.0
_MIN_CHANGE = 0.02
"""The balance must change by so many standard deviations, and by this much, to show a side."""

Lock = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Taught:
    """What was taught, told by a place in the samples: for another analysis of the same ones.

    Attributes
    ----------
    sense : int
        +1 where the first lobe of `turn` is the taller with the head outward, −1 where the second.
    turn : Turn
        A turn of the count that it was taught with, in frames as they were pushed.
    """

    sense: int
    turn: Turn

    def sense_in(self, turns: Sequence[Turn], lobes_a_turn: int) -> int | None:
        """Return the sense by the count of other turns, None where none of them is near."""
        near = [turn for turn in turns if turn.start_frame <= self.turn.start_frame]
        if not near or self.turn.start_frame > near[-1].end_frame + near[-1].frames:
            return None
        place = (self.turn.start_frame - near[-1].start_frame) / near[-1].frames
        return self.sense * (-1) ** round(place * lobes_a_turn)


class Teaching:
    """Compares the balance before and after a nudge whose direction the person knows.

    What is learned holds as long as the count of lobes that it was learned with.
    """

    def __init__(self) -> None:
        self._before: Quantity | None = None
        self._sense: int | None = None
        self._lock: Lock | None = None

    @property
    def under_way(self) -> bool:
        """Whether a balance is remembered."""
        return self._before is not None

    def is_lost(self, lock: Lock | None) -> bool:
        """Return whether something was learned that no longer holds for `lock`."""
        return self._sense is not None and self._lock != lock

    def adopt(self, sense: int, lock: Lock | None) -> None:
        """Take over what was learned elsewhere."""
        self._sense, self._lock = sense, lock

    def sense(self, lock: Lock | None) -> int | None:
        """Return +1 or −1 for the lobe that is taller outward, None when not known for `lock`."""
        return self._sense if lock is not None and lock == self._lock else None

    def begin(self, balance: Quantity | None) -> Message | None:
        """Remember the balance in order of the turn; returns what is missing when there is none."""
        if balance is None:
            return messages.TEACH_NEEDS_READING
        self._before = balance
        return None

    def cancel(self) -> None:
        """Forget what is remembered."""
        self._before = None

    def learn(self, side: Side, balance: Quantity | None, lock: Lock | None) -> Message | None:
        """Learn from the change since :meth:`begin`, the head having gone to `side`.

        Returns what to do when nothing could be learned.
        """
        before = self._before
        if before is None or balance is None or lock is None:
            return messages.TEACH_NEEDS_READING
        change = balance.value - before.value
        if abs(change) < max(_SIGMAS * float(np.hypot(balance.u, before.u)), _MIN_CHANGE):
            return messages.TEACH_TOO_SMALL
        outward = 1 if side is Side.OUTWARD else -1
        self._sense = outward if change > 0.0 else -outward
        self._lock = lock
        self._before = None
        return None
