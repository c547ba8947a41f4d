"""Classes of captures of disks whose profile states windows, rightly or wrongly."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

from numpy.random import Generator

from tests.hunt import patterns, spoilers
from tests.hunt.draws import ENVELOPE, RECORDS, Frame, HuntClass, Range, groups
from tests.hunt.patterns import Pattern, Window

Maker = Callable[[Generator, float], Pattern]

_DEGREE = 1.0 / 360.0
_EDGE_DEG = (0.3, 1.2)


def _recorded(rng: Generator, balance: float, bursts: list[Window]) -> Pattern:
    """Return bursts that the profile states as they are; the first kind is that of the first."""
    most = 0.2 * min(each.length for each in bursts)
    edge = min(rng.uniform(*_EDGE_DEG) * _DEGREE, most)
    made = patterns.windows((1 + balance, 1 - balance), bursts, edge)
    return replace(made, geometry="windows", bursts=tuple(bursts))


def _laid_out(rng: Generator, lengths: list[float], kinds: list[bool]) -> list[Window]:
    """Return windows of these lengths in turns, what is left of the turn drawn as gaps."""
    gaps = rng.uniform(0.2, 1.0, len(lengths) + 1)
    gaps *= (1.0 - sum(lengths)) / gaps.sum()
    start, bursts = 0.0, []
    for length, gap, is_first in zip(lengths, gaps, kinds, strict=False):
        start += gap
        bursts.append(Window(start, length, is_first))
        start += length
    return bursts


def _unequal(rng: Generator, balance: float) -> Pattern:
    """A long window and a short one."""
    long = rng.uniform(90, 160) * _DEGREE
    lengths = [long, rng.uniform(0.3, 0.7) * long]
    kinds = [True, False]
    return _recorded(rng, balance, _laid_out(rng, lengths, kinds))


def _equal(rng: Generator, balance: float) -> Pattern:
    """Two windows, opposite and alike."""
    length = rng.uniform(40, 160) * _DEGREE
    start = rng.uniform(0.01, 0.45 - length) if length < 0.43 else 0.01
    bursts = [Window(start, length, True), Window(start + 0.5, length, False)]
    return _recorded(rng, balance, bursts)


def _many(rng: Generator, balance: float, least_deg: float = 8.0) -> Pattern:
    """Three to twenty windows of any lengths, sides in any order."""
    count = int(rng.integers(3, 21))
    lengths = rng.uniform(0.4, 1.0, count)
    room = rng.uniform(0.5, 0.8) - count * least_deg * _DEGREE
    lengths = least_deg * _DEGREE + lengths * max(room, 0.0) / lengths.sum()
    kinds = [True, *(bool(rng.random() < 0.5) for _ in range(count - 2)), False]
    return _recorded(rng, balance, _laid_out(rng, lengths.tolist(), kinds))


def _narrow(rng: Generator, balance: float) -> Pattern:
    """Two to eight windows of a few degrees."""
    count = int(rng.integers(2, 9))
    lengths = (rng.uniform(4.0, 8.0, count) * _DEGREE).tolist()
    kinds = [number % 2 == 0 for number in range(count)]
    return _recorded(rng, balance, _laid_out(rng, lengths, kinds))


def _stated_wrongly(rng: Generator, balance: float) -> Pattern:
    """Another recording than the windows that the profile states."""
    bursts = _many(rng, balance).bursts
    centre = rng.uniform(0.12, 0.38)
    made = (
        patterns.boundary(balance, centre),
        patterns.two_band(balance, centre, rng.uniform(0.05, 0.5)),
        groups(rng, balance, int(rng.integers(3, 10)), (0.6, 0.9)),
        _many(rng, balance),
    )[int(rng.integers(4))]
    return replace(made, geometry="windows", bursts=bursts)


def _open(rng: Generator, balance: float) -> Pattern:
    """Windows of which the profile says nothing."""
    return (_unequal, _equal, _many, _narrow)[int(rng.integers(4))](rng, balance)


def _class(
    name: str, about: str, pattern: Maker, *ranges: Range, is_plain: bool = True, **frame: Any
) -> HuntClass:
    frame = {"is_stated": True} | frame
    return HuntClass(name, about, Frame(pattern=pattern, **frame), ranges, is_plain=is_plain)


def _drift() -> Range:
    return Range(
        spoiler=spoilers.gain_drift, low=0.003, high=0.3, plain=(0.003, 0.1), both_signs=True
    )


def _wow(most: float) -> Range:
    return Range(spoiler=spoilers.wow, low=3e-4, high=2 * most, plain=(3e-4, most))


WINDOWS = (
    _class("windows", "three to twenty windows of any lengths", _many),
    _class("windows-unequal", "a long window and a short one", _unequal),
    _class("windows-equal", "two windows alike", _equal),
    _class("windows-narrow", "windows of four to eight degrees", _narrow),
    _class("windows-bare", "windows of any lengths, no index", _many, index_share=0.0),
    _class("windows-unequal-bare", "long and short, no index", _unequal, index_share=0.0),
    _class("windows-equal-bare", "two windows alike, no index", _equal, index_share=0.0),
    _class("windows-narrow-bare", "narrow windows, no index", _narrow, index_share=0.0),
    _class("windows-envelope", "a linear detector", _many, kinds=ENVELOPE),
    _class("windows-records", "records of pairs", partial(_many, least_deg=12.0), kinds=RECORDS),
    _class("windows-weak", "0 to 15 dB", _many, snr_db=(0.0, 15.0), noisy_share=0.0),
    _class("windows-few", "three turns or a little more", _many, turns=(2.2, 3.2)),
    _class("windows-drift", "a gain that drifts", _many, _drift()),
    _class("windows-wow", "wow", _many, _wow(0.01)),
    _class("windows-wow-bare", "wow, no index", _unequal, _wow(0.005), index_share=0.0),
    _class(
        "windows-lost",
        "missing samples",
        _many,
        Range(spoiler=spoilers.lost_samples, low=3e-4, high=0.1, plain=(3e-4, 0.03)),
        turns=(5, 12),
    ),
    _class("windows-wrong", "not the recording that is stated", _stated_wrongly, is_plain=False),
    _class(
        "windows-wrong-bare",
        "not the recording that is stated, no index",
        _stated_wrongly,
        is_plain=False,
        index_share=0.0,
    ),
    _class(
        "windows-open", "windows of which nothing is said", _open, is_plain=False, is_stated=False
    ),
)
"""Every class of windows, of at most one spoiler."""
