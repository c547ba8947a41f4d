"""What recording the averaged turn is of, and what fills its nulls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.series import median_of, quantile_of
from app.analysis.envelope.setup import Setup
from app.analysis.lobes.heights import (
    MAX_EXPANDED_U,
    TURN_BINS,
    MeanTurn,
    balance_of,
    ratio_of,
)
from app.analysis.lobes.law import bend_of, bent_u, kept_u_v, unknown_law_u
from app.analysis.lobes.layout import Layout, closed, smoothed
from app.analysis.lobes.nulls import Aside, aside, lean, steady
from app.analysis.lobes.windows import Windows
from app.analysis.results import Geometry, Message, Quantity

_BUMP = 0.10
"""Signal between two lobes, set apart from both and this part of the mean height or more, belongs
to no pattern that is known."""
_FILLED = 0.08
"""A null this part of the mean height above zero is filled: recordings whose lobes show the side
have empty nulls."""
_BLUNT_U = float(np.sqrt(0.5))
_REST_U, _MOST_REST_U = 0.45, 0.022
"""Standard uncertainty of the balance from a rest of another recording, as a part of what it fills
nulls by: of blunt ones, and of a boundary's, in which a rest less than 30° out of phase would be a
move of the head. One above a tenth of the taller lobe is not looked for (common practice)."""
_ACROSS_U, _HIDDEN = 0.75, 0.36
"""The same where the phase tells what lies across: anything from 30 to 150° out of phase, its
cotangent 0.8 root mean square. So much of the u of its power may be a rest that noise hides."""
_MOVED_NULLS, _NULLS_AGREE = 0.05, 0.03
"""Nulls moved by an offset, in balance, which the heights confirm: no beat moves them."""
_FILLED_SIGMAS = 4.0
_FILL_SIGMAS = 2.0
_LEAN_CHANCE, _LEAN_REACH = 2.0, 2.0
"""Of what leans to a lobe, squared, so many variances are chance; it is looked for so many times as
far from the middle of a gap as its power."""
"""A null filled by less cannot be told from an empty one."""
_SHARP_REACH, _EMPTY_REACH = 0.04, 0.3
_LEAST_PART = 1e-6
_NOISE_KNOWN, _NOISE_KNOWN_EMPTY = 0.1, 0.5
"""Parts of itself to which the noise's power is known: about lobes, and in long empty stretches, in
which there is no carrier to follow."""
_NULL_ROUNDS = 3
_FLANK = 0.2
_FLOOR_QUANTILE = 0.01
_AZIMUTH_PART = 0.1
"""What is left of an azimuth when its filling is taken out: of the balance 0.7 % at 18', where a
boundary's nulls are filled by a quarter (derived for a head of 330 µm, lobes of 150 µm, a
wavelength of 12.23 µm), and the power of the filling within a few parts in a hundred."""
_LEVEL_REACH, _LEVEL_PART, _LEVEL_SIGMAS, _BOTH_SIGMAS = 0.05, 0.98, 1.0, 0.5
"""A cosine falls by 3.6 % or more within that much of the turn, a top cut by the head's width by
nothing."""
_ALIKE = 0.045
"""Balance of two lobes that differ by a step of 0.75 dB: a control that has levelled both leaves no
more (published: Wolfson WM8976, its automatic level control)."""
_LEVEL_BEND, _BEND_SIGMAS = 0.75, 3.0
"""Cut at 0.93 of its height a cosine bends by more; a disk uneven by a twentieth twice a turn, or
by a tenth once, bends it by less."""
_CUT_BEND, _CUT_U, _LEAST_BEND = 0.3, 0.03, 0.1
"""A cut bends as the square of what it takes, 0.3 by 3.5 % and 0.75 by 5.5 %, and half of that is
missing in the balance. A smaller bend is a cut's where the other lobe has none and the nulls of a
boundary say so. Without those less is chance, and more is a head that moved within a lobe."""
_STRAIGHT_SIGMAS, _BENT_LESS = 2.0, 0.5
"""The other lobe has none where its bend is within so many u, or less than this part."""
_HUMP_INNER, _HUMP_OUTER, _HUMP_PART = 0.02, 0.2, 0.02
_FLAT_REACH, _FLAT_LEVEL, _FLAT_MIN = 0.5, 0.9, 0.8
"""Half way from its middle to the null a sine has fallen to 0.71, and a quarter of that stretch is
below 0.9 of its middle level; a group is level throughout."""
_FLAT_DEPTH, _FLAT_BESIDE, _DEPTH_SIGMAS = 0.9, 0.97, 2.0
"""The same of what stands above the lowest place, where nothing comes down to zero. Of a sine that
is one group 0.64 of the stretch lies above the first part; of one that is a pair, the lower group
its trough, 0.67 above the second."""
_NOTCH = 0.9
"""Where there is a gap between groups it falls below this part of the lower one."""
_BUMP_SIGMAS = 5.5
_EMPTY = 0.10
_MOST_IN_GAPS, _GAPS_LEVEL = 0.2, 0.03
"""What is left between groups, as a part of the mean height, and by how much it may change within a
degree: more is the edge of a gap that is too short to be seen."""
_UNLIKE_GAPS = 0.15
"""By more, of the mean height, no rest of another recording fills every second gap alone."""
_SPIKED_GAPS = 4
"""Spikes are believed to have hit one gap in so many."""
_TINY_V = 1e-30
_BESIDE_PART, _AWAY_PART, _UNEVEN_PART = 0.3, 0.25, 0.35
"""What is between windows, by how much one may differ from the others of its side, and within
itself (in power), as parts of the mean height: a disk uneven by a tenth stays within these."""
_EMPTY_CLEAR = 6.0 / 360.0
"""So far from a window, in turns, no filter's tail fills a gap."""
_PLACES = (np.arange(TURN_BINS) + 0.5) / TURN_BINS
_BOUNDARY_EMPTY = 0.09
"""Of a boundary's turn 2·2·asin(0.1)/2π = 6.4 % lies below a tenth of the mean height; lobes with
room between them leave more."""
_BOUNDARY_SLACK = 0.12
"""A disk uneven once a turn by up to a tenth moves the heights so far and not the nulls."""
_TOUCHING_SLACK = 0.04


