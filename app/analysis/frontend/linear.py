"""An input without a detector by bursts of sines: gains, match, crosstalk, rejection, band, bits.

What comes back has gone through the output, the path and the input: only the product of their
couplings and of their gains is known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.analysis.frontend.score import Score, ToneBurst
from app.analysis.frontend.sine import SineFit, effective_bits, fit_near
from app.analysis.uncertainty import scatter_u

Floats = NDArray[np.float64]

_LEAD_S, _GUARD_S = 0.1, 5e-3
"""Left out at a burst's beginning, where couplings settle, and at its end."""
_REPEATS, _QUICK_REPEATS = 4, 2
_LOW_HZ = (15.0, 30.0, 60.0, 120.0, 1000.0)
_BAND_PARTS = (0.05, 0.1, 0.2, 0.3, 0.4, 0.45)
_SHARED_PART = 0.3
"""From one output alone the second column has so much of the first: it is led to both."""
_LEAST_U = 5e-6
_LOSS = 0.005
"""A corner whose loss at the lowest tone is below this part cannot be told from it."""


@dataclass(frozen=True, slots=True)
class LinearPath:
    """What a path from an output to an input does.

    Attributes
    ----------
    gain_v : tuple of float
        Of each column, the peak that comes back for an output at full scale.
    match, match_u : float or None, float
        Gain of the second column over that of the first.
    shared : bool
        One output feeds both columns, so the match is the inputs' own.
    crosstalk_db : float or None
        What a column has of the other's signal; None where both are fed by one output.
    rejection_db : float or None
        What is common to both columns over what their difference keeps of it.
    bits : float or None
        Effective bits of the whole loop (IEEE 1057), None where the full scale is not known.
    corner_hz : float
        Corner that the product of all couplings shows; 0 where none does.
    band : tuple of (float, float)
        Frequency and gain over that at 1 kHz.
    """

    gain_v: tuple[float, ...]
    match: float | None
    match_u: float
    shared: bool
    crosstalk_db: float | None
    rejection_db: float | None
    bits: float | None
    corner_hz: float
    band: tuple[tuple[float, float], ...]


def linear_score(level: float, hz: float, rate_hz: float, outputs: int, *, quick: bool) -> Score:
    """Return what is to be played to a path without a detector; of the band little where quick."""
    both = (level,)
    turn = [both] if outputs < 2 else [(level, 0.0), (0.0, level), both]
    repeats = _QUICK_REPEATS if quick else _REPEATS
    bursts = [ToneBurst(levels, hz) for _ in range(repeats) for levels in turn]
    tones = (*_LOW_HZ, *(part * rate_hz for part in _BAND_PARTS))
    if quick:
        tones = (_LOW_HZ[0], _LOW_HZ[-1])
    last = [ToneBurst(both, tone) for tone in tones]
    # The low tones rise and fall themselves: it is found by those before.
    return Score((*bursts, *last), on_s=0.4, off_s=0.11, marks=len(bursts))


def linear_path(
    values: Floats, rate_hz: float, score: Score, begin_s: float, full_scale_v: float | None
) -> LinearPath:
    """Return what came back of :func:`linear_score` says.

    `values` are float64, shape (n, columns); the score begins in them at `begin_s`.
    """
    reader = _Reader(values, rate_hz, score, begin_s)
    main = range(score.marks or 0)
    both = [n for n in main if len(score.bursts[n].levels) == 1]
    gains = np.array([reader.gains(n) for n in both])
    corner_hz, band = _band(reader, range(len(main), len(score.bursts)))
    match, match_u, shared, crosstalk_db = _match(reader, main) if len(gains[0]) > 1 else _NO_MATCH
    residual = reader.fit(both[-1], 0).residual
    return LinearPath(
        gain_v=tuple(float(each) for each in gains.mean(axis=0)),
        match=match,
        match_u=match_u,
        shared=shared,
        crosstalk_db=crosstalk_db,
        rejection_db=_rejection_db(reader, both) if len(gains[0]) > 1 else None,
        bits=None if full_scale_v is None else effective_bits(residual, 2.0 * full_scale_v),
        corner_hz=corner_hz,
        band=band,
    )


