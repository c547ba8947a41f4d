"""The values of a job: its checks, what they ask for, what is kept of the answers, what they find.

All of them are frozen but :class:`Situation`, with which one run of a check works.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Self

import numpy as np
from numpy.typing import NDArray

from app.analysis.adjust.nudging import Nudged
from app.analysis.budget import Part
from app.analysis.messages import fill
from app.analysis.results import LATER, Measurand, Measurement, Message, Quantity, Side, Verdict
from app.job import messages
from app.job.origin import Origin
from app.profiles import Profile


class CheckName(StrEnum):
    """The checks, in the order of the trade."""

    CARE = "care"
    """What comes before power: cautions, write protect, clean heads, room temperature."""
    MECHANICS = "mechanics"
    """What eye and finger find of rails, belt, cone, pad and lubrication."""
    SPEED = "speed"
    DRIFT = "drift"
    """How the head goes by the minute: as found until the drive is warm, as left with all on."""
    SEATING = "seating"
    RADIAL = "radial"
    TRACKS = "tracks"
    """The lobes on every radial track of the disk: slope over the stroke, the stepper's phases."""
    HYSTERESIS = "hysteresis"
    SEEKS = "seeks"
    """Seeks from both ends of the stroke, at the drive's own step rate."""
    PUSH = "push"
    """What remains of a light push of the arm to either side: its play."""
    ADJUST = "adjust"
    LOCK = "lock"
    AZIMUTH = "azimuth"
    INDEX = "index"
    OUTPUT = "output"
    TRACK_ZERO = "track-zero"
    CENTRE = "centre"
    """Without an alignment disk: the head against an ordinary track, done only where asked for."""

    SCALE = "scale"
    """Calibration on the bench, as the two that follow: of the alignment disk's scale."""
    ZERO = "zero"
    """Of its zero, in a drive whose head's offset is known."""
    WORKING_DISK = "working-disk"
    """Of a working disk's zero, by the original's."""


CALIBRATIONS = (CheckName.SCALE, CheckName.ZERO, CheckName.WORKING_DISK)
USUAL_CHECKS = tuple(each for each in CheckName if each not in (CheckName.CENTRE, *CALIBRATIONS))
"""Those of a job as the trade does it; the others are done only where they are asked for."""


class Stage(StrEnum):
    """When in the job a check is done."""

    AS_FOUND = "as found"
    WORK = "work"
    AS_LEFT = "as left"


class Action(StrEnum):
    """What the hand at the drive is asked to do; ``Do.amount`` says how much where it matters."""

    CONFIRM = "confirm"
    """Nothing but to have read it."""
    CLEAN_HEADS = "clean heads"
    PROVE_PROTECT = "prove write protect"
    """With a scratch disk, before the alignment disk goes in."""
    INSERT_ALIGNMENT = "insert alignment disk"
    INSERT_SCRATCH = "insert scratch disk"
    INSERT_COVERED = "insert disk with its notch covered"
    """Another than the alignment disk, that is read and never written."""
    ZERO_GAUGE = "zero the gauge"
    SEEK = "seek"
    """To ``track`` of ``head``."""
    RESEAT = "reseat"
    ARRIVE_FROM_OUTSIDE = "arrive from outside"
    """Step outward off the track, and back: the last step goes inward."""
    ARRIVE_FROM_INSIDE = "arrive from inside"
    PUSH_OUTWARD = "push outward"
    """The arm, lightly, and let it go."""
    PUSH_INWARD = "push inward"
    WAIT = "wait"
    """``amount`` seconds, which are over by themselves."""
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

    @classmethod
    def of(cls, name: str, found: Quantity | float, unit: str) -> Self:
        """Return what was found under its name."""
        if isinstance(found, Quantity):
            return cls(name, found.value, found.u, unit)
        return cls(name, found, None, unit)


@dataclass(frozen=True, slots=True)
class Limit:
    """What a value is judged by, and where that comes from; None is open on that side."""

    low: float | None
    high: float | None
    unit: str
    source: str


# -- what a check asks for ---------------------------------------------------------------------


_STEPPING = (Action.SEEK, Action.ARRIVE_FROM_OUTSIDE, Action.ARRIVE_FROM_INSIDE)