@dataclass(frozen=True, slots=True)
class Character:
    """What the averaged turn says of the recording.

    Attributes
    ----------
    geometry : Geometry or None
        The recording it fits, None when the pattern is not one that is known.
    reason : Message or None
        Why it is none.
    balance_u : float
        Standard uncertainty of the balance from what fills the nulls.
    even_u : float
        The same where the lobes are even, from what may be hidden in the noise of the nulls.
    filling : float
        Power that the nulls have, over that of the mean height, and the tops of a boundary too.
    note : Message or None
        What to know beside the numbers.
    law_u_v : float
        Standard uncertainty of both heights from a detector's law.
    """

    geometry: Geometry | None
    reason: Message | None = None
    balance_u: float = 0.0
    even_u: float = 0.0
    filling: float = 0.0
    note: Message | None = None
    law_u_v: float = 0.0


_NOT_KNOWN = Character(None, messages.NO_PATTERN)


def characterise(
    turn: MeanTurn, layout: Layout, heights_v: tuple[float, float], setup: Setup
) -> Character:
    """Return what recording the averaged turn is of, and what its nulls and its lobes leave open.

    Parameters
    ----------
    heights_v : tuple of float
        Mean heights of first and second lobes.
    setup : Setup
        What is stated of recording and detector.
    """
    found = _recording_of(turn, layout, heights_v, setup)
    if found.reason == messages.TOPS_ALIKE and setup.detector_is_unproved:
        # A logarithm makes them so as well.
        return replace(found, reason=messages.LAW_UNKNOWN)
    if found.reason is None:
        first, second = heights_v
        weight = 2.0 * first * second / (first + second) ** 2
        of_shape = weight * float(np.linalg.norm(layout.shape_u))
        found = replace(found, balance_u=float(np.hypot(found.balance_u, of_shape)))
    if setup.columns.envelope is None or found.reason is not None:
        return found
    found = replace(found, law_u_v=kept_u_v(turn, layout, heights_v, setup))
    if not setup.detector_is_unproved:
        return found
    balance = balance_of(*heights_v)
    law_u = unknown_law_u(turn, layout, balance)
    if law_u and 2.0 * ratio_of(Quantity(balance, law_u)).u > MAX_EXPANDED_U:
        return replace(found, reason=messages.LAW_UNKNOWN)
    return replace(found, balance_u=float(np.hypot(found.balance_u, law_u)))


def _recording_of(
    turn: MeanTurn, layout: Layout, heights_v: tuple[float, float], setup: Setup
) -> Character:
    """Return what recording it is, by the signal alone."""
    if not sum(heights_v) > 0.0:
        # Digital silence, or nothing that is a number, where the turns before it had lobes.
        return _NOT_KNOWN
    if layout.windows is not None:
        return of_windows(turn, layout.windows, layout.turned)
    if layout.pairs > 1:
        return _of_groups(turn, layout, heights_v, setup)
    return _of_two_lobes(turn, layout, heights_v, setup)


def _of_groups(
    turn: MeanTurn, layout: Layout, heights_v: tuple[float, float], setup: Setup
) -> Character:
    mean_height_v = 0.5 * sum(heights_v)
    if setup.geometry not in (None, Geometry.ALTERNATING) or not _has_flat_tops(turn, layout):
        return _NOT_KNOWN
    if setup.pairs is None and _gaps_are_unlike(turn, layout, mean_height_v):
        return Character(None, messages.GAPS_UNLIKE)
    fill, reach = _fill_of_gaps(turn, layout, mean_height_v, setup.sample_rate_hz)
    gaps = (layout.centres + 0.5 / len(layout.centres)).tolist()
    balance_u = _blunt_u(turn, fill, gaps, reach, heights_v, setup.sample_rate_hz)
    return Character(Geometry.ALTERNATING, balance_u=balance_u)


