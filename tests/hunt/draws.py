"""What is drawn for one capture: conditions, and the magnitude of each spoiler."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from tests.hunt import patterns
from tests.hunt.patterns import Pattern
from tests.hunt.signal import Conditions, Dose, Kind, Spoiler

RAW = (Kind.DIFFERENTIAL, Kind.PHASES)
PHASES = (Kind.PHASES,)
ENVELOPE = (Kind.ENVELOPE,)
RECORDS = (Kind.PAIRS, Kind.PHASE_PAIRS)
SAMPLES = (*RAW, Kind.ENVELOPE)

BOUNDARY = ("boundary",)
ONE_PAIR = ("boundary", "two-band")
GROUPS = ("alternating",)
EVERY = (*ONE_PAIR, *GROUPS)

_RAW_RATES = ((25_200.0, 100e3), (62_500.0, 250e3), (125_000.0, 500e3))
"""Carrier and rate: the small ones are quick, and what spoils does not ask for the frequency."""
_RAW_SHARES = (0.7, 0.2, 0.1)
_ENVELOPE_RATES = (8e3, 16e3, 48e3)
_RECORD_CARRIER_HZ = 31_250.0
_SAMPLES_A_CYCLE = 16 + (np.sqrt(5) - 1) / 2
"""Of records: a converter so fast in proportion, and out of step, that each bin has its crests."""
_BIN_FRAMES = (80, 160, 400)
_MOST_RECORDS = 3
_PLAIN_SNR_DB = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What conditions a class draws from.

    Attributes
    ----------
    index_share : float
        Part of the draws with a column for the index.
    noisy_share : float
        Part of the draws below 15 dB, which are not plain.
    turns, spare, lead : tuple of float
        Turns of the capture, what is added to them, and how much of that comes ahead of the index.
    balance : tuple of float
        Magnitudes that the balance is drawn from; None for those of a drive at work.
    pattern : callable or None
        Makes the pattern from generator and balance; None for one of `geometries`.
    is_stated : bool
        The disk's profile states geometry and pairs.
    """

    kinds: tuple[Kind, ...] = RAW
    geometries: tuple[str, ...] = EVERY
    index_share: float = 0.75
    noisy_share: float = 0.1
    snr_db: tuple[float, float] = (15.0, 50.0)
    turns: tuple[float, float] = (3.0, 12.0)
    spare: tuple[float, float] = (0.05, 0.95)
    lead: tuple[float, float] = (0.03, 0.97)
    balance: tuple[float, float] | None = None
    pattern: Callable[[Generator, float], Pattern] | None = None
    is_stated: bool = False
    speed_part: float = 0.015

    def draw(self, rng: Generator) -> Conditions:
        """Return conditions."""
        kind = self.kinds[int(rng.integers(len(self.kinds)))]
        balance = self._balance(rng)
        pattern = self._pattern(rng, balance)
        carrier_hz, rate_hz = _rates(rng, kind)
        cycles = carrier_hz / 5.0 * (1.0 + rng.uniform(-0.01, 0.01))
        rpm = 300.0 * (1.0 + rng.uniform(-self.speed_part, self.speed_part))
        noisy = rng.random() < self.noisy_share
        turns = rng.uniform(*self.turns) + rng.uniform(*self.spare)
        if kind.is_record:
            # Up to half a turn passes between two records, and one before the first.
            turns = 3.5 * float(rng.integers(1, _MOST_RECORDS + 1)) + 1.1
            rate_hz = _SAMPLES_A_CYCLE * cycles * rpm / 60.0
        return Conditions(
            kind=kind,
            has_index=bool(rng.random() < self.index_share),
            pattern=pattern,
            is_stated=self.is_stated,
            rpm=rpm,
            turns=turns,
            lead=rng.uniform(*self.lead),
            snr_db=rng.uniform(0.0, _PLAIN_SNR_DB) if noisy else rng.uniform(*self.snr_db),
            rate_hz=rate_hz,
            cycles=cycles,
            height_v=float(np.exp(rng.uniform(np.log(0.05), np.log(2.0)))),
            index_low=bool(rng.random() < 0.5),
            bin_frames=int(rng.choice(_BIN_FRAMES)),
        )

    def _balance(self, rng: Generator) -> float:
        sign = 1.0 if rng.random() < 0.5 else -1.0
        near, far = rng.uniform(0.0, 0.04), rng.uniform(0.0, 0.45)
        size = near if rng.random() < 0.3 else far
        return sign * (size if self.balance is None else rng.uniform(*self.balance))

    def _pattern(self, rng: Generator, balance: float) -> Pattern:
        if self.pattern is not None:
            return self.pattern(rng, balance)
        geometry = self.geometries[int(rng.integers(len(self.geometries)))]
        if geometry == "alternating":
            pairs = int(rng.choice([3, 4, 6, 9]))
            return groups(rng, balance, pairs, (0.6, 0.93))
        centre = rng.uniform(0.12, 0.38)
        if geometry == "boundary":
            return patterns.boundary(balance, centre)
        return patterns.two_band(balance, centre, rng.uniform(0.05, 0.5))