_NO_MATCH = (None, 0.0, False, None)


class _Reader:
    """Fits a sine to a column in a burst."""

    def __init__(self, values: Floats, rate_hz: float, score: Score, begin_s: float) -> None:
        self._values = values
        self.rate_hz = rate_hz
        self._begin_s = begin_s
        self.score = score

    def part(self, number: int) -> Floats:
        """Return the samples of a burst, its ends left out, shape (n, columns)."""
        first = self._begin_s + self.score.start_s(number) + _LEAD_S
        last = first + self.score.on_s - _LEAD_S - _GUARD_S
        return self._values[round(first * self.rate_hz) : round(last * self.rate_hz)]

    def fit(self, number: int, column: int) -> SineFit:
        """Return the sine of a burst in a column."""
        cycles = self.score.bursts[number].hz / self.rate_hz
        return fit_near(self.part(number)[:, column], cycles)

    def gains(self, number: int) -> tuple[float, ...]:
        """Return each column's amplitude for an output at full scale."""
        level = self.score.bursts[number].level
        columns = range(self._values.shape[1])
        return tuple(self.fit(number, column).amplitude / level for column in columns)


def _match(reader: _Reader, main: range) -> tuple[float, float, bool, float | None]:
    """Return match, its u, whether one output feeds both columns, and crosstalk."""
    bursts = reader.score.bursts
    first = np.array([reader.gains(n) for n in main if bursts[n].levels[1:] == (0.0,)])
    second = np.array([reader.gains(n) for n in main if bursts[n].levels[:1] == (0.0,)])
    if not len(first):
        # One output, which feeds both.
        alone = np.array([reader.gains(n) for n in main])
        return *_ratio(alone[:, 1] / alone[:, 0]), True, None
    for fed in (first, second):
        low, high = np.sort(fed.mean(axis=0))
        if low > _SHARED_PART * high and high > _SHARED_PART * float(np.max([first, second])):
            return *_ratio(fed[:, 1] / fed[:, 0]), True, None
    straight = first[:, 0].mean() >= first[:, 1].mean()
    own, other = (0, 1) if straight else (1, 0)
    match = second[:, other] / first[:, own] if straight else first[:, own] / second[:, other]
    leaks = max(
        float((first[:, other] / first[:, own]).mean()),
        float((second[:, own] / second[:, other]).mean()),
    )
    return *_ratio(match), False, _db(leaks)


def _ratio(ratios: Floats) -> tuple[float, float]:
    return float(ratios.mean()), float(np.hypot(scatter_u(ratios), _LEAST_U))


def _rejection_db(reader: _Reader, both: list[int]) -> float:
    """Return the common part over the difference, of bursts on both outputs."""
    kept: list[float] = []
    for number in both:
        part = reader.part(number)
        cycles = reader.score.bursts[number].hz / reader.rate_hz
        common = fit_near(part.mean(axis=1), cycles)
        apart = fit_near(part[:, 0] - part[:, 1], common.cycles)
        kept.append(apart.amplitude / common.amplitude)
    return -_db(float(np.mean(kept)))


def _band(reader: _Reader, numbers: range) -> tuple[float, tuple[tuple[float, float], ...]]:
    """Return the corner that the low tones show, and the gain at every tone."""
    bursts = reader.score.bursts
    gains = {bursts[n].hz: reader.gains(n)[0] for n in numbers}
    reference = gains[_LOW_HZ[-1]]
    parts = {hz: gain / reference for hz, gain in gains.items()}
    lowest = parts[_LOW_HZ[0]]
    seen = [
        hz * float(np.sqrt(1.0 / parts[hz] ** 2 - 1.0))
        for hz in _LOW_HZ[:-1]
        if 0.05 < parts.get(hz, 1.0) < 1.0 - _LOSS
    ]
    corner_hz = seen[0] if seen and lowest < 1.0 - _LOSS else 0.0
    return corner_hz, tuple(parts.items())


def _db(part: float) -> float:
    return 20.0 * float(np.log10(max(part, 1e-9)))
