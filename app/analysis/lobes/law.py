"""What the shape of the lobes tells of the law between the head and the envelope.

Over its span a lobe of one pair a turn is a cosine of the disk's angle and a constant, and a linear
detector leaves it so. A logarithm makes tops flat and flanks steep, and so does the edge of a head
that is too narrow. Groups are flat themselves and show nothing of a law.
"""

from __future__ import annotations

import numpy as np

from app.analysis.lobes.heights import TURN_BINS, MeanTurn
from app.analysis.lobes.layout import Layout
from app.analysis.results import Quantity

_LAW_U = 3.0
"""Standard uncertainty of a balance behind a law that is not known, as a part of it: a logarithm
over three decades leaves a seventh of it."""
_DOWN_TO = 0.3
"""So far down its flanks a lobe is looked at, as a part of its height."""
_LEAST_V_PART = 1e-3
_MOST_BEND, _MOST_BEND_U, _SIGMAS = 1.0, 0.4, 2.0
"""A square root bends by 1, a logarithm over 0.8 decades or more by 1.8 and more, a disk that is
uneven by a tenth once a turn by 0.2."""
_FEWEST_PLACES = 12


def unknown_law_u(turn: MeanTurn, layout: Layout, balance: float) -> float:
    """Return the standard uncertainty of a balance from a law of which nothing is stated.

    It is 0 where the lobes show a linear one.
    """
    return 0.0 if _is_linear(turn, layout) else _LAW_U * abs(balance)


def _is_linear(turn: MeanTurn, layout: Layout) -> bool:
    """Return whether a lobe shows that what it went through is no more bent than a linear law."""
    if layout.pairs > 1 or layout.windows is not None:
        return False
    return any(
        bend.u < _MOST_BEND_U and bend.value + _SIGMAS * bend.u < _MOST_BEND
        for bend in (bend_of(turn, centre) for centre in layout.centres.tolist())
        if bend is not None
    )


def bend_of(turn: MeanTurn, centre: float) -> Quantity | None:
    """Return how a law bends at a lobe's top, None where the lobe is flat or too narrow.

    Height times second derivative over the square of the first, turned over: 0 of a linear law,
    also behind a threshold, 1/n - 1 of a power n, and D ln 10 of a logarithm over D decades.
    """
    middle = round(centre * TURN_BINS - 0.5)
    places = np.arange(middle - TURN_BINS // 4, middle + TURN_BINS // 4 + 1)
    amplitude = turn.amplitude_v[places % TURN_BINS]
    half = len(places) // 2
    top = float(np.median(amplitude[half - 3 : half + 4]))
    below = np.flatnonzero(amplitude < _DOWN_TO * top)
    start = int(below[below < half].max(initial=-1)) + 1
    end = int(below[below > half].min(initial=len(places)))
    if top <= 0.0 or end - start < _FEWEST_PLACES:
        return None
    value = amplitude[start:end]
    power_u = turn.u_v2[places[start:end] % TURN_BINS]
    u = np.maximum(power_u / (2.0 * np.maximum(value, _DOWN_TO * top)), _LEAST_V_PART * top)
    angle = 2.0 * np.pi * ((places[start:end] + 0.5) / TURN_BINS - centre)
    fall = np.cos(angle) - 1.0
    columns = np.stack([np.ones_like(fall), np.sin(angle), fall, fall**2], axis=1) / u[:, None]
    covariance = np.linalg.pinv(columns.T @ columns)
    found = covariance @ (columns.T @ (value / u))
    rest = value / u - columns @ found
    covariance *= max(1.0, float(rest @ rest) / len(rest))
    height, slope, curve = (float(found[at]) for at in (0, 2, 3))
    if slope == 0.0:
        return None
    bend = -2.0 * curve * height / slope**2
    by = np.array([-2.0 * curve / slope**2, 0.0, -2.0 * bend / slope, -2.0 * height / slope**2])
    return Quantity(bend, float(np.sqrt(max(by @ covariance @ by, 0.0))))
