"""Records of the virtual scope, and what models do differently with one and the same sweep."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from instruments.virtual.scope.panel import CHANNELS, FrontPanel

Codes = NDArray[np.signedinteger[Any]]
"""Signed, 0 in the middle of the screen; int8, or int16 for more than eight bits."""

MOST_STORED, MOST_IN_PAIRS = 1 << 20, 1 << 18
"""Points of a channel that are really made; a deeper memory holds each of them several times."""


@dataclass(frozen=True, slots=True)
class Traits:
    """What a model does with a record.

    Attributes
    ----------
    divisions : float
        Width of the screen.
    codes_per_div : float
        Codes of an eight-bit converter in a vertical division.
    bits : int
        Of the converter.
    rails : tuple of int
        Lowest and highest code of eight bits: where a voltage beyond the range is held.
    holes : int
        Time buckets at the end of each record that hold no data.
    memory : int
        Points of a record after a reset.
    depths : tuple of tuple of int
        Depths that can be chosen, a row for each number of converters' shares in use; the last
        row holds for all larger numbers. Empty: any number.
    shared : str
        What counts as a share: each channel that is on (``"all"``), or the channels of a pair
        1-2 or 3-4 (``"pairs"``).
    order : str
        Of a pair of extremes: ``"min-max"`` or ``"max-min"``.
    xinc : str
        What the increment told with a record of pairs is: a ``"point"``'s, a ``"pair"``'s, or
        ``"zero"``.
    told : str
        Whether a record of pairs is told to be one: ``"pairs"`` or ``"plain"``.
    maths : str
        The maths channel of a record of pairs: ``"extremes"`` of the difference itself, or the
        difference of the stored ``"points"``, in which the lobes cancel.
    descriptor : int
        Bytes of a binary descriptor, where there is one.
    roll_s : float
        Seconds a division from which on the screen rolls by itself; 0 for never.
    roll_when : str
        Whether it does so ``"always"`` or only with the trigger's ``"auto"``.
    """

    divisions: float = 10
    codes_per_div: float = 25.0
    bits: int = 8
    rails: tuple[int, int] = (-128, 127)
    holes: int = 0
    memory: int = 12000
    depths: tuple[tuple[int, ...], ...] = ()
    shared: str = "all"
    order: str = "min-max"
    xinc: str = "point"
    told: str = "pairs"
    maths: str = "extremes"
    descriptor: int = 346
    roll_s: float = 0.0
    roll_when: str = "auto"

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

    def depths_now(self, panel: FrontPanel) -> tuple[int, ...]:
        """Return the depths that the channels in use allow, none where any number is allowed."""
        if not self.depths:
            return ()
        return self.depths[min(self._shares(panel), len(self.depths)) - 1]

    def memory_now(self, panel: FrontPanel) -> int:
        """Return the points of a record with the channels in use.

        A depth that they do not allow gives way to the one at the same place of its row, and
        where rows have other lengths to the largest that is no larger.
        """
        allowed = self.depths_now(panel)
        if not allowed or panel.memory in allowed:
            return panel.memory
        for row in self.depths:
            if panel.memory in row and len(row) == len(allowed):
                return allowed[row.index(panel.memory)]
        return max((depth for depth in allowed if depth <= panel.memory), default=min(allowed))

    def rolls(self, panel: FrontPanel) -> bool:
        """Return whether the screen rolls, so that no trigger counts."""
        if panel.mode == "roll":
            return True
        by_itself = 0 < self.roll_s <= panel.seconds_per_div * (1 + 1e-9) and panel.auto_roll
        return by_itself and (self.roll_when == "always" or panel.trigger.automatic)

    def _shares(self, panel: FrontPanel) -> int:
        on = [number for number in CHANNELS if number in panel.channels]
        on = [number for number in on if panel.channels[number].on]
        if self.shared == "all":
            return max(len(on), 1)
        return 2 if {1, 2} <= set(on) or {3, 4} <= set(on) else 1


QUIRKS: Mapping[str, tuple[str | int, ...]] = {
    "order": ("min-max", "max-min"),
    "xinc": ("point", "pair", "zero"),
    "told": ("pairs", "plain"),
    "maths": ("extremes", "points"),
    "descriptor": (346, 368, 369),
    "holes": (0, 1, 5, 50),
}
"""What can be chosen of a model, and the choices."""


@dataclass(frozen=True, slots=True)
class VerticalScale:
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
class SweepRecord:
    """One sweep.

    Attributes
    ----------
    number : int
        Sweeps so far, this one included.
    codes : mapping of int to numpy.ndarray
        By channel: shape (points,), or (pairs, 2) with the minimum first; at most
        :data:`MOST_STORED` points.
    scales : mapping of int to VerticalScale
        By channel.
    points : int
        Points of each channel as the model counts them; a pair is two.
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
    scales: Mapping[int, VerticalScale]
    points: int
    span_s: float
    start_s: float
    peak: bool
    seconds_per_div: float


