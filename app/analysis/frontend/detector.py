"""A detector probe by bursts of its carrier: its law, and the corner of the input behind it.

What a first-order high-pass of corner f makes of u is y with y' + 2πf·y = u', so that
u = y + 2πf·∫y + a base. In a burst u is the detector's answer to that level, in a pause nothing:
corner, base and answers are the unknowns of one linear fit. The output's own coupling passes the
carrier and has no part in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from app.analysis.frontend.quiet import MAINS_HZ
from app.analysis.frontend.score import Score, bin_means
from app.analysis.uncertainty import fit, scatter_u

Floats = NDArray[np.float64]

_BASE_S = 0.5
_HUM_HZ = tuple(n * mains for mains in MAINS_HZ for n in (1, 2, 3))
_UPPER = 0.6
"""The law's line is that of the levels above so much of the highest."""
_ANSWERS_SIGMAS = 5.0
_DC_HZ = 0.05
"""A corner below this is none: in no reading would it show."""
_RISE = (0.1, 0.9)
_STEADY_CORNER, _STEADY_THRESHOLD = 0.02, 0.005
_CORNER_U, _LAW_U = 0.002, 0.0005
"""What bins of a millisecond and a second, high corner leave, as parts of the corner and of the
highest answer (run against circuits of 0.5 to 40 Hz: less than a third of that)."""


@dataclass(frozen=True, slots=True)
class DetectorLaw:
    """What a detector gives for what goes in, and the coupling behind it.

    All volts are those of the input that it was measured with.

    Attributes
    ----------
    out_v, in_v : numpy.ndarray
        float64, shape (n,), both rising: what comes out, and the carrier's amplitude as the line of
        the upper levels counts it, so that out + threshold = in on that line.
    threshold_v, threshold_u_v : float
        Where that line meets zero: what the detector keeps for itself far above its knee.
    knee_v : float
        What comes out where that line says that nothing does.
    law_u_v : float
        Standard uncertainty of the amplitude that is told from an output.
    polarity : int
        −1 where more signal gives a lower voltage.
    corner_hz, corner_u_hz : float
        Low corner of the coupling behind the detector; 0 of a DC-coupled input.
    rise_s : float
        From a tenth to nine tenths at a burst's beginning; 0 where that was not seen.
    """

    out_v: Floats
    in_v: Floats
    threshold_v: float
    threshold_u_v: float
    knee_v: float
    law_u_v: float
    polarity: int
    corner_hz: float
    corner_u_hz: float
    rise_s: float

    @property
    def is_steady(self) -> bool:
        """Whether the passes agree: where they do not, something was lost or changed between."""
        corner_u_hz = max(_STEADY_CORNER * self.corner_hz, _DC_HZ)
        return self.corner_u_hz < corner_u_hz and (
            self.threshold_u_v < _STEADY_THRESHOLD * float(self.out_v[-1])
        )


@dataclass(frozen=True, slots=True)
class Pass:
    """One passing of all levels: the corner's rate (2π times it), and what each level gave."""

    rate: float
    answers: Floats


def detector_law(
    values: Floats, rate_hz: float, score: Score, begin_s: float, passes: int
) -> DetectorLaw:
    """Return the law that what came back shows.

    Parameters
    ----------
    values : numpy.ndarray
        float64, shape (n,): the detector's output, as it came through the input.
    score : Score
        What was played: every level once in each pass, in any order.
    begin_s : float
        When it begins in `values`.
    passes : int
        How often; their scatter tells the uncertainties.
    """
    level = values - values.mean()
    bins, bin_s = bin_means(level, rate_hz)
    # Of samples: within a bin a high corner's decay is no straight line.
    integral, _ = bin_means((np.cumsum(level) - 0.5 * level) / rate_hz, rate_hz)
    times_s: Floats = (np.arange(len(bins), dtype=np.float64) + 0.5) * bin_s - begin_s
    parts = score.parts_of(times_s)
    levels = np.array([burst.level for burst in score.bursts])
    each = len(levels) // passes
    orders = [np.argsort(levels[n * each : (n + 1) * each]) + n * each for n in range(passes)]
    found: list[Pass] = []
    for order in orders:
        first, last = int(order.min()), int(order.max())
        near = (times_s > score.start_s(first) - score.off_s) & (
            times_s < score.start_s(last) + score.on_s + score.off_s
        )
        found.append(pass_of(bins[near], integral[near], bin_s, parts[near], order))
    levels = np.sort(levels[:each])
    return law_of(found, levels, _rise_s(values, rate_hz, score, begin_s))