def groups(rng: Generator, balance: float, pairs: int, fill: Sequence[float]) -> Pattern:
    """Return groups whose fill is drawn from a range, the index in the gap ahead of the first."""
    part = rng.uniform(fill[0], fill[1])
    offset, edge = rng.uniform(0.1, 0.9) * (1 - part), rng.uniform(0.01, 0.06)
    return patterns.alternating(balance, pairs, part, offset, edge)


def _rates(rng: Generator, kind: Kind) -> tuple[float, float]:
    if kind is Kind.ENVELOPE:
        return 25_200.0, float(rng.choice(_ENVELOPE_RATES))
    if kind.is_record:
        return _RECORD_CARRIER_HZ, 0.0
    return _RAW_RATES[int(rng.choice(len(_RAW_RATES), p=_RAW_SHARES))]


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """A spoiler, and the magnitudes that are drawn of it, evenly on a logarithmic scale.

    Attributes
    ----------
    plain : tuple of float or None
        Magnitudes at which a good instrument reads; None where parking is right at each.
    is_even : bool
        Drawn evenly on a plain scale instead.
    both_signs : bool
        Whether the negative ones are drawn too.
    """

    spoiler: Spoiler
    low: float
    high: float
    plain: tuple[float, float] | None = None
    is_even: bool = False
    both_signs: bool = False

    def draw(self, rng: Generator) -> tuple[Dose, bool]:
        """Return a dose, and whether it is a plain one."""
        size = rng.uniform(0.0, 1.0)
        if self.is_even:
            size = self.low + size * (self.high - self.low)
        else:
            size = self.low * (self.high / self.low) ** size
        is_plain = self.plain is not None and self.plain[0] <= size <= self.plain[1]
        if self.both_signs and rng.random() < 0.5:
            size = -size
        return Dose(self.spoiler, size), is_plain


@dataclass(frozen=True, slots=True)
class Draw:
    """Conditions and doses of one capture, and whether to refuse it counts against the tool."""

    conditions: Conditions
    doses: tuple[Dose, ...]
    is_plain: bool


@dataclass(frozen=True, slots=True)
class HuntClass:
    """One way in which captures are drawn.

    Attributes
    ----------
    about : str
        What is special about them, in a few words.
    frame, ranges : Frame, tuple of Range
        Conditions and spoilers.
    is_plain : bool
        False where parking is right whatever is drawn.
    """

    name: str
    about: str
    frame: Frame
    ranges: tuple[Range, ...] = ()
    is_plain: bool = True

    def draw(self, rng: Generator) -> Draw:
        """Return what one capture is made of."""
        conditions = self.frame.draw(rng)
        drawn = [each.draw(rng) for each in self.ranges]
        plain = (
            self.is_plain
            and conditions.snr_db >= _PLAIN_SNR_DB
            and all(is_plain for _, is_plain in drawn)
        )
        return Draw(conditions, tuple(dose for dose, _ in drawn), plain)
