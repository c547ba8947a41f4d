"""The spindle's speed over a stretch: mean, short-term variation, slow drift."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.setup import SampleBlock, Setup
from app.analysis.lobes.index import IndexDetector, Pulse
from app.analysis.lobes.turns import IndexTurns, Turn
from app.analysis.results import Quantity, SpeedFinding
from app.analysis.uncertainty import fit, t_expanded

_FEW = 4
"""With fewer turns than this, variation and drift cannot be told apart."""


def index_turns(pieces: Sequence[SampleBlock], setup: Setup) -> list[Turn]:
    """Return the whole turns between edges of the index, pieces joined end to end."""
    column = setup.columns.index
    turns: list[Turn] = []
    begin = 0.0
    for piece in pieces:
        # Of min/max pairs the index is looked at once for each pair of rows.
        rows = 2 if piece.min_max else 1
        pairs = IndexTurns(setup.sample_rate_hz)
        start, begin = begin, begin + len(piece.samples_v)
        if column is None:
            continue
        if piece.at_index:
            pairs.take_edge(start)
        detector = IndexDetector(setup.sample_rate_hz / rows)
        level_v = np.ascontiguousarray(piece.samples_v[::rows, column])
        found = [*detector.push(level_v, 0), *detector.flush()]
        turns += pairs.push(
            [Pulse(start + each.edge_frame * rows, each.frames * rows) for each in found]
        )
    return turns


def speed_over(turns: Sequence[Turn], rate_hz: float, *, by_index: bool) -> SpeedFinding | None:
    """Return what turns in their order tell of the speed, None where there are none.

    Parameters
    ----------
    turns : sequence of Turn
        Whole turns.
    rate_hz : float
        Frames a second.
    by_index : bool
        Whether they are from the index.
    """
    if not turns:
        return None
    frames = np.array([turn.frames for turn in turns])
    middles_s = np.array([turn.start_frame + turn.end_frame for turn in turns]) / (2.0 * rate_hz)
    turn_rpm: NDArray[np.float64] = 60.0 * rate_hz / frames
    mean_rpm = float(60.0 * rate_hz / frames.mean())
    count = len(turns)
    # One frame's width, rectangular, at either end.
    edges_rpm = mean_rpm * float(np.sqrt(2.0 / 12.0)) / float(frames.sum())
    if count < _FEW:
        spread = float(np.ptp(turn_rpm)) if count > 1 else 0.002 * mean_rpm
        return SpeedFinding(
            Quantity(mean_rpm, float(np.hypot(edges_rpm, spread))), None, None, turn_rpm, by_index
        )
    minutes = (middles_s - middles_s.mean()) / 60.0
    line = fit(np.stack([np.ones(count), minutes], axis=1), turn_rpm)
    sd_rpm, drift = line.residual_sd, line.combination(0.0, 1.0)
    mean_u = float(np.hypot(edges_rpm, t_expanded(sd_rpm / np.sqrt(count), count - 2)))
    part = 100.0 / mean_rpm
    return SpeedFinding(
        mean_rpm=Quantity(mean_rpm, mean_u),
        variation_percent=Quantity(part * sd_rpm, part * sd_rpm / float(np.sqrt(2.0 * count - 4))),
        drift_percent_per_min=Quantity(part * drift.value, part * drift.u),
        turn_rpm=turn_rpm,
        by_index=by_index,
    )
