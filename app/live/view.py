"""What the screens see of a session: plain, frozen snapshots."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from app.analysis.reading import Message, Reading, Trace
from instruments.source import PracticeControls

STALE_AFTER_S = 1.0
"""A reading of a continuous source that is older than this is not shown."""


class Phase(StrEnum):
    """Where a source is in its life."""

    CLOSED = "closed"
    OPENING = "opening"
    RUNNING = "running"
    LOST = "lost"
    """It went away; the session tries to open it again."""
    ENDED = "ended"
    """A finite source has been read to its end; its last reading stands."""
    FAILED = "failed"
    """It could not be opened or read; ``message`` says why."""


@dataclass(frozen=True, slots=True)
class Level:
    """How strong one channel is."""

    role: str
    peak_v: float
    of_full_scale: float | None
    clipped: bool


@dataclass(frozen=True, slots=True)
class View:
    """All that a screen shows, frozen at one moment.

    Attributes
    ----------
    phase : Phase
        The source's state.
    message : str
        One sentence about the state: what failed and the mend; empty when all is well.
    source : str
        The address.
    virtual : bool
        True when the samples come from the virtual drive.
    roles : tuple of str
        One a channel.
    roles_from : str
        Who named them: ``"given"`` by the user, the capture ``"file"`` itself, or ``"default"``;
        empty before the source is open.
    sample_rate_hz : float
        Frames a second, 0 before the source is open.
    reading : Reading or None
        The newest reading, valid or not.
    reading_at_s : float
        Monotonic time at which the reading's newest sample was taken; the age counts from it.
    trace : Trace or None
        The newest whole turn.
    locked : bool
        The revolution is known and followed.
    levels : tuple of Level
        One a channel, over the last half second.
    advice : tuple of Message
        What the session concludes from the state: a low level's likely cause, teaching needed.
    strip_s, strip_balance : numpy.ndarray
        float64, shape (n,): monotonic times and balances of the last minute; NaN where there
        was no valid reading.
    frames, lost_frames : int
        Frames delivered and frames known to be lost since the source was opened.
    notes : tuple of str
        What the source itself has to say.
    teaching : bool
        A teaching of the sign is under way.
    settings : tuple of (str, str)
        The instrument's settings as it told them last: name, and value with its unit.
    records_a_second : float or None
        How often separate records come; None for a continuous source, and before the second one.
    stale_after_s : float
        Age beyond which a reading of this source is not shown any more.
    """

    phase: Phase = Phase.CLOSED
    message: str = ""
    source: str = ""
    virtual: bool = False
    roles: tuple[str, ...] = ()
    roles_from: str = ""
    sample_rate_hz: float = 0.0
    reading: Reading | None = None
    reading_at_s: float = 0.0
    trace: Trace | None = None
    locked: bool = False
    levels: tuple[Level, ...] = ()
    strip_s: NDArray[np.float64] | None = None
    strip_balance: NDArray[np.float64] | None = None
    frames: int = 0
    lost_frames: int = 0
    advice: tuple[Message, ...] = ()
    notes: tuple[str, ...] = ()
    teaching: bool = False
    settings: tuple[tuple[str, str], ...] = ()
    records_a_second: float | None = None
    stale_after_s: float = STALE_AFTER_S


def reading_age_s(view: View, now_s: float) -> float | None:
    """Return the age of the newest reading, None where there is none."""
    return None if view.reading is None else max(0.0, now_s - view.reading_at_s)


@dataclass(frozen=True, slots=True)
class Listed:
    """A source that can be opened now: its address, and words for a list."""

    address: str
    title: str


@dataclass(frozen=True, slots=True)
class Listing:
    """What can be opened now, and sentences about what is there and cannot be used as it is."""

    sources: tuple[Listed, ...] = ()
    hints: tuple[str, ...] = ()


Controls = PracticeControls
"""The hands at the virtual drive, as the screens use them."""
