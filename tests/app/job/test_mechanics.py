"""What is found of mechanics, arm, stroke and time, on a scripted drive and on the virtual one."""

from __future__ import annotations

import pytest

from app.analysis.messages import NO_CARRIER, fill
from app.analysis.results import Verdict
from app.cli.conduct import conduct
from app.job import messages
from app.job.checks.mechanics import PARTS, words_key
from app.job.job import OF_THE_HEAD
from app.job.model import Action, CheckName, Do, Stage
from app.job.plan import Plan, Planned
from app.live.measurement import EnvelopeOptions
from app.profiles import load_profile
from instruments.virtual.params import VirtualParams
from instruments.virtual.source import VirtualSource
from tests.app.job.hands import PROFILE, ScriptedDrive, job_on

FIVE = load_profile("130mm-48tpi-five-tracks")


def found_of(check, drive, stage=Stage.AS_FOUND, profile=PROFILE):
    _, kept = job_on(drive, plan=[Planned(check, stage)], profile=profile)
    return kept.outcomes[-1]


def detail(outcome, name):
    (value,) = (each for each in outcome.details if each.name == name)
    return value.value


def test_mechanics_in_order_pass_and_the_power_is_off_first():
    drive = ScriptedDrive()
    assert found_of(CheckName.MECHANICS, drive).verdict is Verdict.PASS
    assert "unplug" in str(drive.done[0].message)


def test_what_is_not_in_order_fails_in_the_persons_own_words():
    drive = ScriptedDrive()
    drive.entries = {"belt": "not in order", words_key("belt"): "shiny, a crack at the seam"}
    outcome = found_of(CheckName.MECHANICS, drive)
    assert (outcome.verdict, outcome.reason) == (Verdict.FAIL, "belt: shiny, a crack at the seam")


def test_what_was_not_looked_at_is_said_and_judged_by_nobody():
    drive = ScriptedDrive()
    drive.entries = {"pad": "not looked at"}
    outcome = found_of(CheckName.MECHANICS, drive)
    assert (outcome.verdict, outcome.reason) == (Verdict.NOTED, "not looked at: pad")
    assert detail(outcome, "looked at") == len(PARTS) - 1


def test_a_push_is_asked_for_to_the_side_by_which_it_counts():
    drive = ScriptedDrive()
    found_of(CheckName.PUSH, drive)
    sides = {Action.PUSH_OUTWARD: "outward", Action.PUSH_INWARD: "inward"}
    pushes = [each for each in drive.done if each.action in sides]
    assert {each.action for each in pushes} == set(sides)
    assert all(f" {sides[each.action]}," in str(each.message) for each in pushes)


@pytest.mark.parametrize(("play_um", "verdict"), [(0.0, Verdict.PASS), (60.0, Verdict.FAIL)])
def test_the_play_of_the_arm_is_what_remains_of_a_push(play_um, verdict):
    drive = ScriptedDrive(middle_um=10.0)
    drive.play_um = play_um
    outcome = found_of(CheckName.PUSH, drive)
    assert outcome.value == pytest.approx(play_um, abs=0.1)
    assert outcome.verdict is verdict


def test_long_seeks_come_from_either_end_of_the_stroke():
    drive = ScriptedDrive(middle_um=10.0)
    outcome = found_of(CheckName.SEEKS, drive)
    stops = [each.stops for each in drive.done if each.action is Action.ARRIVE_FROM_OUTSIDE]
    assert set(stops) == {(0, 16)}
    stops = [each.stops for each in drive.done if each.action is Action.ARRIVE_FROM_INSIDE]
    assert set(stops) == {(39, 16)}
    assert outcome.value == pytest.approx(8.0, abs=0.1)


def beside_of(plan, drive):
    _, kept = job_on(drive, plan=plan)
    names = [each.name for each in kept.outcomes[-1].details]
    beside = "middle, less that of short steps"
    return detail(kept.outcomes[-1], beside) if beside in names else None


def test_long_seeks_stand_beside_the_short_steps_of_the_same_head_and_stage():
    drive = ScriptedDrive(middle_um=10.0)
    drive.apart_um = 16.0
    short = [Planned(CheckName.HYSTERESIS, Stage.AS_FOUND, head) for head in (0, 1)]
    assert beside_of([*short, Planned(CheckName.SEEKS, Stage.AS_FOUND)], drive) == pytest.approx(
        0.0, abs=0.1
    )
    # As left the head may have been moved since.
    assert beside_of([short[0], Planned(CheckName.SEEKS, Stage.AS_LEFT)], drive) is None


def test_arrivals_step_away_to_where_the_disk_has_no_pattern():
    near = FIVE
    drive = ScriptedDrive()
    crowded = type(near)(
        **{
            name: getattr(near, name)
            for name in near.__dataclass_fields__
            if name != "radial_tracks"
        },
        radial_tracks=(14, 16, 18, 19),
    )
    found_of(CheckName.HYSTERESIS, drive, profile=crowded)
    assert {each.stops for each in drive.done if len(each.stops) > 1} == {(13, 16), (20, 16)}