@dataclass(frozen=True, slots=True)
class Do:
    """Something for the hands; answered with True once it is done, or :data:`INSISTED`."""

    action: Action
    message: Message
    amount: float | None = None
    track: int | None = None
    head: int = 0
    noticed: bool = False
    """The tool sees by itself when it has been done: the pattern leaves and comes back."""
    via: int | None = None
    """The track from which an arrival comes."""

    @property
    def stops(self) -> tuple[int, ...]:
        """Tracks on which the head is to stop one after the other; none where nothing is stepped.

        Track numbers grow inward.
        """
        if self.track is None or self.action not in _STEPPING:
            return ()
        return (self.track,) if self.via is None else (self.via, self.track)


@dataclass(frozen=True, slots=True)
class Measure:
    """Something to measure; answered with a :class:`~app.analysis.results.Measurement`."""

    measurand: Measurand
    message: Message
    label: str
    turns: int
    track: int | None
    head: int
    marks: tuple[Message, ...] = ()
    """What its entry is to say beside what is found."""


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


INSISTED = "done all the same"
"""Answer to something for the hands where nothing was seen of it: the record tells so."""

Ask = Do | Measure | Enter
Answer = Measurement | float | int | str | bool | None


def checked_answer(ask: Ask, value: Answer) -> Answer:
    """Return an answer as the check wants it.

    Raises
    ------
    ValueError
        When it is no answer to that; the sentence says what would be one.
    """
    if isinstance(ask, Do):
        if value not in (True, INSISTED):
            raise ValueError(f"“{ask.action}” is answered once it has been done")
        return value
    if isinstance(ask, Measure):
        if not isinstance(value, Measurement):
            raise ValueError(f"“{ask.label}” is answered by a measurement")
        return value
    return value if value is None else _entered(ask, value)


def _entered(ask: Enter, value: Answer) -> Answer:
    if ask.choices:
        if value not in ask.choices:
            raise ValueError(f"“{value}” cannot be chosen; choose {' or '.join(ask.choices)}")
        return value
    if ask.low is None and ask.high is None and not ask.unit:
        return str(value)
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise ValueError(
            f"“{value}” is not a number; enter one{_between(ask)}, or nothing where it is not known"
        ) from None
    low = float("-inf") if ask.low is None else ask.low
    high = float("inf") if ask.high is None else ask.high
    if not low <= number <= high:
        raise ValueError(f"{number:g} {ask.unit} cannot be; enter {low:g} to {high:g}")
    return number


def _between(ask: Enter) -> str:
    return "" if ask.low is None or ask.high is None else f" from {ask.low:g} to {ask.high:g}"


