"""Measurements that are asked for while the needle goes on, one at a time.

Threads: whoever asks calls :meth:`Measurements.take`, ``cancel`` and ``taken``; the analysis thread
alone feeds what was asked for, and writes what is published, :attr:`Measuring.taken`, each time as
a new frozen value.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace

from app.analysis.findings import Measurement, Want
from app.live.gauge import Gauge
from app.live.measure import EnvelopeOptions
from app.profiles import Profile
from app.stream.acquisition import State
from app.stream.intake import Marks
from app.stream.ring import Chunk
from instruments.source import Source, SourceError, SourceInfo

_MARGIN_S = 0.05
"""From the request to the first frame that counts: the block under way tells of before it."""

_NO_MORE = {
    State.LOST: "the source went away while it was measured; see to its cable, and measure again",
    State.ENDED: "the capture came to its end while it was measured; open a live source",
}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be measured: see :class:`~app.live.gauge.Gauge`."""

    want: Want
    turns: int = 10
    track: int | None = None
    side: int = 0


@dataclass(frozen=True, slots=True)
class Taken:
    """How far a measurement has come.

    Attributes
    ----------
    part : float
        How much of what is needed has been collected, 0 to 1.
    measurement : Measurement or None
        What came of it, once it is done.
    fault : str
        Why it was given up; empty when it was not.
    settings : tuple of (str, str)
        The instrument's settings while it was taken.
    """

    part: float = 0.0
    measurement: Measurement | None = None
    fault: str = ""
    settings: tuple[tuple[str, str], ...] = ()


class Measuring:
    """One measurement, from the request to what came of it.

    Parameters
    ----------
    wanted : Wanted
        What is to be measured.
    asked_s : float
        Monotonic time of the request: only frames taken after it count.
    """

    def __init__(self, wanted: Wanted, asked_s: float) -> None:
        self._wanted = wanted
        self._from_s = asked_s + _MARGIN_S
        self._cancelled = threading.Event()
        # Written by the analysis thread only:
        self._gauge: Gauge | None = None
        self.taken = Taken()

    @property
    def ended(self) -> bool:
        """Whether nothing more will come of it."""
        taken = self.taken
        done = taken.measurement is not None or bool(taken.fault)
        return done or self._cancelled.is_set()

    def cancel(self) -> None:
        """Let it go; nothing comes of it any more."""
        self._cancelled.set()

    def give_up(self, why: str) -> None:
        """End it without a measurement."""
        if not self.ended:
            self.taken = replace(self.taken, fault=why)

    def push(
        self,
        chunk: Chunk,
        marks: Marks,
        at_s: float,
        info: SourceInfo,
        profile: Profile,
        options: EnvelopeOptions,
        settings: tuple[tuple[str, str], ...],
    ) -> None:
        """Take the next samples, whose first frame was taken at `at_s`."""
        if self.ended or at_s < self._from_s:
            return
        try:
            gauge = self._gauge or self._begin(info, profile, options)
            gauge.push(
                chunk.samples_v,
                chunk.first_index,
                gap_before=chunk.gap_before,
                at_index=marks.at_index,
                clipped=marks.clipped,
                extremes=marks.extremes,
            )
            found = gauge.finish() if gauge.done else None
        except SourceError as fault:
            self.give_up(str(fault))
            return
        self.taken = Taken(gauge.part, found, settings=settings)

    def _begin(self, info: SourceInfo, profile: Profile, options: EnvelopeOptions) -> Gauge:
        wanted = self._wanted
        self._gauge = Gauge(
            wanted.want,
            info,
            profile,
            options,
            turns=wanted.turns,
            track=wanted.track,
            side=wanted.side,
        )
        return self._gauge


class Measurements:
    """The measurement in hand of one source, where there is one.

    Parameters
    ----------
    profile : Profile
        Disk and limits.
    """

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        # Written by whoever asks:
        self._measuring: Measuring | None = None

    def take(self, wanted: Wanted, now_s: float) -> None:
        """Begin a measurement, in place of one under way."""
        self.cancel()
        self._measuring = Measuring(wanted, now_s)

    def cancel(self) -> None:
        """Let go of a measurement under way, or of what came of it."""
        measuring, self._measuring = self._measuring, None
        if measuring is not None:
            measuring.cancel()

    def taken(self, failure: str) -> Taken | None:
        """Return how far it has come, None where none was asked for.

        Parameters
        ----------
        failure : str
            Why the source cannot be read, empty where it can.
        """
        measuring = self._measuring
        if measuring is None:
            return None
        taken = measuring.taken
        return Taken(fault=failure) if failure and taken.measurement is None else taken

    def push(
        self,
        chunk: Chunk,
        marks: Marks,
        at_s: float,
        source: Source,
        options: EnvelopeOptions,
    ) -> None:
        """Take the next samples of a source, whose first frame was taken at `at_s`."""
        measuring = self._measuring
        if measuring is not None:
            settings = getattr(source, "settings", ())
            measuring.push(chunk, marks, at_s, source.info, self._profile, options, settings)

    def look_after(self, state: State) -> None:
        """Give up what can come to nothing: no samples have come for a while."""
        measuring, why = self._measuring, _NO_MORE.get(state)
        if measuring is not None and why is not None:
            measuring.give_up(why)
