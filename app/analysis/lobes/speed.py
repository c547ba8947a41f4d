"""The spindle's speed from whole turns: its mean, its short-term variation, its slow drift."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import EnvelopeSeries, median_of
from app.analysis.envelope.setup import Setup
from app.analysis.lobes.turns import LobeTime, Turn
from app.analysis.results import Quantity, SpeedFinding
from app.analysis.uncertainty import fit, scatter_u, t_expanded

_PATTERN_PLACE_U = 0.01
_WITH_A_CARRIER, _FEWEST_BINS = 0.05, 48
"""A bin whose power is above this part of the tallest tells the carrier; of fewer bins none do."""
_LEFT_FOR_A_CUBE = 3
_ENDS = 2.0
"""A capture has less than so many turns more than the whole ones, unless some are missing."""
_FEWEST_LENGTHS, _JUMP_SIGMAS, _JUMP_PART = 6, 20.0, 0.005
_OTHER = 2.0
"""Two lengths that differ by so many u are of unlike turns (common practice)."""
_FEW = 4
"""With fewer turns than this, variation and drift cannot be told apart."""


def mean_speed(
    turns: Sequence[Turn],
    setup: Setup,
    lobe_times: Sequence[LobeTime] = (),
    lobes_a_turn: int = 0,
    series: EnvelopeSeries | None = None,
) -> Quantity | None:
    """Return the mean speed over turns, in revolutions a minute; None without any.

    With `lobe_times` (no index) the lobes' own places give it, from the mean place of the first
    turn's lobes to that of the last's; otherwise the turns' lengths are averaged. Where the run
    began is then chance, and the carrier of `series` shows what another beginning would give.
    """
    if not turns:
        return None
    low, high = turns[0].start_frame, turns[-1].end_frame
    inside = [time for time in lobe_times if low <= time.frame <= high]
    lengths = np.array([turn.frames for turn in turns])
    if lobes_a_turn and len(inside) >= 2 * lobes_a_turn:
        frames, place_u, run_u = _turn_by_lobes(inside, lobes_a_turn)
        within = _turn_within_stretches(turns, inside, lobes_a_turn)
        if within is not None and abs(within.value - frames) > _OTHER * np.hypot(within.u, place_u):
            # Samples are missing where a turn was left out, and nobody told of them.
            frames, place_u = within.value, within.u
        if series is not None:
            span = inside[0].frame, inside[-1].frame
            run_u = max(run_u, frames * _swing_of_carrier(series, *span, frames))
        u = float(np.hypot(place_u, run_u))
    else:
        frames = float(lengths.mean())
        # A frame's width, rectangular, at either end of the run; of a pair the width of both.
        edges = (2.0 if setup.min_max else 1.0) * np.sqrt(2.0 / 12.0) / len(lengths)
        if lobes_a_turn:
            # So few lobes give no scatter: their places are good to some hundredths of a turn.
            edges = _PATTERN_PLACE_U * frames / len(lengths)
        u = float(np.hypot(edges, scatter_u(lengths) if len(lengths) > 1 else 0.0))
        if series is not None and series.frames > (len(lengths) + _ENDS) * frames:
            # Where turns are missing, which ones are left is chance too.
            u = float(np.hypot(u, frames * _swing_of_carrier(series, low, high, frames)))
    speed = 60.0 * setup.sample_rate_hz / frames
    return Quantity(float(speed), float(speed * np.hypot(u / frames, setup.clock_u_part)))


def _turn_by_lobes(times: Sequence[LobeTime], a_turn: int) -> tuple[float, float, float]:
    """Return the mean length of a turn in frames, and its u from the lobes' places and the run's.

    A line fitted to all places would weigh the middle of the run the most, where the speed may
    be another than at its ends; its residuals show how uncertain one place is.
    """
    count = np.array([time.count for time in times])
    frame = np.array([time.frame for time in times])
    turns = (count[-a_turn:].mean() - count[:a_turn].mean()) / a_turn
    frames = (frame[-a_turn:].mean() - frame[:a_turn].mean()) / turns
    ends = [
        _mean_step(frame[part], count[part], a_turn)
        for part in (slice(0, 2 * a_turn), slice(-2 * a_turn, None))
    ]
    # Each lobe of the turn stands where it stands; what is left of the slow course is the scatter.
    # So few that a cube would go through them all show no more than a square.
    orders = 3 if len(count) >= a_turn + 3 + _LEFT_FOR_A_CUBE else 2
    course = [((count - count.mean()) / np.ptp(count)) ** k for k in range(1, orders + 1)]
    own = [count % a_turn == each for each in range(a_turn)]
    columns = np.stack([*course, *own], axis=1).astype(np.float64)
    left = len(count) - columns.shape[1]
    if left < 1:
        return float(frames), float(_PATTERN_PLACE_U * frames / turns), 0.0
    rest = frame - columns @ np.linalg.lstsq(columns, frame)[0]
    one_u = t_expanded(float(np.sqrt(np.sum(rest**2) / left)), left)
    length_u = float(one_u * np.sqrt(2.0 / a_turn))
    run_u = _of_other_turns(ends, frames, turns, length_u)
    return float(frames), length_u / turns, max(run_u, _of_a_jump(frame, count, a_turn, frames))


def _of_a_jump(
    frame: NDArray[np.float64], count: NDArray[np.int64], a_turn: int, mean: float
) -> float:
    """Return how far the mean is from the usual turn where one turn's length stands out, else 0.

    Samples are missing within it then, of which nobody told: no spindle jumps so for one turn.
    """
    whole = count[a_turn:] - count[:-a_turn] == a_turn
    lengths = (frame[a_turn:] - frame[:-a_turn])[whole]
    if len(lengths) < _FEWEST_LENGTHS:
        return 0.0
    usual = median_of(lengths)
    away = np.abs(lengths - usual)
    least = max(_JUMP_SIGMAS * 1.4826 * median_of(away), _JUMP_PART * usual)
    return abs(mean - usual) if float(away.max()) > least else 0.0


def _turn_within_stretches(
    turns: Sequence[Turn], times: Sequence[LobeTime], a_turn: int
) -> Quantity | None:
    """Return a turn's mean length in frames, by lobes between which no turn was left out.

    None where none was left out, or no stretch is long enough.
    """
    cuts = [
        after.start_frame
        for before, after in pairwise(turns)
        if after.start_frame > before.end_frame + 1.0
    ]
    if not cuts:
        return None
    starts = [turns[0].start_frame, *cuts]
    ends = [max(turn.end_frame for turn in turns if turn.start_frame < cut) for cut in cuts]
    found: list[tuple[int, float, float]] = []
    for start, end in zip(starts, [*ends, turns[-1].end_frame], strict=True):
        inside = [time for time in times if start <= time.frame <= end]
        if len(inside) >= 2 * a_turn:
            frames, place_u, _ = _turn_by_lobes(inside, a_turn)
            found.append((len(inside), frames, place_u))
    if not found:
        return None
    weights, frames, u = np.array(found).T
    weights /= weights.sum()
    return Quantity(float(weights @ frames), float(np.sqrt(np.sum((weights * u) ** 2))))


def _mean_step(frame: NDArray[np.float64], count: NDArray[np.int64], a_turn: int) -> float:
    """Return how long a turn is from the first lobes to the last ones, in frames."""
    counted = (count[-a_turn:].mean() - count[:a_turn].mean()) / a_turn
    return float((frame[-a_turn:].mean() - frame[:a_turn].mean()) / counted)


def _of_other_turns(ends: Sequence[float], mean: float, turns: float, noise: float) -> float:
    """Return by how much the mean would differ, had the run begun or ended elsewhere.

    Where the speed changes, the mean of other turns is another: rectangular.

    Parameters
    ----------
    ends : sequence of float
        Lengths of the first turn and of the last, in frames.
    noise : float
        Standard uncertainty of either length.
    """
    beyond = [max((end - mean) ** 2 - noise**2, 0.0) for end in ends]
    return float(np.sqrt(sum(beyond) / 3.0) / turns)


def _swing_of_carrier(
    series: EnvelopeSeries, start_frame: float, end_frame: float, turn_frames: float
) -> float:
    """Return by what part a run's mean speed changes with where in a turn it begins.

    Lobes stand where they stand, so that a speed that swings in step with the turn does not show
    in them. A carrier is as fast as the disk: its mean is taken over runs as long, of those that
    begin within a turn of the first lobe. 0 of an envelope, which has none.
    """
    around = series.bins_between(start_frame - turn_frames, end_frame + turn_frames)
    power_v2, carrier_hz = series.power_v2[around], series.carrier_hz[around]
    fine = series.ok[around] & (carrier_hz > 0.0)
    if not fine.any():
        return 0.0
    fine &= power_v2 > _WITH_A_CARRIER * np.quantile(power_v2[fine], 0.95)
    places = np.flatnonzero(fine)
    run = round((end_frame - start_frame) / series.frames_a_bin)
    if places.size < _FEWEST_BINS or not 0 < run < len(fine):
        return 0.0
    course = np.interp(np.arange(len(fine)), places, carrier_hz[places])
    sums = np.concatenate([[0.0], np.cumsum(course)])
    means = sums[run:] - sums[:-run]
    return float(np.std(means) / np.mean(means))


def speed_over(turns: Sequence[Turn], setup: Setup, *, by_index: bool) -> SpeedFinding | None:
    """Return the speed over consecutive turns, None without any."""
    if not turns:
        return None
    rate_hz = setup.sample_rate_hz
    frames = np.array([turn.frames for turn in turns])
    middles_s = np.array([turn.start_frame + turn.end_frame for turn in turns]) / (2.0 * rate_hz)
    turn_rpm: NDArray[np.float64] = 60.0 * rate_hz / frames
    mean_rpm = float(60.0 * rate_hz / frames.mean())
    count = len(turns)
    # One frame's width, rectangular, at either end of the run; and the clock, alike in all turns.
    edges = float(np.sqrt(2.0 / 12.0)) / float(frames.sum())
    common_rpm = mean_rpm * float(np.hypot(edges, setup.clock_u_part))
    if count < _FEW:
        spread = float(np.ptp(turn_rpm)) if count > 1 else 0.002 * mean_rpm
        return SpeedFinding(
            Quantity(mean_rpm, float(np.hypot(common_rpm, spread))), None, None, turn_rpm, by_index
        )
    minutes = (middles_s - middles_s.mean()) / 60.0
    line = fit(np.stack([np.ones(count), minutes], axis=1), turn_rpm)
    sd_rpm, drift = line.residual_sd, line.combination(0.0, 1.0)
    mean_u = float(np.hypot(common_rpm, t_expanded(sd_rpm / np.sqrt(count), count - 2)))
    part = 100.0 / mean_rpm
    return SpeedFinding(
        mean_rpm=Quantity(mean_rpm, mean_u),
        variation_percent=Quantity(part * sd_rpm, part * sd_rpm / float(np.sqrt(2.0 * count - 4))),
        drift_percent_per_min=Quantity(part * drift.value, part * drift.u),
        turn_rpm=turn_rpm,
        by_index=by_index,
    )
