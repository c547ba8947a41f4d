"""What a check knows when it begins: the class, what was found before, how the drive stands."""

from __future__ import annotations

from dataclasses import dataclass, field

from app.analysis.adjust.nudging import Nudged
from app.analysis.results import Quantity, Side, Verdict
from app.job.model import CheckName, Outcome, Stage
from app.profiles import Profile

ALIGNMENT, SCRATCH = "alignment", "scratch"

MIDDLE = "middle"
"""Name of the value that tells where the head stands between its two arrivals."""


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
        How close the middle of the hysteresis is brought to the track line before the screws are
        tightened for the first time, to where it is set off for their creep after that, and how
        far from the line it may be once they are tight.
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
    lock_um: float = 4.0
    wanted_um: float = 2.0


@dataclass(frozen=True, slots=True)
class DriveState:
    """How the drive stands, as far as what was asked for tells it.

    Attributes
    ----------
    disk : str or None
        ``ALIGNMENT``, ``SCRATCH``, None when not known.
    protect_proved, protect_failed : bool
        The write-protect sensor has been proved with a scratch disk, or has failed at it.
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
    trims : int
        Turns of the speed trimmer so far.
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
class Known:
    """What earlier checks of the job found.

    Attributes
    ----------
    hysteresis_um : Quantity or None
        Distance of the two positions of rest.
    seating_u_um : float or None
        Part of the zero that a single seating makes, as a standard uncertainty.
    clamp_part : float
        Relative standard uncertainty of the scale that a single seating makes.
    climate_u_um : float
        Standard uncertainty that temperature and humidity leave.
    nudged : tuple of Nudged
        Every nudge so far and where it led, of which the next is learned.
    creeps_um : tuple of Quantity
        How far each tightening moved the head.
    """

    hysteresis_um: Quantity | None = None
    seating_u_um: float | None = None
    clamp_part: float = 0.0
    climate_u_um: float = 0.0
    nudged: tuple[Nudged, ...] = ()
    creeps_um: tuple[Quantity, ...] = ()


@dataclass(slots=True)
class Situation:
    """What one run of a check works with; it alone changes ``drive`` and ``known``."""

    profile: Profile
    options: JobOptions
    check: CheckName
    stage: Stage
    side: int
    known: Known
    drive: DriveState
    outcomes: tuple[Outcome, ...] = field(default=())

    def last(self, check: CheckName) -> Outcome | None:
        """Return the newest outcome of a check that was not skipped, None before there is one."""
        for outcome in reversed(self.outcomes):
            if outcome.check is check and outcome.verdict is not Verdict.SKIPPED:
                return outcome
        return None
