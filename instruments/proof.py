"""What a check measured of an input, as values: what it holds for, and what was found."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from math import sqrt

import numpy as np
from numpy.typing import NDArray

_VOLUME_PART = 0.005
_NEAR_LIMIT = 0.97
"""From so much of it on a sample may be of a top that is cut."""


@dataclass(frozen=True, slots=True)
class InputIdentity:
    """What a check holds for.

    Attributes
    ----------
    device : str
        The input, with its host interface; of a scope its maker, model and serial number.
    rate_hz : int
        Frames a second.
    columns : str
        Roles of the channels, in order, with commas between; ``-`` for one that is skipped.
    volume : float
        The sound server's, 1 where samples pass unchanged; 0 where none is told.
    settings : str
        Of a scope: range, coupling, probe factor and acquisition, in words.
    """

    device: str
    rate_hz: int
    columns: str
    volume: float
    settings: str = ""

    def unlike(self, other: InputIdentity) -> str:
        """Return in which way another is not the same, empty where it is."""
        if self.rate_hz != other.rate_hz:
            return f"the rate was {self.rate_hz} and is {other.rate_hz}"
        if self.columns != other.columns:
            return f"the columns were {self.columns} and are {other.columns}"
        if abs(self.volume - other.volume) > _VOLUME_PART:
            return f"the volume was {100 * self.volume:.0f} % and is {100 * other.volume:.0f} %"
        if self.settings != other.settings:
            return f"the scope was set to {self.settings} and is to {other.settings}"
        return ""


@dataclass(frozen=True, slots=True)
class DetectorProof:
    """A detector's law and the corner behind it, as :mod:`app.analysis.frontend` finds them.

    ``out`` and ``into`` rise: what came out, and the amplitude that went in, on the scale on which
    the upper levels' line is out + threshold. ``law_u`` is the standard uncertainty of the latter.
    Levels are parts of the input's full scale until :meth:`in_volts`.
    """

    proved_hz: float
    threshold: float
    threshold_u: float
    knee: float
    law_u: float
    corner_hz: float
    corner_u_hz: float
    out: tuple[float, ...]
    into: tuple[float, ...]

    @property
    def corner_part(self) -> float:
        """Tolerance of the corner as a part of it, rectangular."""
        return sqrt(3.0) * self.corner_u_hz / self.corner_hz if self.corner_hz else 0.0

    def times(self, factor: float) -> DetectorProof:
        """Return the same with its levels times a factor: times full scale they are volts."""
        return replace(
            self,
            threshold=factor * self.threshold,
            threshold_u=factor * self.threshold_u,
            knee=factor * self.knee,
            law_u=factor * self.law_u,
            out=tuple(factor * each for each in self.out),
            into=tuple(factor * each for each in self.into),
        )


@dataclass(frozen=True, slots=True)
class InputProof:
    """What is kept of a check.

    Attributes
    ----------
    identity : Identity
        What it holds for.
    made_on : str
        The day, as ISO 8601 writes it.
    conditions : str
        Output and level that were played, and the program's version.
    noise, step : float
        Of the noisier signal column, parts of full scale; of a scope volts, as all that follows.
    fast_part, clock_u_part : float
        By how much the sample clock is fast, and how well that is known against true time; the
        latter 0 where it was not told.
    detector : DetectorProof or None
        None of an input without a detector.
    output, level : str, float
        The sound output that was led through the probe, as it was named, and the highest peak that
        it played, as a part of its full scale; empty where nothing was played.
    gain : float
        Of output and input together: the peak that an output at full scale brings, on the scale of
        the detector's ``into``, as a part of the input's full scale.
    match : float
        Gain of minus over that of plus; 0 where there are no two phases.
    full_scale_v, full_scale_part : float
        Peak at the test points at which the input clips, by a meter's reading of the test tone, and
        its tolerance as a part of it; 0 where no meter was read.
    limit : float
        Where the input's own stage cuts tops off below its full scale, as a part of that; 0 where
        none was found to.
    floor, floor_low : float
        Of pairs of extremes, half of what lies between two with nothing but noise: in the mean, and
        nearly the lowest; 0 of samples.
    """

    identity: InputIdentity
    made_on: str
    conditions: str
    noise: float
    step: float
    fast_part: float
    clock_u_part: float
    detector: DetectorProof | None
    output: str = ""
    level: float = 0.0
    gain: float = 0.0
    match: float = 0.0
    full_scale_v: float = 0.0
    full_scale_part: float = 0.0
    limit: float = 0.0
    floor: float = 0.0
    floor_low: float = 0.0

    def is_cut(self, samples: NDArray[np.float32], full_scale: float) -> bool:
        """Tell whether any of some samples stands where tops are cut."""
        least = _NEAR_LIMIT * self.limit * full_scale
        return self.limit > 0.0 and bool(np.any(np.abs(samples) >= least))

    def age_days(self, today: date) -> int:
        """Return how many days ago it was made."""
        return max(0, (today - date.fromisoformat(self.made_on)).days)
