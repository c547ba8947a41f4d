"""Signals made straight from formulas, with their truth: the analysis's tests use these.

Nothing here is shared with the virtual drive, so that each checks the other.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

PULSE = 0.02
"""Part of a turn that the index pulse lasts."""


@dataclass(frozen=True)
class Signal:
    """What to make; the defaults are a clean two-band pattern.

    ``ratio`` is second lobe over first when ``first_taller``, else first over second.
    """

    ratio: float = 0.85
    first_taller: bool = True
    geometry: str = "two-band"
    rate_hz: float = 1e6
    carrier_hz: float = 125e3
    turns: float = 10.4
    start_turns: float = -0.1
    rpm: float = 300.0
    peak_v: float = 0.4
    snr_db: float | None = None
    centre: float = 0.25
    pairs: int = 6
    wow: float = 0.0
    wow_hz: float = 4.3
    hum: float = 0.0
    mismatch: float = 0.0
    third: float = 0.0
    drops: int = 0
    bits: int | None = None
    offset_v: float = 0.0
    seed: int = 0
    index_low_v: float = 0.2
    index_high_v: float = 5.0
    balance_at: tuple[tuple[float, float], ...] = field(default=())
    """(time in seconds, balance) steps that replace the ratio from that time on."""


@dataclass(frozen=True)
class Made:
    """Samples and what is true of them.

    ``plus_v`` and the rest have shape (frames,) and are read-only, as several tests may have the
    same; ``envelope_v`` is free of noise and drop-outs.
    ``shape2`` is the sum over one turn's frames of each lobe's squared shape, top at 1.
    """

    plus_v: NDArray[np.float64]
    minus_v: NDArray[np.float64]
    index_v: NDArray[np.float64]
    envelope_v: NDArray[np.float64]
    turns: NDArray[np.float64]
    tops_v: tuple[float, float]
    shape2: tuple[float, float]
    sigma_v: float

    @property
    def ratio(self) -> float:
        return min(self.tops_v) / max(self.tops_v)

    @property
    def balance(self) -> float:
        return (self.tops_v[0] - self.tops_v[1]) / sum(self.tops_v)

    def columns(self, *names: str) -> NDArray[np.float32]:
        arrays = {
            "plus": self.plus_v,
            "minus": self.minus_v,
            "index": self.index_v,
            "differential": self.plus_v - self.minus_v,
            "envelope": self.envelope_v,
        }
        return np.stack([arrays[name] for name in names], axis=1).astype(np.float32)

    def bound(self, turns: float) -> float:
        """Return the Cramér-Rao bound on the ratio's standard deviation.

        For each lobe var(A) >= 2 sigma² / sum(s²): Kay, Fundamentals of Statistical Signal
        Processing (from memory), amplitude of a sine of known frequency and unknown phase, here
        with the shape s.
        """
        parts = [
            2.0 * self.sigma_v**2 / (shape2 * turns) / top**2
            for shape2, top in zip(self.shape2, self.tops_v, strict=True)
        ]
        return self.ratio * float(np.sqrt(sum(parts)))


def pattern(
    geometry: str, angle: NDArray[np.float64], balance: NDArray[np.float64] | float, pairs: int
) -> NDArray[np.float64]:
    """Return the signed envelope by angle from the first lobe's top, mean height 1."""
    cosine = np.cos(angle)
    if geometry == "two-band":
        first = np.maximum(0.0, 1.0 + balance - 1.8 * (1.0 - cosine))
        return first + np.maximum(0.0, 1.0 - balance - 1.8 * (1.0 + cosine))
    if geometry == "boundary":
        return cosine + balance
    if geometry == "bell":
        near = np.exp(-0.5 * (np.angle(np.exp(1j * angle)) / 0.44) ** 2)
        far = np.exp(-0.5 * (np.angle(-np.exp(1j * angle)) / 0.44) ** 2)
        return (1.0 + balance) * near + (1.0 - balance) * far
    if geometry == "squared":
        return cosine**2 * np.where(cosine > 0.0, 1.0 + balance, 1.0 - balance)
    if geometry == "alternating":
        place = angle / np.pi * pairs
        number = np.floor(place + 0.5)
        flat = np.clip((0.42 - np.abs(place - number)) / 0.04, 0.0, 1.0)
        return flat * np.where(number % 2 == 0, 1.0 + balance, 1.0 - balance)
    raise ValueError(geometry)