# -- what is kept ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Entry:
    """One measurement or observation in the log of a job.

    Attributes
    ----------
    label : str
        Which of the check's entries: ``"seating 3"``, ``"from outside 2"``, ``"side 1"``.
    taken_at : str
        ISO 8601 with offset.
    track : int or None
        None where nothing was measured but entered.
    notes : tuple of str
        Why there is no value, notes of the reading, an observation's words.
    turns, envelope_v : numpy.ndarray or None
        float32, shape (n,): the turn of envelope behind it.
    source, virtual, instrument, profile, settings : str, bool, str, str, tuple of (str, str)
        Where it was read from at that moment; see :class:`~app.job.origin.Origin`.
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
    instrument: str = field(default="", metadata=LATER)
    profile: str = field(default="", metadata=LATER)

    @property
    def origin(self) -> Origin:
        """Where it was read from."""
        return Origin(self.source, self.virtual, self.instrument, self.profile, self.settings)

    def read_from(self, origin: Origin) -> Entry:
        """Return it with where it was read from."""
        return replace(
            self,
            source=origin.source,
            virtual=origin.virtual,
            settings=origin.settings,
            instrument=origin.instrument,
            profile=origin.profile,
        )


INSERTED = "alignment disk put in"
"""Label of the entry that tells of it: each time wears the disk."""


def measured_entry(
    check: CheckName, stage: Stage, ask: Measure, found: Measurement, taken_at: str
) -> Entry:
    """Return the entry of a measurement, its origin yet unsaid."""
    said = [*ask.marks, *([found.problem] if found.problem is not None else [])]
    if found.reading is not None:
        said += [*found.reading.reasons, *found.reading.notes]
    of = (check, stage, ask.label, taken_at, ask.track, ask.head)
    entry = Entry(*of, values_of(found), tuple(map(str, said)))
    if found.trace is None:
        return entry
    return replace(entry, turns=found.trace.turns, envelope_v=found.trace.envelope_v)


def entered_entry(
    check: CheckName, stage: Stage, ask: Enter, answer: float | str, taken_at: str
) -> Entry:
    """Return the entry of what a person entered, its origin yet unsaid."""
    if ask.choices or isinstance(answer, str):
        return Entry(check, stage, ask.key, taken_at, notes=(str(answer),))
    values = (Value(ask.key, float(answer), None, ask.unit),)
    return Entry(check, stage, ask.key, taken_at, values=values)


def values_of(measurement: Measurement) -> tuple[Value, ...]:
    """Return everything that was found, each with its name and unit."""
    rows: list[tuple[str, Quantity | float | None, str]] = []
    if (reading := measurement.reading) is not None:
        rows += [
            ("offset", reading.offset_um, "µm"),
            ("balance", reading.balance, ""),
            ("ratio", reading.ratio, ""),
            ("first lobe", reading.first_v, "V"),
            ("second lobe", reading.second_v, "V"),
            ("speed", reading.speed_rpm, "rpm"),
            ("carrier", reading.carrier_hz, "Hz"),
            ("SNR", reading.snr_db, "dB"),
        ]
    if (speed := measurement.speed) is not None:
        rows += [
            ("speed", speed.mean_rpm, "rpm"),
            ("short-term variation", speed.variation_percent, "%"),
            ("drift", speed.drift_percent_per_min, "%/min"),
        ]
    if (azimuth := measurement.azimuth) is not None:
        rows += [
            ("azimuth", azimuth.angle_arcmin, "arcmin"),
            ("misfit", azimuth.misfit_percent, "%"),
            *((f"burst {n}", b.height_v, "V") for n, b in enumerate(azimuth.bursts, 1)),
        ]
    if (index := measurement.index) is not None:
        rows += [("index to burst", index.delay_us, "µs"), ("scatter", index.scatter_us, "µs")]
    if (output := measurement.output) is not None:
        rows += [
            ("amplitude", output.amplitude_v, "V"),
            ("frequency", output.frequency_hz, "Hz"),
            ("modulation", output.modulation_percent, "%"),
            ("asymmetry", output.asymmetry_ns, "ns"),
        ]
    rows.append(("level", measurement.level_v, "V"))
    return tuple(Value.of(name, found, unit) for name, found, unit in rows if found is not None)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a check found.

    Attributes
    ----------
    value, u, unit : float or None, float or None, str
        Its one number with its combined standard uncertainty.
    expanded_u, dof : float or None
        What ± about the value covers 95.45 %, and the effective degrees of freedom of u, None
        where there is no end of them. Older books have neither.
    conformity : float or None
        Probability that what was measured is within the limit (JCGM 106), 0 to 1.
    aim : str
        Where the head was to be, in words; empty as found, and for what has nothing to do with it.
    reason : str
        Why it is so where the number alone does not tell: why skipped, why undecided.
    details : tuple of Value
        What else was found.
    budget : tuple of Part
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
    budget: tuple[Part, ...] = ()
    ended_at: str = ""
    expanded_u: float | None = field(default=None, metadata=LATER)
    dof: float | None = field(default=None, metadata=LATER)
    conformity: float | None = field(default=None, metadata=LATER)
    aim: str = field(default="", metadata=LATER)

    def detail(self, name: str) -> Value | None:
        """Return one of its details, None where it has none of that name."""
        return next((each for each in self.details if each.name == name), None)

    @property
    def covering_u(self) -> float | None:
        """Half of what ± about the value covers 95.45 %."""
        return self.u if self.expanded_u is None else self.expanded_u / 2.0


@dataclass(frozen=True, slots=True)
class Summary:
    """The three numbers of a drive as found or as left, each with its standard uncertainty."""

    offset_um: Value | None = None
    hysteresis_um: Value | None = None
    speed_rpm: Value | None = None


@dataclass(frozen=True, slots=True)
class JobHead:
    """What heads a job from its beginning.

    Attributes
    ----------
    opened_at : str
        ISO 8601 with offset.
    source : str
        The source's address.
    software : str
        Version of the program.
    profile : str
        Name of the drive class.
    profile_values : tuple of (str, str, str)
        Key, value with unit, and where it comes from, as they were.
    conditions : tuple of (str, str)
        What the person says of the job, in words of their own: see :data:`DESCRIPTIONS`. It can be
        changed until the job is closed.
    plan : str
        What the job is for; empty in older books.
    left_out : tuple of (str, str)
        Checks that the plan does not have, each with why.
    """

    opened_at: str
    source: str
    virtual: bool
    software: str
    profile: str
    profile_values: tuple[tuple[str, str, str], ...] = ()
    conditions: tuple[tuple[str, str], ...] = ()
    plan: str = field(default="", metadata=LATER)
    left_out: tuple[tuple[str, str], ...] = field(default=(), metadata=LATER)


DESCRIPTIONS = (
    ("workshop", "Name and place"),
    ("technician", "Who does the work"),
    ("customer", "Whose drive it is"),
    ("drive maker", "Maker and model, as on its plate"),
    ("drive serial", "Serial number of the drive"),
    ("alignment disk", "Maker, number and serial of the disk; its certificate"),
    ("instruments", "Scope or card, with serial number and date of calibration"),
    ("probes", "Probes, resistors, filters, and where they sit"),
    ("attitude", "Flat, on its side; cover on or off"),
    ("step rate", "As the drive was stepped, in ms a track"),
)
"""What a person may say of a job: the key, and what it holds."""


# -- what a check works with -------------------------------------------------------------------

ALIGNMENT, SCRATCH, ORDINARY = "alignment", "scratch", "ordinary"

MIDDLE = "middle"
"""Name of the value that says where the head is between its two positions of rest."""
APART = "second head outward of the first"
ROOM = "room left for both heads"
"""Name of the value that says by how much less than both may differ they do; below 0 no place of
the carriage brings both within the limit that the class is set to."""
UNSEEN = "arrivals that were not seen"
"""Name of the value that says for how many of them there is the word of the hand alone."""


class AimKind(StrEnum):
    """By what it is said where the head is to be."""

    DISK = "alignment disk"
    OFFSET = "stated offset"
    AS_FOUND = "as found"
    ARCHIVE = "archive's disk"
    """Where the head stood over the track of an archive's disk, as a job before found it."""


