"""The four recordings of a radial alignment track.

Each gives the amplitude that the head finds, relative to a lobe's top with the head on the line
and the disk seated truly. Places on the disk are angles in turns from the index; offsets are the
head's, in micrometres outward of the track line as the disk lies at that angle.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, tau
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_RAMP = 0.04
"""Length of an alternating group's ramps, as a fraction of the spacing of the groups."""
_GUARD_FULL, _GUARD_GONE = 0.5, 0.7
"""Offset, in track pitches, to which the recording is whole and from which it is erased."""


class Recording(Protocol):
    """How an alignment track is recorded."""

    @property
    def geometry(self) -> str:
        """The recording's name."""
        ...

    @property
    def scale_um(self) -> float:
        """Offset for unit balance, S."""
        ...

    @property
    def pairs(self) -> int:
        """Pairs of lobes a turn."""
        ...

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats | None]:
        """Return the signed amplitudes in phase with the carrier and a quarter turn ahead.

        The second is None where the recording has none.
        """
        ...

    def heights(self, turns: Floats, offset_um: Floats) -> tuple[float, float]:
        """Return the heights of the first and of the second lobe.

        `turns` covers one turn evenly, and `offset_um` is the offset at each place.
        """
        ...


@dataclass(frozen=True, slots=True)
class TwoBand:
    """Two bands, eccentric in opposite senses, each nearest the line at one point of the turn.

    Attributes
    ----------
    top_turns : float
        Place of the first lobe's top.
    scale_um : float
        S = w − d: overlap of the head with each band at its nearest, with the head on the line.
    eccentricity_um : float
        Eccentricity of each band; above S it leaves dead zones between the lobes.
    head_um : float
        Width of the head, hence the most that it can overlap a band, which is wider.
    """

    top_turns: float
    scale_um: float
    eccentricity_um: float
    head_um: float
    geometry: str = "two-band"
    pairs: int = 1

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats | None]:
        """Return the sum of both bands' overlaps; they are recorded in phase."""
        first, second = self._overlaps(turns, offset_um)
        return first + second, None

    def heights(self, turns: Floats, offset_um: Floats) -> tuple[float, float]:
        """Return the largest overlap with each band."""
        first, second = self._overlaps(turns, offset_um)
        return float(first.max()), float(second.max())

    def _overlaps(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats]:
        away_um = self.eccentricity_um * np.cos(tau * (turns - self.top_turns))
        nearest_um = self.scale_um - self.eccentricity_um
        most = self.head_um / self.scale_um
        first = np.clip((nearest_um + away_um + offset_um) / self.scale_um, 0.0, most)
        second = np.clip((nearest_um - away_um - offset_um) / self.scale_um, 0.0, most)
        return first, second


@dataclass(frozen=True, slots=True)
class Boundary:
    """Two antiphase bands that meet on one eccentric circle, and a head wide enough for both.

    Attributes
    ----------
    top_turns : float
        Place of the first lobe's top: where the circle is nearest the spindle.
    scale_um : float
        S = e: eccentricity of the circle.
    """

    top_turns: float
    scale_um: float
    geometry: str = "boundary"
    pairs: int = 1

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats | None]:
        """Return the head's distance from the circle; its sign is the carrier's phase."""
        return np.cos(tau * (turns - self.top_turns)) + offset_um / self.scale_um, None

    def heights(self, turns: Floats, offset_um: Floats) -> tuple[float, float]:
        """Return the largest amplitude of each phase."""
        signed, _ = self.wave(turns, offset_um)
        return max(float(signed.max()), 0.0), max(float(-signed.min()), 0.0)


@dataclass(frozen=True, slots=True)
class Alternating:
    """Concentric groups to either side of the line in turn: flat tops with short ramps.

    Attributes
    ----------
    top_turns : float
        Place of the middle of the first group.
    scale_um : float
        S = w − d: overlap of the head with each group, with the head on the line.
    pairs : int
        Pairs of groups a turn.
    head_um : float
        Width of the head, hence the most that it can overlap a group, which is wider.
    """

    top_turns: float
    scale_um: float
    pairs: int
    head_um: float
    geometry: str = "alternating"

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats | None]:
        """Return the overlap with the group that lies at each place."""
        groups = (turns - self.top_turns) * 2 * self.pairs
        number = np.rint(groups)
        from_edge = (0.5 - np.abs(groups - number)) / _RAMP
        shape = 0.5 - 0.5 * np.cos(pi * np.minimum(from_edge, 1.0))
        outward = 1.0 - 2.0 * np.remainder(number, 2.0)
        return shape * self._overlap(outward, offset_um), None

    def heights(self, turns: Floats, offset_um: Floats) -> tuple[float, float]:
        """Return the mean over the flat tops of each kind of group."""
        groups = (turns - self.top_turns) * 2 * self.pairs
        number = np.rint(groups)
        flat = np.abs(groups - number) < 0.5 - _RAMP
        first = flat & (np.remainder(number, 2.0) == 0.0)
        second = flat & ~first
        outward = self._overlap(np.ones(np.count_nonzero(first)), offset_um[first])
        inward = self._overlap(-np.ones(np.count_nonzero(second)), offset_um[second])
        return float(outward.mean()), float(inward.mean())

    def _overlap(self, outward: Floats, offset_um: Floats) -> Floats:
        most = self.head_um / self.scale_um
        return np.clip(1.0 + outward * offset_um / self.scale_um, 0.0, most)


@dataclass(frozen=True, slots=True)
class Beat:
    """Two concentric frequencies, one to either side of the line, that beat with each other.

    The lobes are equal wherever the head stands; the nulls between them fill in as it leaves
    the line.

    Attributes
    ----------
    top_turns : float
        Place of the first beat's top.
    scale_um : float
        Overlap of the head with each track, with the head on the line.
    head_um : float
        Width of the head, hence the most that it can overlap a track, which is wider.
    """

    top_turns: float
    scale_um: float
    head_um: float
    geometry: str = "beat"
    pairs: int = 1

    def wave(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats | None]:
        """Return the sum of the two tones, one cycle a turn above and below the carrier."""
        return self._parts(turns, offset_um)

    def heights(self, turns: Floats, offset_um: Floats) -> tuple[float, float]:
        """Return the largest amplitude in each half of the turn."""
        along, across = self._parts(turns, offset_um)
        envelope = np.hypot(along, across)
        first = np.cos(tau * (turns - self.top_turns)) > 0.0
        return float(envelope[first].max()), float(envelope[~first].max())

    def _parts(self, turns: Floats, offset_um: Floats) -> tuple[Floats, Floats]:
        most = self.head_um / self.scale_um
        outer = np.clip(1.0 + offset_um / self.scale_um, 0.0, most)
        inner = np.clip(1.0 - offset_um / self.scale_um, 0.0, most)
        angle = tau * (turns - self.top_turns)
        return 0.5 * (outer + inner) * np.cos(angle), 0.5 * (outer - inner) * np.sin(angle)


def presence(offset_um: float, pitch_um: float) -> float:
    """Return how much of an alignment track the head finds at all, from 1 to 0.

    The tracks beside an alignment track are erased, so that a whole track away nothing is left.
    """
    away = (abs(offset_um) / pitch_um - _GUARD_FULL) / (_GUARD_GONE - _GUARD_FULL)
    away = min(max(away, 0.0), 1.0)
    return 1.0 - away * away * (3.0 - 2.0 * away)