def test_every_radial_track_is_measured_and_the_farthest_judged():
    drive = ScriptedDrive(middle_um=0.0, backlash_um=0.0)
    drive.slope_um = 39.0
    outcome = found_of(CheckName.TRACKS, drive, profile=FIVE)
    assert detail(outcome, "slope over the stroke, outer end less inner") == pytest.approx(
        39.0, abs=0.5
    )
    # 16 tracks inward of the alignment track.
    assert outcome.value == pytest.approx(-16.0, abs=0.5)
    assert outcome.reason == "the farthest off is track 32"


def test_the_watch_ends_by_itself_once_the_head_stands():
    drive = ScriptedDrive(middle_um=0.0)
    drive.warm_um = 12.0
    outcome = found_of(CheckName.DRIFT, drive)
    assert outcome.verdict is Verdict.NOTED
    assert abs(outcome.value) < 0.1
    assert detail(outcome, "moved since the first look") == pytest.approx(12.0, abs=0.2)
    assert 4 < detail(outcome, "looks") < 16


def test_a_watch_tells_nothing_where_nothing_is_seen_or_no_time_passes():
    sideless, gone, still = (ScriptedDrive(middle_um=20.0) for _ in range(3))
    sideless.indexed = False
    gone.missing = ["look 2"]
    still._do = lambda ask: None
    said = {messages.NO_SIGN: sideless, fill(NO_CARRIER): gone, messages.NO_TIME_PASSED: still}
    for reason, drive in said.items():
        outcome = found_of(CheckName.DRIFT, drive)
        assert (outcome.verdict, outcome.value) == (Verdict.UNDECIDED, None)
        assert str(reason) in outcome.reason


def test_a_drive_that_never_stands_is_told_so_after_the_last_look():
    drive = ScriptedDrive(middle_um=0.0)
    drive.drift_um = 1.0
    outcome = found_of(CheckName.DRIFT, drive, Stage.AS_LEFT)
    assert outcome.verdict is Verdict.UNDECIDED
    assert outcome.value == pytest.approx(1.0, abs=0.01)
    assert outcome.unit == "µm/min"
    assert "cover" in str(drive.done[0].message)
    # A minute from look to look, a quarter of an hour in all.
    waits = [each.amount for each in drive.done if each.action is Action.WAIT]
    assert waits == [60.0] * 15


FAULTS = {
    "slope_um": (30.0, CheckName.TRACKS, "slope over the stroke, outer end less inner", 30.0),
    "phase_um": (20.0, CheckName.TRACKS, "phase 1 holds outward by", 15.0),
    # In proportion beyond four tracks: twelve of 39 from outside, nineteen from inside.
    "long_seek_um": (20.0, CheckName.SEEKS, None, 20.0 * (12 + 19) / 39),
    "play_um": (40.0, CheckName.PUSH, None, 40.0),
    "warm_um": (9.0, CheckName.DRIFT, "moved since the first look", 9.0),
}


@pytest.mark.few(1)
@pytest.mark.parametrize("fault", FAULTS)
def test_the_virtual_drive_shows_each_fault_and_its_check_finds_it(fault):
    size, check, name, expected = FAULTS[fault]
    options = {"offset_um": 3.0, "backlash_um": 0.0, "clamp_um": 0.0, "oval_um": 0.0}
    params = VirtualParams(
        seed=3, rate=200e3, carrier_hz=50e3, **options, warm_minutes=2.0, **{fault: size}
    )
    source = VirtualSource(params, paced=False)
    source.open()
    job = conduct(source, FIVE, EnvelopeOptions(), checks=(check,), plan=Plan.CHECK)
    outcome = job.outcomes[-1]
    found = outcome.value if name is None else detail(outcome, name)
    assert found == pytest.approx(expected, abs=0.07 * expected + 0.5)


@pytest.mark.parametrize("part", ["rails", "lubrication", "belt", "cone", "pad"])
def test_the_virtual_drives_wear_is_seen_by_an_eye(part):
    source = VirtualSource(VirtualParams(seed=3, rate=200e3, worn=part), paced=False)
    source.open()
    job = conduct(
        source, PROFILE, EnvelopeOptions(), checks=(CheckName.MECHANICS,), plan=Plan.CHECK
    )
    assert job.outcomes[-1].verdict is Verdict.FAIL
    assert job.outcomes[-1].reason == part


def test_what_the_screws_move_is_measured_again():
    assert {CheckName.TRACKS, CheckName.SEEKS, CheckName.PUSH} <= set(OF_THE_HEAD)


def test_a_wait_is_no_step():
    assert Do(Action.WAIT, "m", amount=60.0, track=16).stops == ()
