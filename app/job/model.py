"""The words of a job: what is asked of the person, what was taken, what a check came to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from app.analysis.results import Measurand, Message, Verdict


class CheckName(StrEnum):
    """The checks, in the order of the trade."""

    CARE = "care"
    """What comes before power: cautions, write protect, clean heads, room temperature."""
    SPEED = "speed"
    SEATING = "seating"
    RADIAL = "radial"
    HYSTERESIS = "hysteresis"
    ADJUST = "adjust"
    LOCK = "lock"
    AZIMUTH = "azimuth"
    INDEX = "index"
    OUTPUT = "output"
    TRACK_ZERO = "track-zero"


class Stage(StrEnum):
    """When in the job a check is done."""

    AS_FOUND = "as found"
    WORK = "work"
    AS_LEFT = "as left"


class Action(StrEnum):
    """What the hand at the drive is asked to do; ``Ask.amount`` says how much where it matters."""

    CONFIRM = "confirm"
    """Nothing but to have read it."""
    CLEAN_HEADS = "clean heads"
    PROVE_PROTECT = "prove write protect"
    """With a scratch disk, before the alignment disk goes in."""
    INSERT_ALIGNMENT = "insert alignment disk"
    INSERT_SCRATCH = "insert scratch disk"
    SEEK = "seek"
    """To ``track`` and ``side``."""
    RESEAT = "reseat"
    ARRIVE_FROM_OUTSIDE = "arrive from outside"
    """Step outward off the track, and back: the last step goes inward."""
    ARRIVE_FROM_INSIDE = "arrive from inside"
    TRIM_SPEED = "trim speed"
    """``amount`` in per cent, positive faster."""
    LOOSEN = "loosen"
    NUDGE = "nudge"
    """``amount`` in micrometres of the head, positive outward."""
    TIGHTEN = "tighten"
    SEAL = "seal"
    WRITE_1F = "write 1F"
    WRITE_2F = "write 2F"


@dataclass(frozen=True, slots=True)
class Value:
    """A named value with its standard uncertainty (None where there is none to state) and unit."""

    name: str
    value: float
    u: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Limit:
    """What a value is judged by, and where that comes from; None is open on that side."""

    low: float | None
    high: float | None
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Do:
    """Something for the hands; answered with True once it is done."""

    action: Action
    message: Message
    amount: float | None = None
    track: int | None = None
    side: int = 0
    noticed: bool = False
    """The tool sees by itself when it has been done: the pattern leaves and comes back."""


@dataclass(frozen=True, slots=True)
class Measure:
    """Something to measure; answered with a :class:`~app.analysis.results.Measurement`."""

    measurand: Measurand
    message: Message
    label: str
    turns: int = 10
    track: int | None = None
    side: int = 0


@dataclass(frozen=True, slots=True)
class Enter:
    """Something only the person can see; answered with a number, a text or one of ``choices``.

    An answer of None leaves it open.
    """

    key: str
    message: Message
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()


Ask = Do | Measure | Enter


@dataclass(frozen=True, slots=True)
class Entry:
    """One measurement or observation as it is kept, from the moment that it was taken.

    Attributes
    ----------
    check, stage : CheckName, Stage
        What it was taken for.
    label : str
        Which of the check's entries: ``"seating 3"``, ``"from outside 2"``, ``"side 1"``.
    taken_at : str
        ISO 8601 with offset.
    track, side : int or None, int
        Where.
    values : tuple of Value
        Everything that was found.
    notes : tuple of str
        Sentences that belong to it: reasons why there is no value, notes of the reading, an
        observation's words.
    turns, envelope_v : numpy.ndarray or None
        float32, shape (n,): the turn of envelope behind it.
    source : str
        The source's address.
    virtual : bool
        The samples came from the virtual drive.
    settings : tuple of (str, str)
        The instrument's settings.
    """

    check: CheckName
    stage: Stage
    label: str
    taken_at: str
    track: int | None = None
    side: int = 0
    values: tuple[Value, ...] = ()
    notes: tuple[str, ...] = ()
    turns: NDArray[np.float32] | None = None
    envelope_v: NDArray[np.float32] | None = None
    source: str = ""
    virtual: bool = False
    settings: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a check came to.

    Attributes
    ----------
    check, stage, side : CheckName, Stage, int
        Which check.
    value, u, unit : float or None, float or None, str
        Its one number with its standard uncertainty.
    limit : Limit or None
        What it was judged by.
    verdict : Verdict
        What follows.
    reason : str
        Why it is so where the number alone does not tell: why skipped, why undecided.
    details : tuple of Value
        What else was found.
    budget : tuple of Value
        The parts of ``u``, in the value's unit.
    ended_at : str
        ISO 8601 with offset.
    """

    check: CheckName
    stage: Stage
    verdict: Verdict
    side: int = 0
    value: float | None = None
    u: float | None = None
    unit: str = ""
    limit: Limit | None = None
    reason: str = ""
    details: tuple[Value, ...] = ()
    budget: tuple[Value, ...] = ()
    ended_at: str = ""


@dataclass(frozen=True, slots=True)
class Summary:
    """The three numbers of a drive as found or as left, each with its standard uncertainty."""

    offset_um: Value | None = None
    hysteresis_um: Value | None = None
    speed_rpm: Value | None = None


@dataclass(frozen=True, slots=True)
class JobHead:
    """What stands over a job from its beginning.

    Attributes
    ----------
    opened_at : str
        ISO 8601 with offset.
    source, virtual : str, bool
        Address of the source; whether it is the virtual drive.
    software : str
        Version of the program.
    profile : str
        Name of the drive class.
    profile_values : tuple of (str, str, str)
        Key, value with unit, and where it comes from, as they were.
    conditions : tuple of (str, str)
        What the person says of the circumstances: room temperature, humidity, equipment, name.
    """

    opened_at: str
    source: str
    virtual: bool
    software: str
    profile: str
    profile_values: tuple[tuple[str, str, str], ...] = ()
    conditions: tuple[tuple[str, str], ...] = ()
