"""What a check knows when it begins: the class, what was found before, how the drive stands."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from app.analysis.reading import Quantity, Side
from app.job.model import CheckName, Outcome, Stage, Verdict
from app.profiles import Profile

ALIGNMENT, SCRATCH = "alignment", "scratch"

MIDDLE = "middle"
"""Name of the value that tells where the head stands between its two arrivals."""
ZERO_SPREAD = "zero spread"
"""Name of the value that tells how much of the zero a single seating makes."""
CLOCKWISE = "clockwise is outward"
CREEP = "creep"
CLIMATE = "climate"


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
    goal_um : float
        The middle of the hysteresis is brought this close to the track line.
    """

    seatings: int = 5
    arrivals: int = 3
    turns: int = 10
    speed_turns: int = 50
    most_nudges: int = 8
    goal_um: float = 3.0


@dataclass(frozen=True, slots=True)
class Bench:
    """How the drive stands, as far as what was asked for tells it.

    Attributes
    ----------
    disk : str or None
        ``ALIGNMENT``, ``SCRATCH``, None when not known.
    protect_proved : bool
        The write-protect sensor has been proved with a scratch disk.
    loose : bool or None
        The stepper's screws.
    track, side : int or None, int
        Where the head stands.
    arrived : Side or None
        ``OUTWARD`` when the head last came from the outer side, and so rests outward.
    nudges : int
        Nudges asked for so far, and tightenings beyond the first.
    tightened : int
        Tightenings so far.
    """

    disk: str | None = None
    protect_proved: bool = False
    loose: bool | None = None
    track: int | None = None
    side: int = 0
    arrived: Side | None = None
    nudges: int = 0
    tightened: int = 0


@dataclass(frozen=True, slots=True)
class Known:
    """What earlier checks of the job found.

    Attributes
    ----------
    hysteresis_um : Quantity or None
        Distance of the two positions of rest.
    seating_u_um : float or None
        Part of the zero that a single seating makes, as a standard uncertainty.
    climate_u_um, climate_um : float
        Shift of the disk against the drive by temperature and humidity, and its standard
        uncertainty.
    clockwise_is_outward : bool or None
        Which way round the body goes, once it has been learned.
    """

    hysteresis_um: Quantity | None = None
    seating_u_um: float | None = None
    climate_um: float = 0.0
    climate_u_um: float = 0.0
    clockwise_is_outward: bool | None = None

    @classmethod
    def of(cls, outcomes: Iterable[Outcome]) -> Known:
        """Gather what is known; later outcomes go before earlier ones."""
        found: dict[str, object] = {}
        for outcome in outcomes:
            details = {value.name: value for value in outcome.details}
            if outcome.check is CheckName.HYSTERESIS and outcome.value is not None:
                found["hysteresis_um"] = Quantity(outcome.value, outcome.u or 0.0)
            if ZERO_SPREAD in details:
                found["seating_u_um"] = details[ZERO_SPREAD].value
            if CLIMATE in details:
                found["climate_um"] = details[CLIMATE].value
                found["climate_u_um"] = details[CLIMATE].u or 0.0
            if CLOCKWISE in details:
                found["clockwise_is_outward"] = details[CLOCKWISE].value > 0.0
        return cls(**found)  # type: ignore[arg-type]


@dataclass(slots=True)
class Situation:
    """What one run of a check works with; it alone changes ``bench`` and ``known``."""

    profile: Profile
    options: JobOptions
    check: CheckName
    stage: Stage
    side: int
    known: Known
    bench: Bench
    outcomes: tuple[Outcome, ...] = field(default=())

    def last(self, check: CheckName) -> Outcome | None:
        """Return the newest outcome of a check that was not skipped, None before there is one."""
        for outcome in reversed(self.outcomes):
            if outcome.check is check and outcome.verdict is not Verdict.SKIPPED:
                return outcome
        return None