@dataclass(frozen=True, slots=True)
class Aim:
    """Where the middle of the hysteresis is to be.

    Attributes
    ----------
    um, u_um : float
        Of head 0, from the alignment disk's zero, outward positive; how unsure that is.
    """

    kind: AimKind = AimKind.DISK
    um: float = 0.0
    u_um: float = 0.0

    def __str__(self) -> str:
        """Return it in words."""
        if self.kind is AimKind.DISK:
            return str(messages.AIM_ZERO)
        return str(fill(messages.AIM_FROM_ZERO, self.kind, f"{self.um:+.1f}"))


@dataclass(frozen=True, slots=True)
class JobOptions:
    """How thorough a job is.

    Attributes
    ----------
    seatings, arrivals : int
        How often the disk is seated; how often the head arrives from each side.
    turns, speed_turns : int
        Turns that a measurement of the lobes and of the speed takes.
    most_nudges : int
        After so many, relocks counted, adjusting stops and says so.
    goal_um, preset_um, lock_um : float
        How close the middle of the hysteresis is to be to the track line for the head to be left
        alone, to where it is set off for the creep of the screws, and how far from the line it may
        be once they are tight.
    wanted_um : float
        Expanded uncertainty that the mean of the seatings is to have.
    """

    seatings: int = 5
    arrivals: int = 3
    turns: int = 10
    speed_turns: int = 25
    most_nudges: int = 8
    goal_um: float = 4.0
    preset_um: float = 3.0
    lock_um: float = 2.0
    wanted_um: float = 2.0


