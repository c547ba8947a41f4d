"""What several checks have alike: hands at the drive, the lobes, how a check ends."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Any

from app.analysis import messages as of_analysis
from app.analysis.budget import Budget, Part
from app.analysis.messages import fill
from app.analysis.results import (
    Measurand,
    Measurement,
    Message,
    Quantity,
    Reading,
    Side,
    Sign,
    Verdict,
)
from app.job import messages
from app.job.aims import about_aim, aimed_limit
from app.job.budget import corrected, guarding, offset_budget
from app.job.model import (
    ALIGNMENT,
    INSISTED,
    SCRATCH,
    Action,
    Ask,
    Do,
    Limit,
    Measure,
    Outcome,
    Situation,
    Stage,
)
from app.job.verdicts import judge
from app.profiles import Profile

Check = Generator[Ask, Any, Outcome]
Hands = Generator[Ask, Any, None]


class Barred(Exception):  # noqa: N818 - reads as the state that it names
    """A check may not be done with the drive as it is; the message says why."""


def change(situation: Situation, **news: Any) -> None:
    """Note how the hands have left the drive."""
    situation.drive = replace(situation.drive, **news)
    if "disk" in news:
        # However the next one lies, it was not measured among the seatings.
        learn(situation, seated_um=None)


def learn(situation: Situation, **news: Any) -> None:
    """Note what was found, for the checks that follow."""
    situation.known = replace(situation.known, **news)


def bar_where_unprotected(situation: Situation) -> None:
    """Let no disk in that must not be written, once the drive wrote to a protected one.

    Raises
    ------
    Barred
        When the drive was seen to do so.
    """
    if situation.drive.protect_failed:
        raise Barred(str(messages.DISK_BARRED))


def with_alignment_disk(situation: Situation) -> Hands:
    """Have the alignment disk in the drive.

    Raises
    ------
    Barred
        When the drive was seen to write to a protected disk.
    """
    bar_where_unprotected(situation)
    if situation.drive.disk != ALIGNMENT:
        yield Do(Action.INSERT_ALIGNMENT, messages.INSERT_ALIGNMENT)
        change(situation, disk=ALIGNMENT)


def with_scratch_disk(situation: Situation) -> Hands:
    """Have a scratch disk in the drive that may be written to."""
    if situation.drive.disk != SCRATCH:
        yield Do(Action.INSERT_SCRATCH, messages.INSERT_SCRATCH)
        change(situation, disk=SCRATCH)


def reseat(situation: Situation, words: Message) -> Hands:
    """Have the clamp opened and closed again."""
    answer = yield Do(Action.RESEAT, words, noticed=True)
    situation.unseen = answer == INSISTED
    learn(situation, seated_um=None)


def on_track(situation: Situation, track: int, head: int) -> Hands:
    """Have a head on a track."""
    drive = situation.drive
    if (drive.track, drive.side) == (track, head):
        return
    yield Do(Action.SEEK, fill(messages.SEEK, track, head), track=track, head=head)
    arrived = drive.arrived
    if drive.track != track:
        # Where it came from decides how it rests; unknown unless the track before is known.
        arrived = None
        if drive.track is not None:
            arrived = Side.OUTWARD if drive.track < track else Side.INWARD
    change(situation, track=track, side=head, arrived=arrived)


def on_alignment_track(situation: Situation, head: int = 0) -> Hands:
    """Have the alignment disk in, and a head on its alignment track."""
    yield from with_alignment_disk(situation)
    yield from on_track(situation, situation.profile.alignment_track, head)


_AWAY_TRACKS = 2


def arrive(situation: Situation, side: Side, number: int = 1) -> Hands:
    """Have the head arrive on its track from one side, over a few tracks."""
    outside, track = side is Side.OUTWARD, situation.drive.track
    text = messages.FROM_OUTSIDE if outside else messages.FROM_INSIDE
    via = None if track is None else _beside(situation.profile, track, -1 if outside else 1)
    yield from _arrival(situation, side, fill(text, track, number), via)


def seek_back(situation: Situation, side: Side, number: int) -> Hands:
    """Have the head come to its track by a seek from one end of the stroke."""
    outside, track = side is Side.OUTWARD, situation.drive.track
    via = 0 if outside else situation.profile.tracks - 1
    yield from _arrival(situation, side, fill(messages.FROM_END, via, track, number), via)


def _arrival(situation: Situation, side: Side, words: Message, via: int | None) -> Hands:
    drive = situation.drive
    action = Action.ARRIVE_FROM_OUTSIDE if side is Side.OUTWARD else Action.ARRIVE_FROM_INSIDE
    answer = yield Do(action, words, track=drive.track, head=drive.side, noticed=True, via=via)
    situation.unseen = answer == INSISTED
    change(situation, arrived=side)


def _beside(profile: Profile, track: int, way: int) -> int:
    """Return a track a little away, on which the pattern is seen to be gone."""
    away = _AWAY_TRACKS
    while track + way * away in (profile.radial_tracks or ()):
        away += 1
    return track + way * away


def measure_lobes(situation: Situation, label: str) -> Measure:
    """Return the ask for a measurement of the lobes where the head is."""
    drive, turns = situation.drive, situation.options.turns
    marks = (messages.UNSEEN,) if situation.unseen else ()
    situation.unseen = False
    of = (Measurand.RADIAL, messages.TAKING_RADIAL, label, turns, drive.track, drive.side)
    return Measure(*of, marks)


def concluded(situation: Situation, verdict: Verdict, **found: Any) -> Outcome:
    """Return the outcome of the check in hand; `found` are further fields of it."""
    return Outcome(situation.check, situation.stage, verdict, side=situation.head, **found)


def by_budget(budget: Budget) -> dict[str, Any]:
    """Return the fields of an outcome that a budget tells."""
    return {
        "value": budget.value,
        "u": budget.u,
        "expanded_u": budget.expanded_u,
        "dof": budget.dof,
        "budget": budget.parts,
    }


def judged(
    situation: Situation, budget: Budget, limit: Limit, guard: Budget | None = None, **more: Any
) -> Outcome:
    """Return the outcome of the check in hand by a value with a limit.

    `guard` is what of the budget counts against the limit, all of it where nothing is said.
    """
    guard = guard or budget
    return concluded(
        situation,
        judge(guard.value, guard.expanded_u, limit),
        unit=limit.unit,
        limit=limit,
        conformity=guard.conformity(limit.low, limit.high),
        **by_budget(budget),
        **more,
    )


def one_part(name: str, found: Quantity, unit: str) -> Budget:
    """Return the budget of a quantity with but one part."""
    return Budget(found.value, (Part(name, found.u, dof=found.dof, unit=unit),))


def budget_here(situation: Situation, offset_um: Quantity, track: int | None = None) -> Budget:
    """Return the budget of a corrected offset of the head in hand; its u is the reading's own.

    On the alignment track where no other is named.
    """
    of = (situation.profile, situation.known, situation.drive.side)
    return offset_budget(*of, offset_um, track)


def corrected_here(
    situation: Situation, reading_um: Quantity, track: int | None = None
) -> Quantity:
    """Return a reading of the head in hand, corrected; on the alignment track likewise."""
    of = (situation.profile, situation.known, situation.drive.side)
    return corrected(*of, reading_um, track)


def limit_here(situation: Situation) -> Limit:
    """Return how far from its aim the head in hand may be; as found, from the disk's zero."""
    of = (situation.profile, situation.aim, situation.known, situation.drive.side)
    return aimed_limit(*of, final=situation.stage is not Stage.AS_FOUND)


