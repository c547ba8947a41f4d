"""Gaps on the axis of frame indices, in order and bounded in number."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Gap:
    """A place where time is not continuous.

    Attributes
    ----------
    index : int
        Absolute index of the first frame after the gap.
    missing_frames : int
        Indices before it that hold no frame; 0 when nobody counted what was lost.
    """

    index: int
    missing_frames: int

    @property
    def start_index(self) -> int:
        """Index of the first missing frame."""
        return self.index - self.missing_frames


class Gaps:
    """The gaps within a history whose beginning moves on. Does not lock.

    Parameters
    ----------
    most : int
        Gaps remembered. Where the history holds more, it is cut short at the oldest one that is
        remembered, so that a gap is never overlooked.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: list[Gap] = []

    def all(self) -> tuple[Gap, ...]:
        """Return them, oldest first."""
        return tuple(self._kept)

    def note(self, start_index: int, index: int) -> None:
        """Remember that the frames from `start_index` up to, not including, `index` are missing."""
        if self._kept and self._kept[-1].index == start_index:
            start_index = self._kept.pop().start_index
        self._kept.append(Gap(index, index - start_index))

    def forget_before(self, oldest_index: int) -> int:
        """Forget what ends before `oldest_index`; return where the history now begins."""
        if len(self._kept) > self._most:
            oldest_index = max(oldest_index, self._kept[-self._most].index)
        del self._kept[: bisect_left(self._kept, oldest_index, key=_index_of)]
        if self._kept and self._kept[0].start_index <= oldest_index:
            return self._kept[0].index
        return oldest_index

    def after(self, index: int) -> Gap | None:
        """Return the first gap whose next frame lies beyond `index`."""
        place = bisect_right(self._kept, index, key=_index_of)
        return self._kept[place] if place < len(self._kept) else None

    def at(self, index: int) -> Gap | None:
        """Return the gap just before the frame `index`."""
        place = bisect_left(self._kept, index, key=_index_of)
        found = place < len(self._kept) and self._kept[place].index == index
        return self._kept[place] if found else None

    def fills(self, start_index: int, index: int) -> bool:
        """Tell whether one gap holds all from `start_index` up to, not including, `index`."""
        gap = self.at(index)
        return gap is not None and gap.start_index <= start_index


def _index_of(gap: Gap) -> int:
    return gap.index