@dataclass(frozen=True, slots=True)
class DriveState:
    """How the hands have left the drive, as far as what was asked for tells it.

    Attributes
    ----------
    disk : str or None
        ``ALIGNMENT``, ``SCRATCH``, ``ORDINARY``, None when not known.
    protect_proved, protect_failed : bool
        The write-protect sensor has been proved with a scratch disk, or has failed at it.
    loose : bool or None
        The stepper's screws.
    track, side : int or None, int
        Where the head is.
    arrived : Side or None
        ``OUTWARD`` when the head last came from the outer side, and so rests outward.
    nudges : int
        Nudges asked for so far, and tightenings beyond the first.
    tightened, trims : int
        Tightenings, and turns of the speed trimmer, so far.
    """

    disk: str | None = None
    protect_proved: bool = False
    protect_failed: bool = False
    loose: bool | None = None
    track: int | None = None
    side: int = 0
    arrived: Side | None = None
    nudges: int = 0
    tightened: int = 0
    trims: int = 0

    @property
    def moves(self) -> tuple[bool | None, int, int]:
        """What has been done to the head's place; another after each time that it was moved."""
        return self.loose, self.nudges, self.tightened


@dataclass(frozen=True, slots=True)
class Rest:
    """A head as it was measured at rest: corrected, how it had arrived, and its place by moves."""

    offset_um: Quantity
    arrived: Side | None
    moves: tuple[bool | None, int, int]


@dataclass(frozen=True, slots=True)
class Known:
    """What earlier checks of the job found.

    Attributes
    ----------
    hysteresis_um : Quantity or None
        Distance of the two positions of rest.
    seating_u_um : float or None
        Part of the zero that a single seating makes, as a standard uncertainty.
    seating_dof : float or None
        Degrees of freedom of that and of the clamp's part.
    seated_um : Quantity or None
        What is added to readings of the seating in hand, for the mean of all seatings; None where
        it is none of those that were measured.
    clamp_part : float
        Relative standard uncertainty of the scale that a single seating makes.
    climate : tuple of Part
        What temperature and humidity make of the offset, in millionths of the track's radius;
        empty where nothing was asked about them yet.
    once_part : float or None
        How much the head's output goes up and down once a turn, as a part of it.
    alternating : bool
        Whether the lobes alternate often enough for that not to matter.
    rest : Rest or None
        How head 0 was measured last, beside which head 1 may be measured.
    apart_um : Quantity or None
        How far head 1 is outward of head 0.
    found_um : Quantity or None
        The middle as found, corrected; u is the reading's own.
    archive_um : Quantity or None
        How far the head stood outward of the middle of an archive's track when a job before left
        it.
    nudged : tuple of Nudged
        Every nudge so far and where it led, of which the next is learned.
    creeps_um : tuple of Quantity
        How far each tightening moved the head.
    """

    hysteresis_um: Quantity | None = None
    seating_u_um: float | None = None
    clamp_part: float = 0.0
    nudged: tuple[Nudged, ...] = ()
    creeps_um: tuple[Quantity, ...] = ()
    seating_dof: float | None = field(default=None, metadata=LATER)
    climate: tuple[Part, ...] = field(default=(), metadata=LATER)
    once_part: float | None = field(default=None, metadata=LATER)
    alternating: bool = field(default=False, metadata=LATER)
    rest: Rest | None = field(default=None, metadata=LATER)
    apart_um: Quantity | None = field(default=None, metadata=LATER)
    found_um: Quantity | None = field(default=None, metadata=LATER)
    archive_um: Quantity | None = field(default=None, metadata=LATER)
    seated_um: Quantity | None = field(default=None, metadata=LATER)


@dataclass(slots=True)
class Situation:
    """What one run of a check works with; it alone changes ``drive`` and ``known``."""

    profile: Profile
    options: JobOptions
    check: CheckName
    stage: Stage
    head: int
    known: Known
    drive: DriveState
    outcomes: tuple[Outcome, ...] = ()
    aim: Aim = Aim()
    to_come: frozenset[CheckName] = frozenset()
    """What is yet to be done in this job, the check in hand left out."""
    unseen: bool = False
    """Nothing was seen of what the hand did last; the next measurement of the lobes says so."""

    def last(self, check: CheckName, *, here: bool = False) -> Outcome | None:
        """Return the newest outcome of a check that was not skipped, None before there is one.

        Where it is `here`, that of the stage and of the head in hand alone.
        """
        for outcome in reversed(self.outcomes):
            fits = not here or (outcome.stage, outcome.side) == (self.stage, self.head)
            if outcome.check is check and fits and outcome.verdict is not Verdict.SKIPPED:
                return outcome
        return None