def guard_here(situation: Situation, budget: Budget) -> Budget:
    """Return what of an offset's budget counts against that limit.

    The class states it in parts of the disk's scale.
    """
    guard = guarding(situation.profile, budget)
    return guard if situation.stage is Stage.AS_FOUND else about_aim(situation.aim, guard)


def judged_offset(
    situation: Situation,
    offset_um: Quantity,
    limit: Limit,
    track: int | None = None,
    **more: Any,
) -> Outcome:
    """Return the outcome of the check in hand by a corrected offset, its u the reading's own.

    On the alignment track where no other is named.
    """
    budget = budget_here(situation, offset_um, track)
    return judged(situation, budget, limit, guard_here(situation, budget), **more)


def without_number(
    situation: Situation, limit: Limit, reason: str, verdict: Verdict = Verdict.UNDECIDED
) -> Outcome:
    """Return the outcome of the check in hand where what has a limit has no number."""
    return concluded(situation, verdict, unit=limit.unit, limit=limit, reason=reason)


def reasons_of(measurement: Measurement) -> tuple[Message, ...]:
    """Return why a measurement holds no number, each reason once."""
    said: list[Message] = [] if measurement.problem is None else [measurement.problem]
    if measurement.reading is not None:
        said += measurement.reading.reasons
    # The problem may be one of the reading's reasons.
    return tuple({str(each): each for each in said}.values())


def why_not(measurement: Measurement) -> str:
    """Return why a measurement holds no number, in one line."""
    return "; ".join(map(str, reasons_of(measurement)))


_LEAST_U_UM = 1e-3
"""No measurement is better than this; weights by 1/u² need one above 0."""


@dataclass(frozen=True, slots=True)
class Lobes:
    """Two lobes that were measured.

    Attributes
    ----------
    reading : Reading
        Valid, with offset and balance.
    offset_um : Quantity
        The offset as it is read, its u without that of the disk's scale, which all readings
        share.
    sum_v : float
        First plus second lobe.
    place_turns : float or None
        Place of the first lobe's top after the index.
    """

    reading: Reading
    offset_um: Quantity
    sum_v: float
    place_turns: float | None

    @property
    def signed(self) -> bool:
        """Whether the side is known."""
        return self.reading.sign is not Sign.UNKNOWN


def is_far_off(reading: Reading | None) -> bool:
    """Tell whether one lobe alone is left: the head is far from the line, on whichever side."""
    return reading is not None and any(each in of_analysis.FAR_OFF for each in reading.reasons)


def lobes_of(profile: Profile, measurement: Measurement) -> Lobes | None:
    """Return the lobes of a measurement, None where it has none."""
    reading, trace = measurement.reading, measurement.trace
    if measurement.problem is not None or reading is None or not reading.valid:
        return None
    if reading.offset_um is None or reading.balance is None:
        return None
    first, second = reading.first_v, reading.second_v
    tops = () if trace is None else trace.tops_turns
    return Lobes(
        reading,
        Quantity(reading.offset_um.value, max(profile.scale_um * reading.balance.u, _LEAST_U_UM)),
        0.0 if first is None or second is None else first.value + second.value,
        tops[0] if tops else None,
    )
