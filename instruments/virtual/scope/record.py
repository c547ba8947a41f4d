"""A record: what the scope keeps of one sweep, and a trace of it as it goes over the wire."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class Traits:
    """What families and models do differently with one and the same record.

    Attributes
    ----------
    divisions : int
        Width of the screen.
    codes_per_div : float
        Codes of the converter in a vertical division.
    memory : int
        Points of a record after a reset.
    order : str
        Of a pair of extremes: ``"min-max"`` or ``"max-min"``.
    xinc : str
        What the increment told with a record of pairs is: a ``"point"``'s, a ``"pair"``'s, or
        ``"zero"``.
    maths : str
        The maths channel of a record of pairs: ``"extremes"`` of the difference itself, or the
        difference of the stored ``"points"``, in which the lobes cancel.
    descriptor : int
        Bytes of a binary descriptor, where there is one.
    """

    divisions: int = 10
    codes_per_div: float = 25.0
    memory: int = 12000
    order: str = "min-max"
    xinc: str = "point"
    maths: str = "extremes"
    descriptor: int = 346

    def with_quirks(self, quirks: Mapping[str, str | int]) -> Traits:
        """Return these traits with some of another model's.

        Raises
        ------
        ValueError
            When a quirk or its value is not known.
        """
        for name, value in quirks.items():
            if value not in QUIRKS.get(name, ()):
                known = "; ".join(f"{key}: {', '.join(map(str, QUIRKS[key]))}" for key in QUIRKS)
                raise ValueError(f"quirk {name}={value} is not known; there are {known}")
        return replace(self, **quirks)  # type: ignore[arg-type] - checked above


QUIRKS: Mapping[str, tuple[str | int, ...]] = {
    "order": ("min-max", "max-min"),
    "xinc": ("point", "pair", "zero"),
    "maths": ("extremes", "points"),
    "descriptor": (346, 368, 369),
}
"""What can be chosen of a model, and the choices."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Codes to volts at the probe's tip: ``code · volts_per_code + centre_v``.

    Attributes
    ----------
    volts_per_code, centre_v : float
        Of the range at which the record was taken.
    offset_v, position_div : float
        What `centre_v` is made of.
    volts_per_div, probe : float
        As they stood on the panel.
    """

    volts_per_code: float
    centre_v: float
    offset_v: float
    position_div: float
    volts_per_div: float
    probe: float


@dataclass(frozen=True, slots=True)
class Record:
    """One sweep.

    Attributes
    ----------
    number : int
        Sweeps so far, this one included.
    codes : mapping of int to numpy.ndarray
        int8 by channel: shape (points,), or (pairs, 2) with the minimum first.
    scales : mapping of int to Scale
        By channel.
    span_s : float
        From the first point to one past the last.
    start_s : float
        From the trigger to the first point.
    peak : bool
        Whether the codes are pairs of extremes.
    seconds_per_div : float
        Time base at which it was taken.
    """

    number: int
    codes: Mapping[int, Codes]
    scales: Mapping[int, Scale]
    span_s: float
    start_s: float
    peak: bool
    seconds_per_div: float

    @property
    def points(self) -> int:
        """Points of each channel; a pair is two."""
        return next(iter(self.codes.values())).size if self.codes else 0


@dataclass(frozen=True, slots=True)
class Trace:
    """One channel of a record as it goes over the wire.

    Attributes
    ----------
    codes : numpy.ndarray
        int8, shape (points,): pairs flattened, in the model's order.
    scale : Scale
        Codes to volts.
    increment_s : float
        As the model tells it, which need not be true.
    interval_s : float
        Time from one point to the next.
    start_s : float
        From the trigger to the first point.
    peak : bool
        Whether the codes are pairs of extremes.
    """

    codes: Codes
    scale: Scale
    increment_s: float
    interval_s: float
    start_s: float
    peak: bool


def trace_of(record: Record, channel: int, traits: Traits, points: int | None = None) -> Trace:
    """Return a channel of a record, on `points` points where that is fewer than it has.

    Raises
    ------
    KeyError
        When the channel was not on.
    """
    codes = record.codes[channel]
    if points is not None and points < codes.size:
        codes = _thinned(codes, points)
    if codes.ndim == 2:
        codes = (codes if traits.order == "min-max" else codes[:, ::-1]).reshape(-1)
    interval_s = record.span_s / max(codes.size, 1)
    told_s = {"point": interval_s, "pair": 2 * interval_s, "zero": 0.0}[traits.xinc]
    return Trace(
        codes=codes,
        scale=record.scales[channel],
        increment_s=told_s if record.peak else interval_s,
        interval_s=interval_s,
        start_s=record.start_s,
        peak=record.peak,
    )


def _thinned(codes: Codes, points: int) -> Codes:
    if codes.ndim == 1:
        return codes[(np.arange(points) * codes.size) // points]
    pairs = max(points // 2, 1)
    edges = (np.arange(pairs) * codes.shape[0]) // pairs
    lowest = np.minimum.reduceat(codes[:, 0], edges)
    highest = np.maximum.reduceat(codes[:, 1], edges)
    return np.stack((lowest, highest), axis=1)
