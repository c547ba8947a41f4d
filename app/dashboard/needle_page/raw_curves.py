"""Samples as they came, as curves that a picture of so many columns can show.

A turn may have a hundred thousand samples and more, a picture two thousand columns: of each column
the lowest and the highest sample are drawn, so that nothing that was there is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from app.dashboard.needle_page.turns_picture import Curve

if TYPE_CHECKING:
    from app.live.past import Block

CARRIER = "carrier"
"""The differential read signal: the one that came, or what the two phases make."""
_EVERY_SAMPLE = 2.0
"""With no more samples than this in a column each is drawn."""

Channel = Callable[["Block"], NDArray[np.float32]]
"""Takes what is to be drawn out of a block: float32, shape (frames,), in volts."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A channel drawn: its curve, and above and below which of its points it has none."""

    curve: Curve
    edges: tuple[Curve, Curve] | None
    """Lowest and highest alone; None where each sample is drawn."""


def channel_of(name: str, roles: Sequence[str]) -> Channel:
    """Return what takes a role's samples, or the carrier's, out of a block of these roles."""
    if name != CARRIER:
        column = roles.index(name)
        return lambda block: block.samples_v[:, column]
    if "plus" in roles and "minus" in roles:
        plus, minus = roles.index("plus"), roles.index("minus")
        return lambda block: _difference(block, plus, minus)
    signal = next(at for at, role in enumerate(roles) if role != "index")
    return lambda block: block.samples_v[:, signal]


def _difference(block: Block, plus: int, minus: int) -> NDArray[np.float32]:
    high, low = block.samples_v[:, plus], block.samples_v[:, minus]
    if not block.min_max:
        return high - low
    made = np.empty_like(high)
    # Of extremes: the lowest that it can have been, and the highest.
    made[0::2] = high[0::2] - low[1::2]
    made[1::2] = high[1::2] - low[0::2]
    return made


def drawn(
    blocks: Sequence[Block],
    channel: Channel,
    frames: tuple[float, float],
    seen: tuple[float, float],
    columns: int,
) -> Drawn:
    """Return a channel over parts of a turn.

    Parameters
    ----------
    blocks : sequence of Block
        In order; where one does not go on with the one before, there is a gap.
    channel : callable
        What of them is drawn.
    frames : tuple of float
        Where the turn begins and ends.
    seen : tuple of float
        From which part of the turn to which it is drawn.
    columns : int
        How many columns of the picture there are for that.
    """
    first, length = frames[0], frames[1] - frames[0]
    low, high = (first + at * length for at in seen)
    step = max((high - low) / columns, 1e-9)
    places: list[NDArray[np.float64]] = []
    values_v: list[NDArray[np.float32]] = []
    end: int | None = None
    for block in blocks:
        begin = max(int(np.floor(low)) - block.first_index, 0)
        stop = min(int(np.ceil(high)) + 1, block.end_index) - block.first_index
        if begin >= stop:
            continue
        at = block.first_index + begin
        if end is not None and at != end:
            places.append(np.array([end, at], np.float64))
            values_v.append(np.array([np.nan, np.nan], np.float32))
        end = block.first_index + stop
        folded = _folded(channel(block)[begin:stop], at, low, step)
        places.append(folded[0])
        values_v.append(folded[1])
    if not places:
        nothing = Curve(np.zeros(0), np.zeros(0))
        return Drawn(nothing, None)
    curve = Curve(
        (np.concatenate(places) - first) / length, np.concatenate(values_v).astype(np.float64)
    )
    if step <= _EVERY_SAMPLE:
        return Drawn(curve, None)
    pairs = curve.turns[::2], curve.heights_v.reshape(-1, 2)
    return Drawn(curve, (Curve(pairs[0], pairs[1][:, 0]), Curve(pairs[0], pairs[1][:, 1])))


def _folded(
    values_v: NDArray[np.float32], first: int, low: float, step: float
) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
    """Return places and values of samples: of each column the lowest and the highest."""
    if step <= _EVERY_SAMPLE:
        return first + np.arange(values_v.size, dtype=np.float64), values_v
    begun = int((first - low) // step)
    edges = np.ceil(low + step * np.arange(begun, begun + values_v.size // step + 2)) - first
    edges = np.clip(edges, 0, values_v.size - 1).astype(np.int64)
    edges = edges[np.diff(edges, prepend=-1) > 0]
    values_v = np.ascontiguousarray(values_v)
    pairs_v = np.stack(
        [np.minimum.reduceat(values_v, edges), np.maximum.reduceat(values_v, edges)], axis=1
    )
    stops = np.append(edges[1:], values_v.size)
    places = first + np.stack([edges + 0.25 * (stops - edges), edges + 0.75 * (stops - edges)], 1)
    return places.ravel(), pairs_v.ravel()
