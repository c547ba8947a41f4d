"""The spindle's speed from whole turns: its mean, its short-term variation, its slow drift."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.setup import Setup
from app.analysis.lobes.turns import LobeTime, Turn
from app.analysis.results import Quantity, SpeedFinding
from app.analysis.uncertainty import fit, scatter_u, t_expanded

_PATTERN_PLACE_U = 0.01
_FEW = 4
"""With fewer turns than this, variation and drift cannot be told apart."""


def mean_speed(
    turns: Sequence[Turn],
    setup: Setup,
    lobe_times: Sequence[LobeTime] = (),
    lobes_a_turn: int = 0,
) -> Quantity | None:
    """Return the mean speed over turns, in revolutions a minute; None without any.

    With `lobe_times` (no index) the lobes' own places give it, from the mean place of the first
    turn's lobes to that of the last's; otherwise the turns' lengths are averaged.
    """
    if not turns:
        return None
    low, high = turns[0].start_frame, turns[-1].end_frame
    inside = [time for time in lobe_times if low <= time.frame <= high]
    lengths = np.array([turn.frames for turn in turns])
    if lobes_a_turn and len(inside) >= 2 * lobes_a_turn:
        frames, u = _turn_by_lobes(inside, lobes_a_turn)
    else:
        frames = float(lengths.mean())
        # A frame's width, rectangular, at either end of the run; of a pair the width of both.
        edges = (2.0 if setup.min_max else 1.0) * np.sqrt(2.0 / 12.0) / len(lengths)
        if lobes_a_turn:
            # So few lobes give no scatter: their places are good to some hundredths of a turn.
            edges = _PATTERN_PLACE_U * frames / len(lengths)
        u = float(np.hypot(edges, scatter_u(lengths) if len(lengths) > 1 else 0.0))
    speed = 60.0 * setup.sample_rate_hz / frames
    return Quantity(float(speed), float(speed * np.hypot(u / frames, setup.clock_u_part)))


def _turn_by_lobes(times: Sequence[LobeTime], a_turn: int) -> tuple[float, float]:
    """Return the mean length of a turn in frames, and its standard uncertainty.

    A line fitted to all places would weigh the middle of the run the most, where the speed may
    be another than at its ends; its residuals show how uncertain one place is.
    """
    count = np.array([time.count for time in times])
    frame = np.array([time.frame for time in times])
    turns = (count[-a_turn:].mean() - count[:a_turn].mean()) / a_turn
    frames = (frame[-a_turn:].mean() - frame[:a_turn].mean()) / turns
    # Each lobe of the turn stands where it stands; what is left of the slow course is the scatter.
    course = [((count - count.mean()) / np.ptp(count)) ** k for k in range(1, 4)]
    own = [count % a_turn == each for each in range(a_turn)]
    columns = np.stack([*course, *own], axis=1).astype(np.float64)
    left = len(count) - columns.shape[1]
    if left < 1:
        return float(frames), float(_PATTERN_PLACE_U * frames / turns)
    rest = frame - columns @ np.linalg.lstsq(columns, frame)[0]
    one_u = t_expanded(float(np.sqrt(np.sum(rest**2) / left)), left)
    return float(frames), float(one_u * np.sqrt(2.0 / a_turn) / turns)


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