def pass_of(
    level: Floats,
    integral: Floats,
    bin_s: float,
    parts: NDArray[np.int64],
    order: NDArray[np.int64],
) -> Pass:
    """Fit one pass: the corner's rate, an answer for each level, the base, and hum.

    Parameters
    ----------
    level, integral : numpy.ndarray
        float64, shape (n,): bins of what came back, and of its integral.
    parts : numpy.ndarray
        int64, shape (n,): which burst a bin lies in, −1 in a pause, −2 where neither is sure.
    order : numpy.ndarray
        int64: the bursts, by their levels.
    """
    sure = parts > -2
    knots = np.arange(0.0, len(level) * bin_s + _BASE_S, _BASE_S)
    at_s = np.arange(len(level)) * bin_s
    base = np.maximum(0.0, 1.0 - np.abs(at_s[:, None] - knots) / _BASE_S)
    angles = 2.0 * pi * np.outer(at_s, _HUM_HZ)
    answers = (parts[:, None] == order).astype(np.float64)
    columns = np.column_stack([-integral, answers, base, np.cos(angles), np.sin(angles)])[sure]
    kept = np.abs(columns).sum(axis=0) > 0.0
    solved = np.zeros(columns.shape[1])
    solved[kept] = fit(columns[:, kept], level[sure]).parameters
    return Pass(float(solved[0]), solved[1 : 1 + len(order)])


def law_of(found: list[Pass], levels: Floats, rise_s: float) -> DetectorLaw:
    """Return the law that passes over some rising levels show, of whatever unit they are."""
    corners_hz = np.array([one.rate for one in found]) / (2.0 * pi)
    answers = np.stack([one.answers for one in found])
    polarity = 1 if float(answers[:, -1].mean()) >= 0.0 else -1
    answers *= polarity
    mean: Floats = answers.mean(axis=0)
    upper = levels >= _UPPER * levels[-1]
    lines: Floats = np.polyfit(levels[upper], answers[:, upper].T, 1)
    slope, at_nought = float(lines[0].mean()), float(lines[1].mean())
    amplitude = slope * levels
    spread: Floats = answers.std(axis=0, ddof=1)
    scatter_v = float(np.median(spread)) / sqrt(len(found))
    conducts = _first_that_answers(mean, _ANSWERS_SIGMAS * scatter_v)
    out = np.maximum.accumulate(mean[conducts:])
    rising = np.concatenate([[True], np.diff(out) > 0.0])
    corner_hz = float(corners_hz.mean())
    corner_u_hz = float(np.hypot(scatter_u(corners_hz), _CORNER_U * corner_hz))
    rest_v = _LAW_U * float(mean[-1])
    intercepts: Floats = lines[1]
    dc = corner_hz < max(_DC_HZ, 2.0 * corner_u_hz)
    knee_v: list[float] = np.interp([-at_nought / slope], levels, mean).tolist()
    return DetectorLaw(
        out_v=out[rising],
        in_v=amplitude[conducts:][rising],
        threshold_v=-at_nought,
        threshold_u_v=float(np.hypot(scatter_u(intercepts), rest_v)),
        knee_v=knee_v[0],
        law_u_v=hypot(scatter_v, rest_v),
        polarity=polarity,
        corner_hz=0.0 if dc else corner_hz,
        corner_u_hz=corner_u_hz,
        rise_s=rise_s,
    )


def _first_that_answers(answers: Floats, least_v: float) -> int:
    """Return the first level from which on every one gives something."""
    silent = np.flatnonzero(answers <= least_v)
    return int(min(silent[-1] + 1, len(answers) - 2)) if silent.size else 0


def _rise_s(values: Floats, rate_hz: float, score: Score, begin_s: float) -> float:
    """Return the rise at the highest bursts, over eighths of a bin."""
    step = max(1, round(rate_hz / 8000.0))
    fine = values[: len(values) // step * step].reshape(-1, step).mean(axis=1)
    step_s = step / rate_hz
    highest = max(burst.level for burst in score.bursts)
    rises: list[float] = []
    for number, burst in enumerate(score.bursts):
        if burst.level < highest:
            continue
        at = round((begin_s + score.start_s(number)) / step_s)
        before, after = round(3e-3 / step_s), round(8e-3 / step_s)
        edge = fine[max(0, at - before) : at + after]
        if len(edge) < before + after:
            continue
        low = float(edge[: before // 3].mean())
        top = low + (float(edge[np.abs(edge - low).argmax()]) - low)
        part = (edge - low) / (top - low) if top != low else np.zeros(len(edge))
        tenth, most = (int(np.argmax(part > mark)) for mark in _RISE)
        rises.append((most - tenth) * step_s)
    return float(np.median(rises)) if rises else 0.0
