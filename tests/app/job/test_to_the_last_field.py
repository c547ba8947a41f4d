"""What each check asks for, in order and to the last field, and all that its outcome says.

The numbers that are expected follow from the drive of hands.py and the formulas named beside them.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import chain

import pytest

from app.analysis.budget import Part, Shape
from app.analysis.messages import NO_CARRIER, fill
from app.analysis.results import Measurand, Side, Verdict
from app.job import messages
from app.job.budget import ONCE_ASSUMED, READING, SCALE, corrections
from app.job.model import (
    Action,
    CheckName,
    Do,
    DriveState,
    Enter,
    Entry,
    JobOptions,
    Known,
    Measure,
    Outcome,
    Stage,
    Value,
)
from app.job.plan import Planned, Step, StepState
from tests.app.job.hands import PROFILE, ScriptedDrive, carry_out, job_on

ROOM = fill(messages.ROOM_TEMPERATURE, "12", "15", "5")
OPTIONS = JobOptions(seatings=3, arrivals=2, turns=7, speed_turns=9)
TRACK = PROFILE.alignment_track
INSERT = Do(Action.INSERT_ALIGNMENT, messages.INSERT_ALIGNMENT)
YES_NO = ("yes", "no")


def seek(track, head=0):
    return Do(Action.SEEK, fill(messages.SEEK, track, head), track=track, head=head)


def arrive(number):
    for action, text, words, away in (
        (Action.ARRIVE_FROM_OUTSIDE, messages.FROM_OUTSIDE, "from outside", -2),
        (Action.ARRIVE_FROM_INSIDE, messages.FROM_INSIDE, "from inside", 2),
    ):
        words_of = fill(text, TRACK, number)
        yield Do(action, words_of, track=TRACK, noticed=True, via=TRACK + away)
        yield lobes(f"{words} {number}")


def lobes(label, head=0):
    return Measure(Measurand.RADIAL, messages.TAKING_RADIAL, label, 7, TRACK, head)


def spindle(label):
    return Measure(Measurand.SPEED, messages.TAKING_SPEED, label, 9, TRACK, 0)


def reseat(number):
    asked = Do(Action.RESEAT, fill(messages.RESEAT, number, 3), noticed=True)
    return asked, lobes(f"seating {number}")


def written(track, place):
    for action, pattern in ((Action.WRITE_1F, "1F"), (Action.WRITE_2F, "2F")):
        yield Do(action, fill(messages.WRITE, track, 1, pattern), track=track, head=1)
        label = f"{place} {pattern}"
        yield Measure(Measurand.OUTPUT, messages.TAKING_OUTPUT, label, 7, track, 1)


CAUTIONS = (
    messages.MAINS,
    messages.GROUND_CLIP,
    messages.LINE_INPUT,
    messages.MOVING_PARTS,
    messages.NEVER_WRITE,
)
AZIMUTH = Measure(
    Measurand.AZIMUTH, messages.TAKING_AZIMUTH, "side 1", 20, PROFILE.azimuth_track, 1
)
OUTER, INNER = PROFILE.index_tracks
INDEX = Measure(Measurand.INDEX, messages.TAKING_INDEX, "side 1", 40, OUTER, 1)
# From 306 to 300 rpm: less by 6 / 306, which are 1.96 %.
TRIM = Do(Action.TRIM_SPEED, fill(messages.TRIM_SPEED, "1.96", "slower"), amount=-600 / 306)
ASKS = {
    (CheckName.CARE, Stage.AS_FOUND, 0): [
        *(Do(Action.CONFIRM, caution) for caution in CAUTIONS),
        Do(Action.PROVE_PROTECT, messages.PROVE_PROTECT),
        Enter("write refused", messages.WAS_IT_REFUSED, choices=YES_NO),
        Do(Action.CLEAN_HEADS, messages.CLEAN_HEADS),
        Enter("room temperature", ROOM, "°C", 10.0, 35.0),
        Enter("chassis temperature", messages.CHASSIS_TEMPERATURE, "°C", 5.0, 50.0),
        Enter("relative humidity", messages.HUMIDITY, "%", 20.0, 80.0),
        Enter("minutes since power-on", messages.MINUTES_ON, "min", 0.0, 10_000.0),
        INSERT,
    ],
    (CheckName.SPEED, Stage.AS_FOUND, 0): [INSERT, seek(TRACK), spindle("as found")],
    (CheckName.SPEED, Stage.AS_LEFT, 0): [INSERT, seek(TRACK), spindle("as left")],
    (CheckName.SPEED, Stage.WORK, 0): [
        *(INSERT, seek(TRACK), spindle("before trimming")),
        *(TRIM, spindle("trimmed 1")),
    ],
    (CheckName.SEATING, Stage.AS_FOUND, 0): [
        *(INSERT, seek(TRACK)),
        *chain(*map(reseat, (1, 2, 3))),
    ],
    (CheckName.RADIAL, Stage.AS_FOUND, 1): [INSERT, seek(TRACK, 1), lobes("side 1", 1)],
    (CheckName.HYSTERESIS, Stage.AS_FOUND, 0): [INSERT, seek(TRACK), *arrive(1), *arrive(2)],
    (CheckName.AZIMUTH, Stage.WORK, 1): [INSERT, seek(PROFILE.azimuth_track, 1), AZIMUTH],
    (CheckName.INDEX, Stage.WORK, 1): [
        *(INSERT, seek(OUTER, 1), INDEX),
        *(seek(INNER, 1), replace(INDEX, track=INNER)),
    ],
    (CheckName.OUTPUT, Stage.WORK, 1): [
        Do(Action.INSERT_SCRATCH, messages.INSERT_SCRATCH),
        *(seek(0, 1), *written(0, "outer")),
        *(seek(PROFILE.tracks - 1, 1), *written(PROFILE.tracks - 1, "inner")),
    ],
    (CheckName.TRACK_ZERO, Stage.WORK, 0): [
        seek(2),
        Enter("track-zero sensor on track 2", fill(messages.SENSOR_OFF, 2), choices=YES_NO),
        seek(0),
        Enter("track-zero sensor on track 0", messages.SENSOR_ON, choices=YES_NO),
        Enter("stop clearance", messages.STOP_CLEARANCE, "mm", 0.0, 10.0),
    ],
}


def worked_through(drive, *plan):
    """Return the job, and all that it asked."""
    job, _ = job_on(plan=plan, options=OPTIONS)
    asked = []
    while job.ask is not None:
        asked.append(job.ask)
        job.answer(drive.answer(job.ask))
    return job, asked


@pytest.mark.parametrize("step", ASKS, ids=lambda step: f"{step[0]}, {step[1]}")
def test_a_check_asks_for_this_and_nothing_else(step):
    _, asked = worked_through(ScriptedDrive(speed_rpm=306.0), Planned(*step))
    # A ratio of floating-point numbers may differ in its last digit.
    asked = [
        replace(ask, amount=pytest.approx(ask.amount)) if getattr(ask, "amount", None) else ask
        for ask in asked
    ]
    assert asked == ASKS[step]


def drawn(ask):
    return (ask.action, ask.amount and round(ask.amount, 1)) if isinstance(ask, Do) else ask.label


def test_adjusting_and_locking_ask_for_this_and_nothing_else():
    # The middle is 30 µm outward, and the screws move it by 10 µm more each time.
    drive = ScriptedDrive(middle_um=30.0, backlash_um=8.0, creep_um=10.0)
    plan = (CheckName.HYSTERESIS, CheckName.ADJUST, CheckName.LOCK)
    job, asked = worked_through(drive, *(Planned(check, Stage.WORK) for check in plan))
    assert [drawn(ask) for ask in asked[10:]] == [
        "before",
        (Action.LOOSEN, None),
        "loose",
        (Action.NUDGE, -30.0),
        "nudge 1",
        # Locked 10 µm away it is set off by as much.
        "loose",
        (Action.TIGHTEN, None),
        "tight 1",
        (Action.LOOSEN, None),
        "loose 1",
        (Action.NUDGE, -20.0),
        "nudge 2",
        (Action.TIGHTEN, None),
        "tight 2",
        (Action.SEAL, None),
    ]
    # The tightening beyond the first counts as a nudge.
    assert (job.nudges, job.drive.tightened, job.drive.loose) == (3, 2, False)
    back_off = next(ask for ask in asked[18:] if drawn(ask) == (Action.LOOSEN, None))
    assert back_off.message == fill(messages.BACK_OFF, "+10.0", "+10.0")
    assert [each.value for each in job.known.creeps_um] == pytest.approx([10.0, 10.0])
    assert len(job.known.nudged) == 2


def rows(values):
    return [(each.name, each.value, each.u, each.unit) for each in values]


def near(*values):
    return [
        tuple(pytest.approx(part) if isinstance(part, float) else part for part in value)
        for value in values
    ]


def outcome_of(check, drive, stage=Stage.WORK, head=0):
    job, _ = worked_through(drive, Planned(check, stage, head))
    (outcome,) = job.outcomes
    assert (outcome.check, outcome.stage, outcome.side) == (check, stage, head)
    assert outcome.ended_at
    return outcome


def limits(outcome):
    return (outcome.limit.low, outcome.limit.high, outcome.limit.unit, outcome.limit.source)


SOURCES = dict(PROFILE.sources)


def test_the_outcome_of_the_speed():
    outcome = outcome_of(CheckName.SPEED, ScriptedDrive(speed_rpm=303.0), Stage.AS_FOUND)
    assert (outcome.value, outcome.u, outcome.unit) == (303.0, 0.01, "rpm")
    source = SOURCES["spindle.tolerance_percent"]
    assert near(limits(outcome)) == [(295.5, 304.5, "rpm", source)]
    assert outcome.verdict is Verdict.PASS
    assert rows(outcome.details) == near(
        ("error", 1.0, 0.01 / 3.0, "%"),
        ("short-term variation", 0.1, 0.01, "%"),
        ("drift", 0.1, 0.01, "%/min"),
        ("bars of a strobe ring at 50 Hz", 20.0, None, ""),
        ("bars of a strobe ring at 60 Hz", 24.0, None, ""),
    )
    assert outcome.budget == (Part("clock and scatter", 0.01, unit="rpm"),)
    # A normal distribution keeps its 95.45 % within two standard deviations.
    assert outcome.expanded_u == pytest.approx(0.02)
    assert outcome.conformity == pytest.approx(1.0)
    assert outcome.reason == ""


def test_a_speed_that_is_left_alone_keeps_its_numbers():
    plan = (Planned(CheckName.SPEED, Stage.AS_FOUND), Planned(CheckName.SPEED, Stage.WORK))
    job, asked = worked_through(ScriptedDrive(speed_rpm=303.0), *plan)
    found, worked = job.outcomes
    assert len(asked) == 3
    said = {"stage": Stage.WORK, "reason": str(messages.SPEED_LEFT_ALONE), "details": ()}
    assert worked == replace(found, **said, ended_at=worked.ended_at)


def offset_limit_um(difference):
    # b = d / (2 - d), for 1 - r = d and b = (1 - r) / (1 + r); the offset is the scale times b.
    return PROFILE.scale_um * difference / (2.0 - difference)


@pytest.mark.parametrize(
    ("stage", "difference", "key"),
    [(Stage.AS_FOUND, 0.30, "limits.check"), (Stage.AS_LEFT, 0.15, "limits.set")],
)
def test_the_outcome_of_an_offset(stage, difference, key):
    outcome = outcome_of(CheckName.RADIAL, ScriptedDrive(6.0, 8.0), stage, head=1)
    # It rests outward by half the hysteresis.
    b = 10.0 / PROFILE.scale_um
    r = (1.0 - b) / (1.0 + b)
    fixed = corrections(PROFILE, Known(), 1)
    parts = (1e-4 * PROFILE.scale_um, PROFILE.scale_u_um / PROFILE.scale_um * 10.0)
    once = Part(ONCE_ASSUMED, 0.04 * PROFILE.scale_um / 6.0**0.5, unit="µm")
    total = math.hypot(*parts, *(part.u for part in (once, *fixed)))
    assert (outcome.value, outcome.u) == pytest.approx((10.0, total))
    half_um = offset_limit_um(difference)
    assert near(limits(outcome)) == [(-half_um, half_um, "µm", SOURCES[key])]
    # In a room of which nothing is known less than the narrower limit can be told.
    verdict = Verdict.PASS if stage is Stage.AS_FOUND else Verdict.UNDECIDED
    assert (outcome.verdict, outcome.unit, outcome.reason) == (verdict, "µm", "")
    assert [(part.name, part.shape) for part in outcome.budget[:2]] == [
        ("reading", Shape.NORMAL),
        ("scale of the disk", Shape.RECTANGULAR),
    ]
    assert [part.u for part in outcome.budget[:2]] == pytest.approx(parts)
    assert outcome.budget[2:] == (once, *fixed)
    assert rows(outcome.details) == near(
        ("as read", 10.0, parts[0], "µm"),
        ("ratio", r, 2e-4, ""),
        ("difference", 100.0 * (1.0 - r), 0.02, "%"),
    )


def test_the_outcome_of_the_hysteresis():
    outcome = outcome_of(CheckName.HYSTERESIS, ScriptedDrive(6.0, 8.0))
    assert (outcome.value, outcome.unit, outcome.verdict) == (
        pytest.approx(8.0),
        "µm",
        Verdict.PASS,
    )
    assert limits(outcome) == (None, 27.0, "µm", SOURCES["limits.hysteresis_um"])
    scatter, scale = outcome.budget
    assert (scatter.name, scale.name) == ("reading", "scale of the disk")
    assert scale.u == pytest.approx(PROFILE.scale_u_um / PROFILE.scale_um * 8.0)
    assert outcome.u == pytest.approx(math.hypot(scatter.u, scale.u))
    assert [(each.name, each.unit) for each in outcome.details] == [
        ("middle", "µm"),
        ("from outside", "µm"),
        ("from inside", "µm"),
        ("scatter of arrivals", "µm"),
    ]
    middle, outside, inside, spread = outcome.details
    assert (middle.value, outside.value, inside.value) == pytest.approx((6.0, 10.0, 2.0))
    # The middle is an offset: the scale counts in it, and in the places of rest alike it does not.
    assert middle.u > PROFILE.scale_u_um / PROFILE.scale_um * 6.0 > outside.u > 0.0
    assert spread.value == pytest.approx(0.0, abs=1e-9)
    assert (spread.u, outcome.reason) == (None, "")


def test_a_wide_hysteresis_fails_to_whichever_side():
    for backlash_um in (40.0, -40.0):
        outcome = outcome_of(CheckName.HYSTERESIS, ScriptedDrive(0.0, backlash_um))
        assert (outcome.verdict, outcome.value) == (Verdict.FAIL, pytest.approx(backlash_um))


def test_missing_arrivals_are_counted():
    drive = ScriptedDrive()
    drive.missing = ["from outside 1", "from inside 2"]
    outcome = outcome_of(CheckName.HYSTERESIS, drive)
    few = fill(messages.FEW_ARRIVALS, 2, 4)
    assert outcome.reason == f"{few}: {fill(NO_CARRIER)}"
    assert outcome.value == pytest.approx(8.0)
    drive.missing = ["from inside 1", "from inside 2"]
    outcome = outcome_of(CheckName.HYSTERESIS, drive)
    assert (outcome.verdict, outcome.value) == (Verdict.UNDECIDED, None)
    assert outcome.reason == f"{few}: {fill(NO_CARRIER)}"
    drive.missing = ["from outside 1", "from inside 1", "from outside 2", "from inside 2"]
    assert outcome_of(CheckName.HYSTERESIS, drive).reason == str(fill(NO_CARRIER))


def test_the_outcomes_of_azimuth_and_index():
    outcome = outcome_of(CheckName.AZIMUTH, ScriptedDrive(), head=1)
    assert outcome.reason == str(messages.ANGLES_GUESSED)
    assert (outcome.value, outcome.u, outcome.unit) == (4.0, 0.2, "arcmin")
    assert limits(outcome) == (-18.0, 18.0, "arcmin", SOURCES["limits.azimuth_arcmin"])
    assert rows(outcome.details) == [
        ("misfit", 0.4, None, "%"),
        *((f"burst {number}", 0.3, 0.001, "V") for number in (1, 2, 3, 4)),
    ]
    outcome = outcome_of(CheckName.INDEX, ScriptedDrive(), head=1)
    assert (outcome.value, outcome.u, outcome.unit) == (210.0, 0.2, "µs")
    assert limits(outcome) == (100.0, 300.0, "µs", SOURCES["limits.index_to_burst_us"])
    assert rows(outcome.details) == [
        ("scatter of single turns", 0.5, None, "µs"),
        ("turns", 40.0, None, ""),
        ("start on track 34", 210.0, 0.2, "µs"),
        # JCGM 100, 5.1.2: of a difference of two that scatter apart.
        ("skew of the carriage, to track 34", 0.0, pytest.approx(math.hypot(0.2, 0.2)), "µs"),
    ]
    assert outcome.budget == (Part("starts of the burst", 0.2, unit="µs"),)


def test_the_outcome_of_the_output():
    outcome = outcome_of(CheckName.OUTPUT, ScriptedDrive())
    # 2F over 1F: JCGM 100, 5.1.6, for a quotient.
    u = 75.0 * math.hypot(0.001 / 0.3, 0.001 / 0.4)
    assert (outcome.value, outcome.u) == pytest.approx((75.0, u))
    assert (outcome.unit, outcome.verdict, outcome.limit) == ("%", Verdict.NOTED, None)
    height = {"1F": 0.4, "2F": 0.3}
    of_tracks = [
        row
        for place in ("outer", "inner")
        for pattern in ("1F", "2F")
        for row in (
            (f"amplitude, {place} {pattern}", height[pattern], 0.001, "V"),
            (f"modulation, {place} {pattern}", 3.0, 0.1, "%"),
            (f"modulation once a turn, {place} {pattern}", 1.2, None, "%"),
            (f"asymmetry, {place} {pattern}", 12.0, 1.0, "ns"),
        )
    ]
    assert rows(outcome.details) == [*of_tracks, *near(("resolution, outer", 75.0, u, "%"))]


def test_an_output_that_lacks_a_track_says_which_and_what_it_has():
    drive = ScriptedDrive()
    drive.missing = ["inner 2F"]
    outcome = outcome_of(CheckName.OUTPUT, drive)
    assert (outcome.verdict, outcome.value, outcome.unit) == (Verdict.UNDECIDED, None, "%")
    assert outcome.reason == str(fill(NO_CARRIER))
    assert outcome.details[-1].name == "resolution, outer"
    drive.missing = ["outer 1F"]
    outcome = outcome_of(CheckName.OUTPUT, drive)
    assert (outcome.value, outcome.reason) == (pytest.approx(75.0), str(fill(NO_CARRIER)))
    assert "resolution, outer" not in [each.name for each in outcome.details]


def test_the_outcome_of_the_seatings():
    drive = ScriptedDrive(middle_um=0.0, backlash_um=0.0)
    drive.zero_shifts_um = [2.0, -2.0, 1.5]
    job, _ = worked_through(drive, Planned(CheckName.SEATING, Stage.AS_FOUND))
    (outcome,) = job.outcomes
    # Mean 0.5 and standard deviation 2.179 of the three (numpy, ddof 1).
    error_um = 2.17945 / 3**0.5
    assert outcome.value == pytest.approx(error_um, abs=1e-3)
    assert outcome.unit == "µm"
    # Relative uncertainty of a standard deviation: 1 / sqrt(2 (n - 1)), JCGM 100, E.4.3.
    assert outcome.u == pytest.approx(outcome.value / 2.0)
    assert [(each.name, each.unit) for each in outcome.details] == [
        ("mean, as read", "µm"),
        ("spread of single seatings", "µm"),
        ("spread of the scale", "µm"),
        ("spread of the zero", "µm"),
        ("spread of the lobes' sum", "%"),
        ("seatings needed", ""),
    ]
    found = {each.name: each for each in outcome.details}
    assert found["mean, as read"].value == pytest.approx(0.5, abs=1e-3)
    assert found["mean, as read"].u > 0.0
    assert found["spread of single seatings"].value == pytest.approx(2.179, abs=1e-3)
    # Of one later seating, from three.
    assert job.known.seating_u_um == pytest.approx(2.179, abs=0.01)
    assert job.known.seating_dof == 2.0
    assert job.known.clamp_part == pytest.approx(0.0, abs=1e-4)
    assert (outcome.verdict, outcome.limit) == (Verdict.NOTED, None)


@pytest.mark.parametrize("missing", [1, 2, 3])
def test_a_seating_that_is_missing_leaves_the_others_their_numbers(missing):
    drive = ScriptedDrive(middle_um=0.0, backlash_um=0.0)
    drive.missing = [f"seating {missing}"]
    outcome = outcome_of(CheckName.SEATING, drive, Stage.AS_FOUND)
    assert outcome.verdict is Verdict.NOTED
    drive.missing = [f"seating {number}" for number in (1, 2, 3) if number != missing]
    outcome = outcome_of(CheckName.SEATING, drive, Stage.AS_FOUND)
    assert (outcome.verdict, outcome.unit) == (Verdict.UNDECIDED, "µm")
    assert outcome.reason == str(fill(NO_CARRIER))


def test_the_outcome_of_the_cautions_and_of_track_zero():
    drive = ScriptedDrive()
    drive.entries = {"room temperature": 24.0, "relative humidity": 40.0, "stop clearance": 0.3}
    outcome = outcome_of(CheckName.CARE, drive)
    assert rows(outcome.details)[:2] == [
        ("room temperature", 24.0, None, "°C"),
        ("relative humidity", 40.0, None, "%"),
    ]
    (shift,) = outcome.details[2:]
    # Film 17e-6 a kelvin and 8e-6 a per cent of humidity, at the radius of the alignment track;
    # the chassis is taken to be as warm as the room, and takes 23e-6 a kelvin back.
    ppm = (17.0 - 23.0) * 1.0 - 8.0 * 10.0
    assert shift.value == pytest.approx(1e-3 * PROFILE.alignment_radius_mm * ppm)
    assert (shift.unit, outcome.reason, outcome.verdict) == ("µm", "", Verdict.NOTED)
    outcome = outcome_of(CheckName.TRACK_ZERO, drive)
    assert rows(outcome.details) == [("stop clearance", 0.3, None, "mm")]
    assert outcome.reason == str(fill(messages.SENSOR_RULE, 2))


@pytest.mark.parametrize(
    ("from_track", "rests_outward"), [(0, True), (PROFILE.tracks - 1, False), (None, None)]
)
def test_where_the_head_comes_from_decides_how_it_rests(from_track, rests_outward):
    # A track number grows inward: from track 0 the head comes from outside.
    drive = ScriptedDrive()
    plan = [Planned(CheckName.TRACK_ZERO, Stage.WORK)] if from_track == 0 else []
    plan += [Planned(CheckName.OUTPUT, Stage.WORK)] if from_track else []
    job, _ = job_on(plan=[*plan, Planned(CheckName.RADIAL, Stage.WORK)])
    while not (isinstance(job.ask, Measure) and job.ask.measurand is Measurand.RADIAL):
        carry_out(job, drive, asks=1)
    sides = {True: Side.OUTWARD, False: Side.INWARD, None: None}
    assert job.drive.arrived is sides[rests_outward]
    # Another head on the same track rests as the first.
    job.skip("looked at")
    assert job.drive.arrived is sides[rests_outward]


def test_whether_a_drive_refuses_to_write_may_stay_open():
    job, _ = job_on(plan=[Planned(CheckName.CARE, Stage.AS_FOUND)])
    carry_out(job, ScriptedDrive(), asks=6)
    job.answer(None)
    carry_out(job, ScriptedDrive())
    (outcome,) = job.outcomes
    assert outcome.reason == str(messages.PROTECT_UNKNOWN)
    assert (outcome.verdict, job.drive.disk) == (Verdict.NOTED, "alignment")
    assert (job.drive.protect_proved, job.drive.protect_failed) == (False, False)


def test_the_outcome_of_adjusting_and_locking():
    drive = ScriptedDrive(middle_um=30.0, backlash_um=8.0, creep_um=1.9)
    plan = (CheckName.HYSTERESIS, CheckName.ADJUST, CheckName.LOCK)
    job, _ = worked_through(drive, *(Planned(check, Stage.WORK) for check in plan))
    _, adjusted, locked = job.outcomes
    half_um, source = offset_limit_um(0.15), SOURCES["limits.set"]
    assert (adjusted.value, adjusted.unit) == (pytest.approx(0.0, abs=0.01), "µm")
    assert near(limits(adjusted)) == [(-half_um, half_um, "µm", source)]
    assert adjusted.u == pytest.approx(math.hypot(*(part.u for part in adjusted.budget)))
    # The middle is half the hysteresis from where the head rests: JCGM 100, 5.1.2.
    scatter = math.hypot(1e-4 * PROFILE.scale_um, job.known.hysteresis_um.u / 2.0)
    assert adjusted.budget[0].u == pytest.approx(scatter, rel=1e-3)
    assert adjusted.reason == str(messages.OUTWARD_IS_COUNTER_CLOCKWISE)
    # Locked it may be as far from the line as the class is set to: so much it may move.
    assert (locked.value, locked.unit) == (pytest.approx(1.9, abs=0.01), "µm")
    assert locked.limit.low == pytest.approx(-half_um, abs=0.01)
    assert locked.limit.high == pytest.approx(half_um, abs=0.01)
    assert (locked.limit.unit, locked.limit.source) == ("µm", source)
    assert [(each.name, each.unit) for each in locked.details] == [
        ("middle", "µm"),
        ("tightenings", ""),
        ("nudges", ""),
    ]
    values = [each.value for each in locked.details]
    assert values == [pytest.approx(1.9, abs=0.01), 1.0, 1.0]
    assert locked.details[0].u > 0.0
    # How far it moved is known no better than the scale: JCGM 100, 5.1.2.
    assert [part.name for part in locked.budget] == [READING, SCALE]
    assert locked.budget[1].u == pytest.approx(PROFILE.scale_u_um / PROFILE.scale_um * 1.9)
    assert locked.u == pytest.approx(math.hypot(*(part.u for part in locked.budget)))
    # Of the room nothing was said.
    assert locked.verdict is Verdict.UNDECIDED
    assert locked.reason.startswith("judged by where the middle is locked: +1.9 ± ")
    assert locked.reason.endswith(f"with {-half_um:.1f} to +{half_um:.1f} µm allowed")


def test_a_head_that_is_locked_away_says_how_far():
    drive = ScriptedDrive(middle_um=0.0, backlash_um=0.0, creep_um=-6.0)
    plan = [Planned(CheckName.LOCK, Stage.WORK)]
    job, _ = job_on(plan=plan, options=replace(OPTIONS, most_nudges=1))
    carry_out(job, drive)
    (outcome,) = job.outcomes
    away, place = outcome.reason.split("; judged ")
    assert away == str(fill(messages.LOCKED_AWAY, 0, "-6.0"))
    assert place.startswith("by where the middle is locked: -6.0 ± ")
    # Nothing says that it is beyond the class's limit, and so it is sealed.
    assert outcome.verdict is Verdict.UNDECIDED
    assert drive.done[-1].action is Action.SEAL
    # With one nudge more it is backed off once: a nudge, and the tightening after it.
    job, _ = job_on(plan=plan, options=replace(OPTIONS, most_nudges=2))
    carry_out(job, ScriptedDrive(middle_um=0.0, backlash_um=0.0, creep_um=-6.0))
    assert (job.nudges, job.outcomes[0].reason) == (2, "")


class Stuck(ScriptedDrive):
    """Its body does not turn."""

    def _do(self, ask):
        before = self.middle_um
        super()._do(ask)
        if ask.action is Action.NUDGE:
            self.middle_um = before


def test_of_the_nudges_one_is_left_for_the_tightening_after_them():
    drive = Stuck(middle_um=0.0, backlash_um=0.0, creep_um=10.0)
    options = replace(OPTIONS, most_nudges=4)
    job, _ = job_on(drive, plan=[Planned(CheckName.LOCK, Stage.WORK)], options=options)
    assert job.nudges == 4
    assert sum(ask.action is Action.NUDGE for ask in drive.done) == 3


@pytest.mark.parametrize("middle_um", [-170.0, 170.0])
def test_with_one_lobe_left_the_head_is_brought_back_by_four_fifths_of_the_scale(middle_um):
    drive = ScriptedDrive(middle_um, backlash_um=0.0)
    worked_through(drive, Planned(CheckName.ADJUST, Stage.WORK))
    nudge = next(ask for ask in drive.done if ask.action is Action.NUDGE)
    assert nudge.amount == pytest.approx(-math.copysign(0.8 * PROFILE.scale_um, middle_um))
    assert nudge.message.text == messages.NUDGE_TO_SEE.text


def test_what_is_not_said_is_not_so():
    drive = DriveState(None, False, False, None, None, 0, None, 0, 0, 0)
    assert DriveState() == drive
    assert Known() == Known(None, None, 0.0, (), (), None, (), None, False)
    of = (CheckName.RADIAL, Stage.WORK)
    assert Entry(*of, "a", "b") == Entry(*of, "a", "b", None, 0, (), (), None, None, "", False, ())
    verdict = Verdict.NOTED
    assert Outcome(*of, verdict) == Outcome(*of, verdict, 0, None, None, "", None, "", (), (), "")
    assert Step(*of) == Step(*of, 0, StepState.PENDING, None)
    assert Planned(*of) == Planned(*of, 0)
    assert Do(Action.SEAL, messages.SEAL) == Do(Action.SEAL, messages.SEAL, None, None, 0, False)
    assert Enter("a", messages.SEAL) == Enter("a", messages.SEAL, "", None, None, ())
    assert Value("a", 1.0) == Value("a", 1.0, None, "")
    # How thorough a job is where nobody says otherwise.
    assert JobOptions() == JobOptions(5, 3, 10, 25, 8, 4.0, 3.0, 2.0, 2.0)
