"""How a head stands over the stroke: the slope from track to track, and the stepper's phases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.analysis.results import Quantity
from app.analysis.uncertainty import fit


@dataclass(frozen=True, slots=True)
class TrackPlace:
    """The head on one track: its offset there, with u of the reading alone."""

    track: int
    offset_um: Quantity


@dataclass(frozen=True, slots=True)
class StrokeFinding:
    """How a head stands over the stroke.

    Attributes
    ----------
    slope_um : Quantity
        By how much it stands farther outward on track 0 than on the last, by the straight line.
    phases_um : tuple of (int, Quantity)
        How far each phase of the stepper holds the head outward of the line; empty where the
        tracks do not tell the phases from the slope.
    """

    slope_um: Quantity
    phases_um: tuple[tuple[int, Quantity], ...] = ()


def stroke_of(
    places: Sequence[TrackPlace], tracks: int, phases: int | None = None
) -> StrokeFinding | None:
    """Return the slope over the stroke and the phases' parts, by weighted least squares.

    A phase holds every track whose number leaves the same rest; the parts sum to nought.

    Parameters
    ----------
    places : sequence of TrackPlace
        On different tracks.
    tracks : int
        That the class has.
    phases : int or None
        Of the stepper, in tracks; None where nothing is known of them.

    Returns
    -------
    StrokeFinding or None
        None where there are fewer than two tracks.
    """
    numbers = np.array([each.track for each in places], dtype=np.float64)
    if len(set(numbers)) < 2:
        return None
    values, u = (np.array([getattr(each.offset_um, n) for each in places]) for n in ("value", "u"))
    # From track 0, where it is a half, to the last, where it is minus a half.
    along = 0.5 - numbers / (tracks - 1)
    line = np.stack([np.ones(len(numbers)), along], axis=1)
    held = [] if phases is None else sorted({each.track % phases for each in places})
    with_phases = _with_phases(line, places, phases or 1, held)
    if len(held) > 1 and _tells(with_phases):
        found = fit(with_phases, values, u)
        rest = len(held) - 1
        parts = [found.estimate(0.0, 0.0, *_unit(rest, place)) for place in range(rest)]
        parts.append(found.estimate(0.0, 0.0, *[-1.0] * rest))
        slope = found.estimate(0.0, 1.0, *[0.0] * rest)
        return StrokeFinding(slope, tuple(zip(held, parts, strict=True)))
    return StrokeFinding(fit(line, values, u).estimate(0.0, 1.0))


def _with_phases(
    line: np.ndarray, places: Sequence[TrackPlace], phases: int, held: Sequence[int]
) -> np.ndarray:
    """Return the columns of the line, and of each phase but the last, of which it is the rest."""
    columns = [line]
    for each in held[:-1]:
        own = [float(place.track % phases == each) for place in places]
        last = [float(place.track % phases == held[-1]) for place in places]
        columns.append((np.array(own) - np.array(last))[:, np.newaxis])
    return np.concatenate(columns, axis=1)


def _tells(columns: np.ndarray) -> bool:
    """Whether the tracks are enough, and lie so, that each column is told from the others."""
    return int(np.linalg.matrix_rank(columns)) == columns.shape[1]


def _unit(count: int, place: int) -> list[float]:
    return [float(each == place) for each in range(count)]