@lru_cache(maxsize=2)
def make(signal: Signal) -> Made:
    """Make a signal and its truth; cases in a row ask for the same one."""
    rng = np.random.default_rng(signal.seed)
    turn_hz = signal.rpm / 60.0
    frames = round(signal.turns * signal.rate_hz / turn_hz)
    time = np.arange(frames) / signal.rate_hz
    turns = turn_hz * (time + _swing_s(signal, time)) + signal.start_turns
    angle = 2.0 * np.pi * (turns - signal.centre)
    size = (1.0 - signal.ratio) / (1.0 + signal.ratio)
    start = size if signal.first_taller else -size
    balance: NDArray[np.float64] | float = start
    if signal.balance_at:
        balance = np.full(frames, start)
        for at_s, value in signal.balance_at:
            balance[time >= at_s] = value
    envelope = signal.peak_v * pattern(signal.geometry, angle, balance, signal.pairs)
    carried = envelope.copy() if signal.drops else envelope
    for turn in range(int(np.floor(turns[0])), int(np.ceil(turns[-1])) + 1):
        for place in rng.random(signal.drops):
            low, high = np.searchsorted(turns, [turn + place, turn + place + 0.004])
            carried[low:high] *= 0.05
    phase = 2.0 * np.pi * signal.carrier_hz / turn_hz * turns
    wave = carried * (np.sin(phase) + _third(signal, phase))
    tops = (signal.peak_v * (1.0 + start), signal.peak_v * (1.0 - start))
    sigma = 0.0
    if signal.snr_db is not None:
        sigma = float(np.sqrt(max(tops) ** 2 / 2.0 / 10.0 ** (signal.snr_db / 10.0)))
    hum = _hum_v(signal, time)
    sides = []
    for sense in (1.0, -1.0):
        gain = 1.0 + sense * signal.mismatch / 2.0
        noise = rng.standard_normal(frames) * sigma / np.sqrt(2.0) if sigma else 0.0
        sides.append(sense * gain * wave / 2.0 + gain * hum + noise + signal.offset_v)
    if signal.bits:
        full = 1.05 * max(np.abs(side).max() for side in sides)
        codes = 2 ** (signal.bits - 1) - 1
        sides = [np.round(side / full * codes) / codes * full for side in sides]
    pulse = turns - np.floor(turns) < PULSE
    index = np.where(pulse, signal.index_high_v, signal.index_low_v)
    envelope = np.abs(envelope)
    for each in (*sides, index, envelope, turns):
        each.flags.writeable = False
    return Made(
        plus_v=sides[0],
        minus_v=sides[1],
        index_v=index,
        envelope_v=envelope,
        turns=turns,
        tops_v=tops,
        shape2=_shape2(signal, start),
        sigma_v=sigma,
    )


def _swing_s(signal: Signal, time: NDArray[np.float64]) -> NDArray[np.float64] | float:
    """Return what wow moves the turn by; this and the like cost a pass over all, where not 0."""
    if not signal.wow:
        return 0.0
    omega = 2.0 * np.pi * signal.wow_hz
    return signal.wow / omega * (1.0 - np.cos(omega * time))


def _third(signal: Signal, phase: NDArray[np.float64]) -> NDArray[np.float64] | float:
    return signal.third * np.sin(3.0 * phase) if signal.third else 0.0


def _hum_v(signal: Signal, time: NDArray[np.float64]) -> NDArray[np.float64] | float:
    if not signal.hum:
        return 0.0
    return signal.hum * signal.peak_v * np.sin(2.0 * np.pi * 50.0 * time + 1.0)


def _shape2(signal: Signal, balance: float) -> tuple[float, float]:
    frames = signal.rate_hz * 60.0 / signal.rpm
    angle = np.linspace(-np.pi, np.pi, 20001)[:-1]
    envelope = np.abs(pattern(signal.geometry, angle, balance, signal.pairs))
    lobes = 2 * signal.pairs if signal.geometry == "alternating" else 2
    number = np.floor(angle / (2.0 * np.pi) * lobes + 0.5).astype(int) % 2
    if signal.geometry == "boundary":
        number = (np.cos(angle) + balance < 0.0).astype(int)
    sums = []
    for which, top in ((0, 1.0 + balance), (1, 1.0 - balance)):
        mean = np.mean(np.where(number == which, envelope, 0.0) ** 2) / top**2
        sums.append(float(mean) * frames)
    return sums[0], sums[1]