@dataclass(frozen=True, slots=True)
class WireTrace:
    """One channel of a record as it goes over the wire.

    Attributes
    ----------
    stored : numpy.ndarray
        Codes that were made, shape (stored points,): pairs flattened, in the model's order.
    points : int
        Points as the model counts them.
    scale : VerticalScale
        Codes to volts.
    increment_s : float
        As the model tells it, which need not be true.
    interval_s : float
        Time from one point to the next.
    start_s : float
        From the trigger to the first point.
    peak : bool
        Whether the codes are pairs of extremes.
    told_peak : bool
        Whether the model says so.
    """

    stored: Codes
    points: int
    scale: VerticalScale
    increment_s: float
    interval_s: float
    start_s: float
    peak: bool
    told_peak: bool

    @property
    def codes(self) -> Codes:
        """All codes, shape (points,)."""
        return self.part(0, self.points)

    def part(self, first: int, count: int, step: int = 1) -> Codes:
        """Return `count` codes from the one numbered `first` on, each `step`-th."""
        if self.points == self.stored.size:
            return np.ascontiguousarray(self.stored[first : first + count * step : step])
        count = min(count, max(-(-(self.points - first) // step), 0))
        out = np.empty(count, dtype=self.stored.dtype)
        for begin in range(0, count, MOST_STORED):
            places = first + step * np.arange(begin, min(begin + MOST_STORED, count))
            out[begin : begin + places.size] = self.stored[self._stored_places(places)]
        return out

    def _stored_places(self, places: NDArray[np.int64]) -> NDArray[np.int64]:
        if not self.peak:
            return places * self.stored.size // self.points
        pairs = places // 2 * (self.stored.size // 2) // (self.points // 2)
        return pairs * 2 + places % 2


def trace_of(
    record: SweepRecord, channel: int, traits: Traits, points: int | None = None
) -> WireTrace:
    """Return a channel of a record, on `points` points where that is fewer than it has.

    Raises
    ------
    KeyError
        When the channel was not on.
    """
    codes, there = record.codes[channel], record.points
    if points is not None and points < there:
        codes, there = _thinned(codes, points), points
        there = codes.size if codes.size < points else there
    if codes.ndim == 2:
        codes = (codes if traits.order == "min-max" else codes[:, ::-1]).reshape(-1)
    interval_s = record.span_s / max(there, 1)
    told_s = {"point": interval_s, "pair": 2 * interval_s, "zero": 0.0}[traits.xinc]
    return WireTrace(
        stored=codes,
        points=there,
        scale=record.scales[channel],
        increment_s=told_s if record.peak else interval_s,
        interval_s=interval_s,
        start_s=record.start_s,
        peak=record.peak,
        told_peak=record.peak and traits.told == "pairs",
    )


def _thinned(codes: Codes, points: int) -> Codes:
    if points >= codes.size:
        return codes
    if codes.ndim == 1:
        return codes[(np.arange(points) * codes.size) // points]
    pairs = max(points // 2, 1)
    edges = (np.arange(pairs) * codes.shape[0]) // pairs
    lowest = np.minimum.reduceat(codes[:, 0], edges)
    highest = np.maximum.reduceat(codes[:, 1], edges)
    return np.stack((lowest, highest), axis=1)