def _blunt_u(
    turn: MeanTurn,
    fill: _Fill,
    gaps: list[float],
    reach: float,
    heights_v: tuple[float, float],
    rate_hz: float,
) -> float:
    """Return the balance's standard uncertainty from what is left where nothing should be.

    By its power, or where that is noise by the carrier's phase: what moves the balance as much as
    that tells, where it lies below the lobes too.
    """
    by_power = fill.balance_u(_BLUNT_U)[0]
    found = lean(turn, gaps, reach, heights_v, rate_hz)
    if found is None:
        return by_power
    beyond = max(found.value**2 - _LEAN_CHANCE * found.u**2, 0.0)
    return max(by_power, float(np.sqrt(beyond)))


def of_windows(turn: MeanTurn, windows: Windows, turned: float) -> Character:
    """Return whether the turn has its bursts in the windows, and nothing beside them."""
    if abs(turned) >= Windows.SLACK or not _hold(turn, windows, turned):
        place = windows.place(turn.power_v2).turned
        if abs((place + 0.5) % 1.0 - 0.5) < Windows.SLACK or not _hold(turn, windows, place):
            return Character(None, messages.WINDOWS_MISSING)
        return Character(None, messages.fill(messages.WINDOWS_TURNED, f"{360.0 * place:.0f}"))
    tops, top_u, heights = _tops(turn, windows, turned)
    mean_height = 0.5 * float(heights.sum())
    empty = np.flatnonzero(windows.between(_PLACES - turned, clear=_EMPTY_CLEAR))
    fill = _Fill(0.0, np.inf)
    if empty.size:
        fill = _fill_at(turn, empty, mean_height, _NOISE_KNOWN_EMPTY)
    # Windows of one lobe should be level with one another.
    spread = windows.spread_within_lobes(tops, top_u) / (2.0 * mean_height)
    balance_u = float(np.hypot(fill.balance_u(_BLUNT_U)[0], spread))
    return Character(Geometry.WINDOWS, balance_u=balance_u)


def _hold(turn: MeanTurn, windows: Windows, turned: float) -> bool:
    """Return whether the windows of either side are level, and the gaps are gaps."""
    tops, top_u, heights = _tops(turn, windows, turned)
    mean_height = 0.5 * float(heights.sum())
    within = windows.clear_of_edges(_PLACES - turned)
    uneven = np.array([np.std(turn.power_v2[each]) for each in within])
    noise = np.array([np.sqrt(np.mean(turn.u_v2[each] ** 2)) for each in within])
    most = (_BESIDE_PART * mean_height) ** 2 + _BUMP_SIGMAS * turn.u_v2
    beside = (smoothed(turn.power_v2) > most) & windows.between(_PLACES - turned)
    away = np.abs(tops - heights[windows.lobe % 2])
    return (
        mean_height > 0.0
        and not beside.any()
        and bool(np.all(away <= _AWAY_PART * mean_height + _BUMP_SIGMAS * top_u))
        and bool(np.all(uneven <= _UNEVEN_PART * mean_height**2 + _BUMP_SIGMAS * noise))
    )


