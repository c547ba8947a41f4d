"""What the analysis has found so far of one source, and the view that screens take of it.

Threads: the *analysis* thread publishes, and whoever teaches while it holds that thread back; any
thread takes. Nobody holds the lock for long: a screen never waits for the analysis.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.pattern.balance import invalid
from app.analysis.reading import Reading, Trace
from app.live.advice import advice_on, levels_of
from app.live.pace import Pace
from app.live.strip import Strip
from app.live.view import STALE_AFTER_S, Phase, View
from app.stream.acquisition import Status
from instruments.source import SourceInfo

_SETTLED_S = 0.5
"""Inputs begin with silence: levels are judged once so much has come."""


@dataclass(frozen=True, slots=True)
class Found:
    """The newest of each; ``missed`` counts frames that came too fast to be analysed."""

    reading: Reading | None = None
    reading_at_s: float = 0.0
    trace: Trace | None = None
    locked: bool = False
    teaching: bool = False
    missed: int = 0


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A copy of all that has been found, at one moment."""

    found: Found
    strip_s: NDArray[np.float64]
    strip_balance: NDArray[np.float64]
    records_a_second: float | None
    slow_after_s: float


class Newest:
    """Holds what has been found."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        # All written under the lock, by whoever holds the analysis:
        self._found = Found()
        self._strip = Strip()
        self._pace = Pace()

    def publish(self, **changes: Any) -> None:
        """Let everybody see what has changed; a new reading brings its time."""
        reading = changes.get("reading")
        with self._lock:
            self._found = replace(self._found, **changes)
            if reading is not None:
                balance = reading.balance if reading.valid else None
                self._strip.add(
                    self._found.reading_at_s, np.nan if balance is None else balance.value
                )

    def miss(self, frames: int) -> None:
        """Count frames that were not analysed."""
        with self._lock:
            self._found = replace(self._found, missed=self._found.missed + frames)

    def count_record(self, now_s: float) -> None:
        """Note that a separate record has come."""
        with self._lock:
            self._pace.add(now_s)

    def take(self, now_s: float) -> Snapshot:
        """Return a copy of all."""
        with self._lock:
            return Snapshot(
                self._found,
                *self._strip.copy(),
                self._pace.records_a_second(now_s),
                self._pace.stale_after_s(),
            )


def view_of(
    view: View, status: Status, info: SourceInfo | None, seen: Snapshot, now_s: float
) -> View:
    """Return what screens see of a source that is open.

    Parameters
    ----------
    view : View
        What stands already: phase, message, source, settings.
    status : Status
        Of the acquisition.
    info : SourceInfo or None
        Of the source, once it may be shown.
    seen : Snapshot
        What has been found.
    now_s : float
        Monotonic time.
    """
    found, phase = seen.found, view.phase
    stale_after_s = STALE_AFTER_S if info is None or info.continuous else seen.slow_after_s
    # At a capture's end the last reading stands.
    current = phase is Phase.ENDED or now_s - found.reading_at_s <= stale_after_s
    reading = found.reading
    if reading is not None and not current:
        reading = invalid(replace(reading, reasons=()), messages.STALE)
    levels = levels_of(status.levels, info)
    heard = phase in (Phase.RUNNING, Phase.ENDED)
    parked = heard and not (reading and reading.valid)
    judged = info if parked and info and _has_settled(status.frames, info) else None
    return replace(
        view,
        virtual=info.virtual if info else False,
        roles=tuple(info.roles) if info else (),
        roles_from=info.roles_from if info else "",
        sample_rate_hz=info.sample_rate_hz if info else 0.0,
        reading=reading,
        reading_at_s=found.reading_at_s,
        trace=found.trace,
        locked=found.locked and current,
        levels=levels,
        strip_s=seen.strip_s,
        strip_balance=seen.strip_balance,
        frames=status.frames,
        lost_frames=status.lost_frames + found.missed,
        advice=advice_on(levels, judged) if judged else (),
        notes=info.notes if info else (),
        teaching=found.teaching,
        records_a_second=seen.records_a_second if phase is Phase.RUNNING else None,
        stale_after_s=stale_after_s,
    )


def _has_settled(frames: int, info: SourceInfo) -> bool:
    whole = info.length_frames is not None and frames >= info.length_frames
    return whole or frames >= _SETTLED_S * info.sample_rate_hz
