"""The analyser of one source, between the thread that feeds it and whoever teaches it.

Threads: the *analysis* thread (see :mod:`app.live.running`) begins it and pushes; whoever teaches
does so between two pushes. Each holds the lock for as long as it works on the analyser, and
publishes to :class:`~app.live.found.Newest` what came of that. ``begun`` waits for nobody.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from app.analysis import messages
from app.analysis.reading import Message
from app.live.found import Newest
from app.live.measure import AnyAnalyser
from app.stream.intake import Marks
from app.stream.ring import Chunk


class Analysing:
    """An analysis under way.

    Parameters
    ----------
    newest : Newest
        Where it publishes what it finds.
    """

    def __init__(self, newest: Newest) -> None:
        self._newest = newest
        self._lock = threading.Lock()
        # Written by the analysis thread only, under the lock, and never taken back:
        self._analyser: AnyAnalyser | None = None

    @property
    def begun(self) -> bool:
        """Whether there is an analyser: what was asked for fits the source."""
        return self._analyser is not None

    def begin(self, analyser: AnyAnalyser) -> None:
        """Let it work with `analyser` from now on."""
        with self._lock:
            self._analyser = analyser

    def push(self, chunk: Chunk, marks: Marks, time_of: Callable[[int], float]) -> None:
        """Analyse the next samples; `time_of` tells the monotonic time of a frame."""
        with self._lock:
            analyser = self._analyser
            assert analyser is not None
            news = analyser.push(
                chunk.samples_v,
                chunk.first_index,
                gap_before=chunk.gap_before,
                at_index=marks.at_index,
                clipped=marks.clipped,
                extremes=marks.extremes,
            )
            changes: dict[str, Any] = {"locked": analyser.locked, "teaching": analyser.teaching}
            if chunk.overrun:
                self._newest.miss(chunk.lost_frames)
            if news:
                changes["reading"] = analyser.reading
                changes["reading_at_s"] = time_of(analyser.reading.end_index)
                changes["trace"] = analyser.trace
            self._newest.publish(**changes)

    def teach(self, what: Callable[[AnyAnalyser], Message | None]) -> Message | None:
        """Let `what` work on the analyser; returns what is missing where it could not."""
        with self._lock:
            if self._analyser is None:
                return messages.TEACH_NEEDS_READING
            missing = what(self._analyser)
            self._newest.publish(teaching=self._analyser.teaching)
        return missing
