"""What an input gives by itself: offset, noise, hum, steps; and whether it is quiet at all."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.converter import step_of
from app.analysis.frontend.sine import effective_bits, fit_at, strongest

Floats = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
_HARMONICS = 8
_WINDOW_S = 0.5
_SHORTEST_S = 0.1
"""Both mains fit into it with whole cycles."""
_SPAN = 256
_UNEVEN = 1.5
"""Ninth tenth over first tenth of the level in short spans: white noise has 1.13."""
_LINE_PART = 0.25
"""A line of so much of the noise's power is a signal."""
_ABOVE_MAINS_HZ = 600.0
_HUM_SIGMAS = 3.0


@dataclass(frozen=True, slots=True)
class QuietChannel:
    """One channel with nothing played and no drive turning, in the source's volts.

    Attributes
    ----------
    offset_v, noise_v : float
        Mean; root mean square in the whole sampled band, offset and hum taken out.
    hum_v, hum_hz : float
        Root mean square of the mains and its harmonics, and which mains; both 0 where none shows.
    step_v : float
        Step of the converter, 0 where none shows.
    busy : bool
        A signal is there: what stands under noise is that signal.
    """

    offset_v: float
    noise_v: float
    hum_v: float
    hum_hz: float
    step_v: float
    busy: bool

    def bits_of(self, full_scale_v: float) -> float | None:
        """Return the effective bits that noise and steps leave, None where neither shows."""
        noise_v = max(self.noise_v, self.step_v / sqrt(12.0))
        return effective_bits(noise_v, 2.0 * full_scale_v) if noise_v > 0.0 else None


def quiet_channel(stretches: list[Floats], rate_hz: float) -> QuietChannel | None:
    """Return what one channel gives by itself, None where there is hardly a sample.

    Parameters
    ----------
    stretches : list of numpy.ndarray
        float64, each of shape (n,): samples that follow one another within each.
    """
    stretches = [each[np.isfinite(each)] for each in stretches]
    stretches = [each for each in stretches if len(each) >= 2 * _SPAN]
    if not stretches:
        return None
    joined = np.concatenate(stretches)
    total_v2 = float(joined.var())
    step_v = step_of(joined) or _lone_step(joined)
    hum_v, hum_hz = _hum(stretches, rate_hz)
    return QuietChannel(
        offset_v=float(joined.mean()),
        noise_v=sqrt(max(0.0, total_v2 - hum_v**2)),
        hum_v=hum_v,
        hum_hz=hum_hz,
        step_v=step_v,
        busy=any(is_busy(each, rate_hz, step_v) for each in stretches),
    )


def _lone_step(values: Floats) -> float:
    """Return the step between two codes where there are no more, 0 otherwise."""
    low, high = float(values.min()), float(values.max())
    return high - low if bool(np.all((values == low) | (values == high))) else 0.0


def is_busy(values: Floats, rate_hz: float, step_v: float) -> bool:
    """Return whether there is more than noise, hum and an offset: uneven, or a line above hum.

    What stays within a step of the converter is none: without noise it comes and goes.
    """
    if not float(np.ptp(values)):
        return False
    spans = values[: len(values) // _SPAN * _SPAN].reshape(-1, _SPAN)
    # Steps from sample to sample: hum and drift are not in them.
    levels = np.sqrt(np.mean(np.diff(spans, axis=1) ** 2, axis=1))
    low, high = np.quantile(levels, [0.1, 0.9])
    if high > _UNEVEN * max(low, step_v):
        return True
    least = _ABOVE_MAINS_HZ / rate_hz
    if least >= 0.4:
        return False
    piece = values[: 1 << (len(values).bit_length() - 1)]
    line = fit_at(piece, strongest(piece, least))
    return line.amplitude > step_v and line.amplitude**2 / 2.0 > _LINE_PART * line.residual**2


def _hum(stretches: list[Floats], rate_hz: float) -> tuple[float, float]:
    """Return the stronger mains' hum, root mean square, and its frequency."""
    found = [(_at_mains(stretches, rate_hz, hz), hz) for hz in MAINS_HZ]
    hum_v, hz = max(found)
    return (hum_v, hz) if hum_v > 0.0 else (0.0, 0.0)


def _at_mains(stretches: list[Floats], rate_hz: float, mains_hz: float) -> float:
    """Return the root mean square of a mains and its harmonics, noise's part taken out.

    Short windows: the mains is never quite of its frequency.
    """
    windows = [window for each in stretches for window in _windows(each, rate_hz)]
    lines = [n * mains_hz for n in range(1, _HARMONICS + 1) if n * mains_hz < 0.4 * rate_hz]
    if not windows or not lines:
        return 0.0
    count = len(windows[0])
    angles = 2.0 * np.pi * np.outer(np.arange(count), lines) / rate_hz
    columns = np.hstack([np.cos(angles), np.sin(angles)])
    parts = 2.0 / count * np.stack([columns.T @ (each - each.mean()) for each in windows])
    power = np.sum(parts**2, axis=1) / 2.0
    left = np.mean([each.var() for each in windows]) - power.mean()
    noise = 2.0 * len(lines) * max(0.0, float(left)) / count
    sure = _HUM_SIGMAS * noise * sqrt(1.0 / (len(lines) * len(windows)))
    above = float(power.mean()) - noise
    return sqrt(above) if above > sure else 0.0


def _windows(values: Floats, rate_hz: float) -> list[Floats]:
    tenth = round(_SHORTEST_S * rate_hz)
    wanted = round(_WINDOW_S / _SHORTEST_S) * tenth
    count = min(len(values) // tenth * tenth, wanted)
    return (
        [values[at : at + count] for at in range(0, len(values) - count + 1, count or 1)][:40]
        if count
        else []
    )


@dataclass(frozen=True, slots=True)
class CommonHum:
    """What the hum says of two phases: the second's gain over the first's, and the rejection.

    ``rejection_db`` is what is common over what their difference keeps of it.
    """

    match: float
    rejection_db: float


def common_hum(plus: Floats, minus: Floats, rate_hz: float, mains_hz: float) -> CommonHum | None:
    """Return what a hum that both phases carry says of them, None where it is too weak."""
    windows = list(zip(_windows(plus, rate_hz), _windows(minus, rate_hz), strict=True))
    if not windows or not mains_hz:
        return None
    fits = [[fit_at(each, mains_hz / rate_hz) for each in pair] for pair in windows]
    first, second = (np.array([pair[which].phasor for pair in fits]) for which in (0, 1))
    noise = np.mean([one.residual for pair in fits for one in pair]) * sqrt(
        2.0 / len(windows[0][0])
    )
    common, apart = np.abs(first + second) / 2.0, np.abs(first - second)
    if float(common.mean()) < 10.0 * noise:
        return None
    match = abs(complex(np.vdot(first, second) / np.vdot(first, first)))
    least = max(float(np.sqrt(np.mean(apart**2))), float(noise))
    return CommonHum(match, 20.0 * float(np.log10(common.mean() / least)))
