"""A detector probe by a carrier that somebody switches on and off: its law at stated levels.

What is switched by hand begins and ends when it will, so where it does is looked for. Each stretch
of carrier with the pauses beside it is fitted as a burst of :mod:`app.analysis.frontend.detector`.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from app.analysis.frontend.detector import DetectorLaw, Pass, law_of, pass_of
from app.analysis.frontend.score import bin_means

Floats = NDArray[np.float64]

STRETCHES = 2
"""So many of carrier are wanted of each level."""
_EDGE_BINS = 3
_SEEN_SIGMAS = 12.0
_EDGE_PART = 0.4
"""An edge is at least so much of the largest: a gain's own noise is not."""
_GUARD_S, _SHORTEST_S, _BESIDE_S = 0.010, 0.06, 0.5
"""Left out about an edge, where a key bounces; least of carrier and of pause; most of a pause."""
_UPPER = 0.5
"""The levels above so much of the highest tell the corner."""


def keyed_passes(values: Floats, rate_hz: float) -> list[Pass]:
    """Return what each stretch of carrier gave, empty where no two were switched cleanly.

    Parameters
    ----------
    values : numpy.ndarray
        float64, shape (n,): what came back while the carrier was switched on and off, off first.
    """
    level = values - values.mean()
    bins, bin_s = bin_means(level, rate_hz)
    integral, _ = bin_means((np.cumsum(level) - 0.5 * level) / rate_hz, rate_hz)
    edges = _edges(bins, bin_s)
    if edges is None:
        return []
    guard, beside = round(_GUARD_S / bin_s), round(_BESIDE_S / bin_s)
    # A pause goes on to both ends.
    places = [0, *edges, len(bins)]
    found: list[Pass] = []
    for number in range(1, len(edges), 2):
        before, on, off, after = places[number - 1 : number + 3]
        first, last = max(before + guard, on - beside), min(after - guard, off + beside)
        parts = np.full(len(bins), -2, np.int64)
        parts[first : on - guard] = parts[off + guard : last] = -1
        parts[on + guard : off - guard] = 0
        near = slice(max(0, first), last)
        found.append(pass_of(bins[near], integral[near], bin_s, parts[near], np.array([0])))
    return found


def _edges(bins: Floats, bin_s: float) -> list[int] | None:
    """Return where the carrier goes on and off in turn, None where that is not clean."""
    rise = np.zeros(len(bins))
    rise[_EDGE_BINS:] = bins[_EDGE_BINS:] - bins[:-_EDGE_BINS]
    largest = float(np.abs(rise).max())
    noise = float(np.median(np.abs(rise))) / 0.6745
    if largest <= _SEEN_SIGMAS * noise:
        return None
    high = np.flatnonzero(np.abs(rise) > _EDGE_PART * largest)
    groups = np.split(high, np.flatnonzero(np.diff(high) > 2 * _EDGE_BINS) + 1)
    tops = [int(group[np.abs(rise[group]).argmax()]) for group in groups]
    signs = [bool(rise[top] > 0.0) for top in tops]
    edges = [top - _EDGE_BINS // 2 for top in tops]
    shortest = _SHORTEST_S / bin_s
    apart = all(after - before > shortest for before, after in pairwise([0, *edges, len(bins)]))
    in_turn = all(one != other for one, other in pairwise(signs))
    clean = apart and in_turn and len(edges) % 2 == 0 and len(edges) >= 2 * STRETCHES
    return edges if clean else None


def law_at_levels(passes: list[list[Pass]], levels: Floats, tolerance: float) -> DetectorLaw:
    """Return the law that answers at stated levels show.

    Parameters
    ----------
    passes : list of list of Pass
        Of each level what :func:`keyed_passes` gave.
    levels : numpy.ndarray
        float64, shape (n,), rising: the amplitudes that were stated.
    tolerance : float
        Of each level beside the others, as a part of it, rectangular.
    """
    upper = [one for one, level in zip(passes, levels, strict=True) if level > _UPPER * levels[-1]]
    found = [
        Pass(
            float(np.mean([each[which].rate for each in upper])),
            np.array([float(each[which].answers[0]) for each in passes]),
        )
        for which in range(STRETCHES)
    ]
    law = law_of(found, levels, 0.0)
    stated_u_v = tolerance / sqrt(3.0) * float(law.in_v[-1])
    return replace(
        law,
        threshold_u_v=hypot(law.threshold_u_v, stated_u_v),
        law_u_v=hypot(law.law_u_v, stated_u_v, _between_u(law.out_v, law.in_v)),
    )


def _between_u(out: Floats, into: Floats) -> float:
    """Return what lies between two levels at the most, by what leaving one out does.

    A bend between neighbours twice as far apart shows four times as much.
    """
    part = (out[1:-1] - out[:-2]) / (out[2:] - out[:-2])
    left_out = into[:-2] + part * (into[2:] - into[:-2]) - into[1:-1]
    return float(np.max(np.abs(left_out), initial=0.0)) / 4.0
