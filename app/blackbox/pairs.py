"""Samples as pairs of the lowest and the highest in a millisecond: what the black box keeps.

That is enough to see what came, and to read lobes of it again; it is not the samples themselves.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from instruments.source import Block

BIN_S = 1e-3


@dataclass(frozen=True, slots=True)
class Piece:
    """Pairs of consecutive bins.

    Attributes
    ----------
    at_s : float
        When the first bin began, by the clock that the block goes by.
    first_index : int
        The first bin's first frame, counted since the source was opened.
    bin_s : float
        How long a bin lasts.
    gap_before, at_index : bool
        As of the first block in it.
    pairs_v : numpy.ndarray
        float32, shape (2 n, channels): the lowest and the highest of each bin in turn; not a number
        where one of the samples was none.
    """

    at_s: float
    first_index: int
    bin_s: float
    gap_before: bool
    at_index: bool
    pairs_v: NDArray[np.float32]


class Folding:
    """Folds the blocks of one open source; what does not fill a bin waits for what follows."""

    def __init__(self) -> None:
        self._left: Block | None = None

    def fold(self, blocks: Iterable[Block]) -> list[Piece]:
        """Return a piece for each stretch without a gap."""
        stretches: list[list[Block]] = [] if self._left is None else [[self._left]]
        for block in blocks:
            if stretches and stretches[-1][-1].goes_on_with(block):
                stretches[-1].append(block)
            else:
                stretches.append([block])
        self._left = None
        return [piece for each in stretches if len((piece := self._folded(each)).pairs_v)]

    def _folded(self, stretch: list[Block]) -> Piece:
        joined = replace(stretch[0], samples_v=np.concatenate([each.samples_v for each in stretch]))
        rows = 2 if joined.min_max else 1
        rows_a_bin = rows * max(1, round(BIN_S * joined.sample_rate_hz / rows))
        bins = len(joined.samples_v) // rows_a_bin
        rest = joined.part(bins * rows_a_bin)
        self._left = rest if len(rest.samples_v) else None
        channels = joined.samples_v.shape[1]
        folded = joined.samples_v[: bins * rows_a_bin].reshape(bins, rows_a_bin, channels)
        pairs_v = np.empty((bins, 2, channels), np.float32)
        folded[:, ::rows].min(axis=1, out=pairs_v[:, 0])
        folded[:, rows - 1 :: rows].max(axis=1, out=pairs_v[:, 1])
        return Piece(
            at_s=joined.t0_s,
            first_index=joined.first_index,
            bin_s=rows_a_bin / joined.sample_rate_hz,
            gap_before=joined.gap_before,
            at_index=joined.at_index,
            pairs_v=pairs_v.reshape(2 * bins, channels),
        )