def _tops(
    turn: MeanTurn, windows: Windows, turned: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return each window's height and its u from noise, (windows,), and either side's, (2,)."""
    within = windows.clear_of_edges(_PLACES - turned)
    levels = np.array([turn.power_v2[each].mean() for each in within])
    tops = np.sqrt(np.maximum(levels, 0.0))
    side = windows.lobe % 2
    heights = np.bincount(side, windows.length * tops) / np.bincount(side, windows.length)
    power_u = np.array([np.linalg.norm(turn.u_v2[each]) / each.sum() for each in within])
    return tops, power_u / (2.0 * np.maximum(tops, _EMPTY * heights.max() + _TINY_V)), heights


def _of_two_lobes(
    turn: MeanTurn, layout: Layout, heights_v: tuple[float, float], setup: Setup
) -> Character:
    wanted = setup.geometry
    mean_height = 0.5 * sum(heights_v)
    filled_v2 = closed(turn.power_v2)
    if any(_dips(turn, filled_v2, layout, number) for number in (0, 1)):
        return Character(None, messages.LOBE_DIPS)
    lobes = range(len(layout.centres))
    nulls = [_null_place(turn, layout, number, mean_height) for number in lobes]
    floor = max(0.0, quantile_of(smoothed(turn.power_v2), _FLOOR_QUANTILE))
    empty = float(np.mean(turn.power_v2 < floor + (_EMPTY * mean_height) ** 2))
    sharp = empty <= _BOUNDARY_EMPTY
    balance = (heights_v[0] - heights_v[1]) / sum(heights_v)
    shows = sharp and wanted != Geometry.TWO_BAND
    bends = [bend_of(turn, centre) for centre in layout.centres.tolist()]
    bend = _sure_bend(bends) if shows else 0.0
    which = int(heights_v[1] > heights_v[0])
    taller = float(layout.centres[which])
    if bend > _LEVEL_BEND or (shows and _is_level(turn, filled_v2, taller, _LEVEL_SIGMAS)):
        return Character(None, messages.TOPS_LEVEL)
    if abs(balance) < _ALIKE and all(
        _is_level(turn, filled_v2, centre, _BOTH_SIGMAS) for centre in layout.centres.tolist()
    ):
        return Character(None, messages.TOPS_ALIKE)
    geometry = _with_sharp_nulls(balance, nulls) if sharp else Geometry.TWO_BAND
    if wanted is not None:
        geometry = Geometry(wanted)
    *each, fill = _fill_of_nulls(turn, nulls, empty, sharp, mean_height)
    if sharp:
        told = wanted == Geometry.BOUNDARY
        way = aside(turn, nulls, mean_height, setup.sample_rate_hz)
        fill, runs_on = _by_phase(fill, way, mean_height)
        found = _of_sharp_nulls(fill, runs_on, _by_nulls(nulls), balance, told=told)
    elif any(null.sure(_FILLED) for null in each):
        found = Character(None, messages.NULLS_FILLED)
    else:
        reach = _reach_of_nulls(empty)
        fill = _by_steadiness(fill, steady(turn, nulls, reach, setup.sample_rate_hz), mean_height)
        # Feet of lobes lean to both, and to either as much.
        reach *= _LEAN_REACH
        balance_u = _blunt_u(turn, fill, nulls, reach, heights_v, setup.sample_rate_hz)
        found = Character(None, balance_u=balance_u)
    if found.reason is not None:
        return found
    dipless = replace(turn, power_v2=filled_v2)
    if geometry is None or any(_has_bump(dipless, layout, each, mean_height) for each in lobes):
        return _NOT_KNOWN
    if bend <= _CUT_BEND:
        bend = _bend_of_a_cut(bends, balance, _by_nulls(nulls) if shows else None)
    cut_u = _CUT_U * float(np.sqrt(bend))
    # Of extremes no harmonic tells of an amplifier that bends.
    amplifier_u = bent_u(bends[which], heights_v) if setup.min_max else 0.0
    parts = [found.balance_u, cut_u, amplifier_u]
    return replace(found, geometry=geometry, balance_u=float(np.linalg.norm(parts)))


def _of_sharp_nulls(
    fill: _Fill, runs_on: bool | None, by_nulls: float, balance: float, *, told: bool
) -> Character:
    """Return what fills sharp nulls: an azimuth, a rest of another recording, or the beat itself.

    A profile that says boundary says of what fills its nulls that it is azimuth.
    """
    sure = fill.sure(0.0)
    moved = min(abs(by_nulls), abs(balance)) > _MOVED_NULLS
    moved = moved and abs(by_nulls - balance) < _NULLS_AGREE
    beats = runs_on if sure and not moved else None
    if beats:
        return Character(None, messages.BEAT)
    azimuth_u = _AZIMUTH_PART * abs(balance) * fill.part
    filling = fill.power if sure else 0.0
    if told:
        return Character(None, balance_u=azimuth_u, filling=filling)
    rest_u, even_u = fill.balance_u(_REST_U)
    if beats is None and not moved:
        if sure and 2.0 * ratio_of(Quantity(balance, rest_u)).u > MAX_EXPANDED_U:
            return Character(None, messages.EVEN_OR_BEAT)
    else:
        rest_u = min(rest_u, _MOST_REST_U * (1.0 + abs(balance)))
    note = messages.FILLED_BY_WHAT if sure else None
    return Character(None, None, float(np.hypot(azimuth_u, rest_u)), even_u, filling, note)


@dataclass(frozen=True, slots=True)
class _Fill:
    """Power in the nulls over that of the mean height, and its standard uncertainty.

    Where the carrier's phase tells them apart, `ways` has both of what lies to one side in both
    nulls, as a rest does, and of what lies to either, as a beat does.
    """

    power: float
    u: float
    ways: Sequence[tuple[float, float]] = ()

    @property
    def part(self) -> float:
        """What fills the nulls, as a part of the mean height."""
        return float(np.sqrt(max(self.power, 0.0)))

    def sure(self, part: float) -> bool:
        """Return whether the nulls are filled to more than this part of the height."""
        return self.power > part**2 and self.power > _FILLED_SIGMAS * self.u

    def balance_u(self, part: float) -> tuple[float, float]:
        """Return the standard uncertainties that the filling makes: of any balance, of an even one.

        What fills the nulls moves either lobe by as much, at most, and a beat is as far off the
        line: `part` says how much of it is one standard uncertainty. Only even lobes may be a beat
        that hides in the noise of the nulls.
        """
        if self.ways:
            alike, opposite = (max(power, 0.0) + _HIDDEN * u for power, u in self.ways)
            return _ACROSS_U * float(np.sqrt(alike)), _ACROSS_U * float(np.sqrt(opposite))
        beyond = self.power - _FILL_SIGMAS * self.u
        if beyond > 0.0:
            # From nothing on: one null in forty is filled by more, by chance alone.
            return part * float(np.sqrt(beyond)), 0.0
        return 0.0, part * float(np.sqrt(max(self.power, 0.0) + _FILL_SIGMAS * self.u))


def _by_phase(fill: _Fill, way: Aside | None, mean_height_v: float) -> tuple[_Fill, bool | None]:
    """Return what fills sharp nulls by the carrier's phase, and whether that runs on through both.

    Where that makes more of it than there is power, the carrier is not one that passes straight;
    wide nulls are known better by their power.
    """
    if way is None:
        return fill, None
    ways = [_power_of(each, mean_height_v) for each in (way.alike_v, way.opposite_v)]
    power, u = sum(each[0] for each in ways), float(np.hypot(ways[0][1], ways[1][1]))
    if power > fill.power + _FILLED_SIGMAS * fill.u:
        return fill, None
    found = _Fill(power, max(u, _LEAST_PART), ways)
    return (fill if fill.sure(0.0) and fill.u < found.u else found), way.runs_on


def _power_of(way_v: Quantity, mean_height_v: float) -> tuple[float, float]:
    """Return the power of an amplitude, its noise taken out, and its u, over the mean height's."""
    value, u = way_v.value / mean_height_v, way_v.u / mean_height_v
    return value**2 - u**2, float(np.sqrt(4.0 * value**2 * u**2 + 2.0 * u**4))


def _gaps_are_unlike(turn: MeanTurn, layout: Layout, mean_height_v: float) -> bool:
    """Return whether every second gap is filled, as groups of twice the length with a dip have it.

    Both halves of such a group are of one side: their heights agree wherever the head is.
    """
    gaps = layout.centres + 0.5 / len(layout.centres)
    bins = np.round(gaps * TURN_BINS - 0.5).astype(int) % TURN_BINS
    # A gap that is hardly longer than a place is seen at one and not at the next.
    around = turn.power_v2[(bins[:, None] + np.arange(-1, 2)) % TURN_BINS]
    beside = [np.median(around[kind::2], axis=0) for kind in (0, 1)]
    (least, most), highest = sorted(float(each[1]) for each in beside), min(map(np.max, beside))
    by_noise = _by_noise_v2(turn, bins)
    if highest > (_EMPTY * mean_height_v) ** 2 + by_noise:
        return False
    return most - least > (_UNLIKE_GAPS * mean_height_v) ** 2 + by_noise


def _by_noise_v2(turn: MeanTurn, bins: NDArray[np.intp]) -> float:
    """Return by how much noise may lift the power in the middle of the gaps of a kind."""
    return _FILL_SIGMAS * median_of(turn.u_v2[bins].ravel()) / float(np.sqrt(len(bins) / 2))


def _fill_of_gaps(
    turn: MeanTurn, layout: Layout, mean_height_v: float, rate_hz: float
) -> tuple[_Fill, float]:
    """Return what is left in the middle of the gaps between groups, and how far they are as empty.

    Where they are no gaps at all nothing is known.
    """
    gaps = layout.centres + 0.5 / len(layout.centres)
    bins = np.round(gaps * TURN_BINS - 0.5).astype(int) % TURN_BINS
    power = turn.power_v2[(bins[:, None] + np.arange(-1, 2)) % TURN_BINS]
    # Over all gaps of a kind, for noise lifts the highest of three places of any one of them.
    highest = [float(power[kind::2].mean(axis=0).max()) for kind in (0, 1)]
    if 0.5 * sum(highest) > (_EMPTY * mean_height_v) ** 2 + _by_noise_v2(turn, bins):
        beside: NDArray[np.float64] = np.sqrt(np.maximum(power.mean(axis=0), 0.0)) / mean_height_v
        if beside.max() > _MOST_IN_GAPS or np.ptp(beside) > _GAPS_LEVEL:
            return _Fill(0.0, np.inf), 0.0
    # What is left of another recording fills all gaps alike, what is left of spikes a few.
    lowest = np.argsort(turn.power_v2[bins])[: len(bins) - len(bins) // _SPIKED_GAPS]
    fill = _fill_at(turn, bins[lowest], mean_height_v)
    reach = _reach_of_gaps(turn, bins, mean_height_v)
    fill = _by_steadiness(fill, steady(turn, gaps.tolist(), reach, rate_hz), mean_height_v)
    return fill, reach


def _reach_of_gaps(turn: MeanTurn, bins: NDArray[np.intp], mean_height_v: float) -> float:
    """Return how far on either side of their middles gaps are as empty as there, in turns."""
    away = np.arange(TURN_BINS // (2 * len(bins)))
    power = turn.power_v2[(bins[:, None, None] + np.array([[1], [-1]]) * away) % TURN_BINS]
    level: NDArray[np.float64] = np.max(power.mean(axis=0), axis=0) / mean_height_v**2
    by_noise = _FILL_SIGMAS * median_of(turn.u_v2[bins].ravel()) / float(np.sqrt(len(bins)))
    most = (float(np.sqrt(max(level[0], 0.0))) + _GAPS_LEVEL) ** 2 + by_noise / mean_height_v**2
    risen = np.flatnonzero(level > most)
    return (float(risen[0]) if risen.size else 0.0) / TURN_BINS


def _by_steadiness(fill: _Fill, found_v2: Quantity | None, mean_height_v: float) -> _Fill:
    """Return what is left in gaps, by what holds the carrier's phase where that tells more."""
    if found_v2 is None:
        return fill
    power, u = found_v2.value / mean_height_v**2, max(found_v2.u / mean_height_v**2, _LEAST_PART)
    more = power > fill.power + _FILLED_SIGMAS * fill.u
    return fill if more or fill.u < u else _Fill(power, u)


def _fill_at(
    turn: MeanTurn, bins: NDArray[np.intp], mean_height_v: float, known: float = _NOISE_KNOWN
) -> _Fill:
    """Return what is left at places of the turn, the noise's power known to a part of itself."""
    u = float(np.linalg.norm(turn.u_v2[bins])) / bins.size
    least = max(_LEAST_PART * mean_height_v**2, known * turn.noise_v2)
    u = float(np.hypot(u, least)) / mean_height_v**2
    return _Fill(float(turn.power_v2[bins].mean()) / mean_height_v**2, u)


def _fill_of_nulls(
    turn: MeanTurn, nulls: list[float], empty: float, sharp: bool, mean_height_v: float
) -> list[_Fill]:
    """Return what fills either null, and at last what fills both, as a rest or an azimuth does."""
    each = np.array([_lowest_in(turn, null, empty, sharp, mean_height_v) for null in nulls])
    power, u = np.vstack([each, [each[:, 0].mean(), np.linalg.norm(each[:, 1]) / len(each)]]).T
    known = _NOISE_KNOWN if sharp else turn.series.noise_known
    least = max(_LEAST_PART, known * turn.noise_v2 / mean_height_v**2)
    return [_Fill(*each) for each in zip(power.tolist(), np.hypot(u, least).tolist(), strict=True)]


def _reach_of_nulls(empty: float) -> float:
    """Return how far on either side of a null nothing is, where so much of the turn is empty."""
    return 0.25 * _EMPTY_REACH * empty


def _lowest_in(
    turn: MeanTurn, place: float, empty: float, sharp: bool, mean_height_v: float
) -> tuple[float, float]:
    """Return what is left in the null at a place, in turns, and its u from noise by place.

    A sharp null's power is a parabola, leaning with the offset; others leave the turn empty for a
    while.
    """
    reach = round(TURN_BINS * (_SHARP_REACH if sharp else _reach_of_nulls(empty)))
    middle = round(place * TURN_BINS - 0.5)
    away = np.arange(-reach, reach + 1)
    bins = (middle + away) % TURN_BINS
    away = (away + middle + 0.5) / TURN_BINS - place
    columns = np.stack([away**k for k in range(4 if sharp else 1)], axis=1)
    # By the noise alone: a shape that fits ill is no reason not to believe that there is something.
    # And by the power that is fitted: a place that noise has lifted would weigh less for it.
    seen, least_v2 = turn.power_v2[bins], _LEAST_PART * mean_height_v**2
    variance_v2 = 0.5 * turn.noise_v2
    alone = np.maximum(np.maximum(seen, 0.0) + variance_v2, least_v2)
    weight = median_of((alone / np.maximum(turn.u_v2[bins], least_v2) ** 2).ravel())
    fitted, found, covariance = seen, np.zeros(1), np.zeros((1, 1))
    for _ in range(_NULL_ROUNDS):
        u = np.sqrt((np.maximum(fitted, 0.0) + variance_v2) / weight)
        weighted = columns / np.maximum(u, least_v2)[:, None]
        covariance = np.linalg.inv(weighted.T @ weighted)
        found = covariance @ (weighted.T @ (seen / np.maximum(u, least_v2)))
        fitted = columns @ found
    lowest = float(found[0])
    if sharp and found[2] > 0.0:
        lowest -= float(found[1] ** 2 / (4.0 * found[2]))
    return lowest / mean_height_v**2, float(np.sqrt(covariance[0, 0])) / mean_height_v**2


def _has_flat_tops(turn: MeanTurn, layout: Layout) -> bool:
    """Return whether the groups are level over half of their room, as recorded groups are."""
    lobes = len(layout.centres)
    reach = int(TURN_BINS / lobes * 0.5 * _FLAT_REACH)
    away = np.arange(-reach, reach + 1)
    bins = (np.round(layout.centres * TURN_BINS - 0.5).astype(int)[:, None] + away) % TURN_BINS
    kinds = [turn.power_v2[bins[kind::2]].mean(axis=0) for kind in (0, 1)]
    taller: NDArray[np.float64] = np.sqrt(np.maximum(max(kinds, key=np.sum), 0.0))
    level = median_of(taller)
    if float(np.mean(taller > _FLAT_LEVEL * level)) <= _FLAT_MIN:
        return False
    return _stands_out(turn, layout, taller, level)


def _stands_out(
    turn: MeanTurn, layout: Layout, taller: NDArray[np.float64], level_v: float
) -> bool:
    """Return whether the taller groups are level by the measure of what lies between groups too.

    Hum on a constant never comes down to zero, and is round.
    """
    lobes = len(layout.centres)
    half = TURN_BINS // (2 * lobes)
    away = np.arange(-half, half + 1)
    bins = (np.round(layout.centres * TURN_BINS - 0.5).astype(int)[:, None] + away) % TURN_BINS
    # What does not go with the disk makes single places of few turns jagged.
    power = smoothed(turn.power_v2)
    kinds = [power[bins[kind::2]].mean(axis=0) for kind in (0, 1)]
    lowest_v2 = max(min(float(kind.min()) for kind in kinds), 0.0)
    depth_v = level_v - float(np.sqrt(lowest_v2))
    u_v = median_of(turn.u_v2[bins].ravel()) / (2.0 * level_v * float(np.sqrt(layout.pairs)))
    reach = len(taller) // 2
    middles = [kind[half - reach : half + reach + 1] for kind in kinds]
    if lowest_v2 < _NOTCH**2 * min(float(middle.min()) for middle in middles):
        least_v = level_v - (1.0 - _FLAT_DEPTH) * depth_v - _DEPTH_SIGMAS * u_v
    else:
        # With no gap on either side a top may be smoothed.
        taller = np.sqrt(np.maximum(max(middles, key=np.sum), 0.0))
        least_v = median_of(taller) - (1.0 - _FLAT_BESIDE) * depth_v - _DEPTH_SIGMAS * u_v
    return float(np.mean(taller > least_v)) > _FLAT_MIN


def _with_sharp_nulls(balance: float, nulls: list[float]) -> Geometry | None:
    """Return a boundary, whose nulls move with the offset, or two bands that touch, or neither."""
    by_nulls = _by_nulls(nulls)
    if abs(by_nulls - balance) < _BOUNDARY_SLACK + 0.1 * abs(balance):
        return Geometry.BOUNDARY
    return Geometry.TWO_BAND if abs(by_nulls) < _TOUCHING_SLACK else None


def _by_nulls(nulls: list[float]) -> float:
    """Return the balance that the places of a boundary's nulls tell.

    |e cos t - x| is zero at t = ±acos(x/e): the taller lobe's share of the turn says x again.
    """
    return -float(np.cos(np.pi * ((nulls[0] - nulls[1]) % 1.0)))


def _gap(
    turn: MeanTurn, layout: Layout, number: int, inset: float, smooth: float
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Return bins, smoothed power and its u from lobe `number` to the next.

    The first and the last `inset` of the way are left out; `smooth` is a part of the way too.
    """
    lobes = len(layout.centres)
    start = layout.centres[number]
    gap = (layout.centres[(number + 1) % lobes] - start) % 1.0 or 1.0
    width = max(1, round(TURN_BINS / lobes * smooth))
    low, high = (round((start + part * gap) * TURN_BINS) for part in (inset, 1.0 - inset))
    bins = np.arange(low - width, high + width + 1, dtype=np.int64)
    kernel = np.ones(2 * width + 1) / (2 * width + 1)
    power = np.convolve(turn.power_v2[bins % TURN_BINS], kernel, mode="valid")
    variance = np.convolve(turn.u_v2[bins % TURN_BINS] ** 2, kernel**2, mode="valid")
    return bins[width:-width], power, np.sqrt(variance)


def _null_place(turn: MeanTurn, layout: Layout, number: int, mean_height_v: float) -> float:
    """Return the place of the null after lobe `number`, in turns: midway between its flanks."""
    bins, power, _ = _gap(turn, layout, number, 0.15, 0.006)
    at = int(np.argmin(power))
    above = power > max(float(power[at]), 0.0) + (_FLANK * mean_height_v) ** 2
    before, after = np.flatnonzero(above[:at]), np.flatnonzero(above[at:])
    low = int(before[-1]) + 1 if before.size else 0
    high = at + int(after[0]) - 1 if after.size else len(bins) - 1
    return float(0.5 * (bins[low] + bins[high]) + 0.5) / TURN_BINS


def _sure_bend(bends: Sequence[Quantity | None]) -> float:
    """Return by how much at least the tops bend more than a cosine's, beyond doubt."""
    sure = (each.value - _BEND_SIGMAS * each.u for each in bends if each is not None)
    return max(sure, default=0.0)


def _bend_of_a_cut(
    bends: Sequence[Quantity | None], balance: float, by_nulls: float | None
) -> float:
    """Return by how much the taller top bends where head or band may have cut it, else 0.

    The lower lobe is cut less, and the nulls of a boundary, which a cut leaves alone, tell of more
    offset than the heights. An uneven disk bends both lobes.

    Parameters
    ----------
    by_nulls : float or None
        Balance that the nulls tell, None where an offset does not move them.
    """
    told = balance if by_nulls is None else by_nulls
    taller, lower = bends if told > 0.0 else bends[::-1]
    if taller is None or lower is None or taller.value <= _BEND_SIGMAS * taller.u:
        return 0.0
    if by_nulls is not None and abs(told) <= balance * np.sign(told):
        return 0.0
    if abs(lower.value) > max(_STRAIGHT_SIGMAS * lower.u, _BENT_LESS * taller.value):
        # Where both are cut they differ by what the taller one lost more, as bends' roots do.
        both = by_nulls is not None and lower.value > 0.0
        return max(0.0, float(np.sqrt(taller.value) - np.sqrt(lower.value))) ** 2 if both else 0.0
    if by_nulls is None:
        return taller.value if _LEAST_BEND < taller.value < _LEVEL_BEND else 0.0
    return taller.value


def _is_level(turn: MeanTurn, filled_v2: NDArray[np.float64], centre: float, sigmas: float) -> bool:
    """Return whether a lobe's top is level, drop-outs being filled.

    Beyond so many u of one of the places that are averaged.
    """
    middle = round(centre * TURN_BINS - 0.5)
    reach = round(_LEVEL_REACH * TURN_BINS)
    power = smoothed(filled_v2)
    top, top_u = float(power[middle % TURN_BINS]), float(turn.u_v2[middle % TURN_BINS])
    sides = 0.5 * (power[(middle - reach) % TURN_BINS] + power[(middle + reach) % TURN_BINS])
    return float(sides) > _LEVEL_PART**2 * top + sigmas * top_u


def _dips(turn: MeanTurn, filled_v2: NDArray[np.float64], layout: Layout, number: int) -> bool:
    """Return whether a lobe is lower in its middle than at both sides, drop-outs being filled.

    A head so far off that it leaves the band again makes two humps of one.
    """
    power = smoothed(filled_v2)
    middle = round(layout.centres[number] * TURN_BINS - 0.5) % TURN_BINS
    height = float(power[middle])
    reach = np.arange(round(_HUMP_INNER * TURN_BINS), round(_HUMP_OUTER * TURN_BINS))
    sides = [float(power[(middle + way * reach) % TURN_BINS].max()) for way in (1, -1)]
    beyond = height + _BUMP_SIGMAS * float(turn.u_v2[middle])
    return min(sides) > max((1.0 + _HUMP_PART) ** 2 * height, beyond)


def _has_bump(turn: MeanTurn, layout: Layout, number: int, mean_height_v: float) -> bool:
    """Return whether the signal rises and falls again between two lobes; drop-outs are filled.

    Beside a drop-out it does so too, but no higher than the lobe stands on its other side.
    """
    power = turn.power_v2
    bins, smooth, _ = _gap(turn, layout, number, 0.05, 0.015)
    # Filling dips has lifted the noise too: it counts as that of single places, not of their mean.
    u = turn.u_v2[bins % TURN_BINS]
    at = int(np.argmin(smooth))
    for end, sides in ((number, slice(0, at + 1)), (number + 1, slice(at, None))):
        centre = layout.centres[end % len(layout.centres)] * TURN_BINS - 0.5
        mirrored = (round(2.0 * centre) - bins[sides]) % TURN_BINS
        side, side_u = smooth[sides], u[sides]
        order = slice(None) if end == number else slice(None, None, -1)
        rise = (side[order] - np.minimum.accumulate(side[order]))[order]
        foreign = side > 1.5 * power[mirrored] + (_BUMP * mean_height_v) ** 2
        risen = (rise > (_BUMP * mean_height_v) ** 2) & (rise > _BUMP_SIGMAS * side_u)
        if np.any(foreign & risen):
            return True
    return False
