"""Where the head is to be: by the disk, a stated offset, the way back, and for both heads."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from app.analysis.budget import Budget, Part
from app.analysis.results import Quantity, Verdict
from app.job.aims import (
    AIM,
    about_aim,
    aim_of,
    aimed_limit,
    as_found,
    readable_um,
    stated,
    target_of,
)
from app.job.budget import READING, SCALE, ZERO
from app.job.model import APART, ROOM, Action, Aim, AimKind, CheckName, Known, Stage, Value
from app.job.plan import Plan, Planned, StepState, plan_for
from app.job.verdicts import offset_limit, what_next
from app.numbers import Unit
from tests.app.job.hands import PROFILE, ScriptedDrive, carry_out, job_on

ADJUSTING = plan_for(PROFILE, plan=Plan.ADJUST)
HALF_UM = offset_limit(PROFILE, final=True).high


def last(kept, check, side=0):
    return [each for each in kept.outcomes if (each.check, each.side) == (check, side)][-1]


def asked(drive, text):
    return [ask for ask in drive.done if text in str(ask.message)]


def known(apart_um, u_um=0.1):
    return Known(apart_um=Quantity(apart_um, u_um))


def test_a_head_is_brought_to_a_stated_offset_and_judged_about_it():
    drive = ScriptedDrive(middle_um=50.0, creep_um=3.0)
    job, kept = job_on(plan=ADJUSTING)
    job.aim_at(stated(PROFILE, -40.0))
    carry_out(job, drive)
    assert drive.middle_um == pytest.approx(-40.0, abs=4.0)
    outcome = last(kept, CheckName.RADIAL)
    assert (outcome.limit.low, outcome.limit.high) == pytest.approx((-40 - HALF_UM, -40 + HALF_UM))
    assert "about the aim: stated offset, -40.0 µm" in outcome.limit.source
    assert outcome.aim == "stated offset, -40.0 µm from the zero of the alignment disk"
    # As found a drive is judged by the disk's zero, whatever it is to be brought to.
    found = next(each for each in kept.outcomes if each.check is CheckName.RADIAL)
    assert (found.stage, found.aim, found.limit) == (
        Stage.AS_FOUND,
        "",
        offset_limit(PROFILE, final=False),
    )
    assert [each.notes for each in kept.entries if each.label == "aim"] == [
        (f"the aim is {outcome.aim}",)
    ]


def test_the_way_back_is_one_choice():
    drive = ScriptedDrive(middle_um=50.0, creep_um=3.0)
    job, kept = job_on(drive, plan=ADJUSTING)
    assert abs(drive.middle_um) <= 4.0
    job.aim_at(as_found(PROFILE, job.known))
    assert job.aim == Aim(AimKind.AS_FOUND, job.aim.um, job.aim.u_um)
    # What was done by the disk's zero is done again, and measured as left again.
    assert [step.check for step in job.steps if step.outcome is None] == [
        CheckName.ADJUST,
        CheckName.LOCK,
        CheckName.RADIAL,
        CheckName.RADIAL,
        CheckName.HYSTERESIS,
        CheckName.TRACK_ZERO,
    ]
    carry_out(job, drive)
    assert drive.middle_um == pytest.approx(50.0, abs=4.5)
    assert last(kept, CheckName.RADIAL).verdict is Verdict.PASS
    assert job.as_found.offset_um.value == pytest.approx(50.0, abs=0.1)
    assert job.may_close


def test_the_way_back_is_known_once_the_hysteresis_was_measured_as_found():
    with pytest.raises(ValueError, match="measure the hysteresis as found"):
        as_found(PROFILE, Known())
    job, _ = job_on(ScriptedDrive(middle_um=50.0), plan=ADJUSTING[:4])
    assert as_found(PROFILE, job.known).um == pytest.approx(50.0, abs=0.1)


def test_an_aim_goes_with_the_job_to_another_day():
    first, kept = job_on(plan=ADJUSTING)
    first.aim_at(stated(PROFILE, 30.0, 1.5))
    second, _ = job_on(left=kept)
    assert second.aim == Aim(AimKind.OFFSET, 30.0, 1.5)
    assert second.target_um == 30.0


def test_the_needles_zero_is_the_aim():
    drive = ScriptedDrive(middle_um=10.0, backlash_um=8.0)
    job, _ = job_on(drive, plan=ADJUSTING[:4])
    before_um = job.zero_um
    job.aim_at(stated(PROFILE, 25.0))
    assert job.zero_um - before_um == pytest.approx(25.0)


def test_a_closed_job_has_its_aim():
    job, _ = job_on(plan=ADJUSTING)
    job.close("the end of the day")
    with pytest.raises(ValueError, match="the job is closed"):
        job.aim_at(stated(PROFILE, 30.0))


@pytest.mark.parametrize("um", [200.0, -200.0, math.inf, math.nan])
def test_an_aim_that_cannot_be_read_is_refused_with_value_and_range(um):
    # The lobes of this class tell the side and the size within 0.8 of 190 um.
    assert readable_um(PROFILE) == pytest.approx(0.8 * PROFILE.scale_um)
    with pytest.raises(ValueError, match=rf"aim of [+-]?{um:g}.* from −152 to \+152 µm"):
        stated(PROFILE, um)


@pytest.mark.parametrize("um", [152.0, -152.0])
@pytest.mark.parametrize("u_um", [0.0, 152.0])
def test_what_the_range_ends_with_is_in_it(um, u_um):
    assert stated(PROFILE, um, u_um) == Aim(AimKind.OFFSET, um, u_um)


@pytest.mark.parametrize("u_um", [-1.0, math.inf, math.nan])
def test_an_aims_u_that_cannot_be_is_refused(u_um):
    with pytest.raises(ValueError, match="state one from 0 to 152 µm"):
        stated(PROFILE, 10.0, u_um)


@pytest.mark.parametrize(
    ("words", "aim"),
    [
        ("alignment disk", Aim()),
        ("12", Aim(AimKind.OFFSET, 12.0)),
        ("−12,5±1", Aim(AimKind.OFFSET, -12.5, 1.0)),
    ],
)
def test_an_aim_is_named_in_words(words, aim):
    assert aim_of(PROFILE, Known(), words) == aim


@pytest.mark.parametrize(
    ("words", "unit", "um", "u_um"),
    [
        # An inch is 25.4 mm by definition.
        ("0.5mil", Unit.UM, 12.7, 0.0),
        ("−0,5±0,1 mil", Unit.UM, -12.7, 2.54),
        ("0.5", Unit.MIL, 12.7, 0.0),
        ("12±1 µm", Unit.MIL, 12.0, 1.0),
        ("12 \u03bcm", Unit.MIL, 12.0, 0.0),
        ("12um", Unit.MIL, 12.0, 0.0),
    ],
)
def test_an_aim_is_in_the_unit_behind_it_or_in_the_one_that_is_chosen(words, unit, um, u_um):
    aim = aim_of(PROFILE, Known(), words, unit)
    assert aim.kind is AimKind.OFFSET
    assert (aim.um, aim.u_um) == pytest.approx((um, u_um), abs=1e-9)


@pytest.mark.parametrize("words", ["", "middle", "1±2±", "±", "mil", "12 mm", "1 mil±2"])
def test_what_is_no_aim_is_refused(words):
    with pytest.raises(ValueError, match="is no aim: say “alignment disk”"):
        aim_of(PROFILE, Known(), words)


def test_of_two_heads_the_middle_is_aimed_at_and_told_beforehand():
    drive = ScriptedDrive(middle_um=60.0)
    drive.apart_um = 20.0
    job, kept = job_on(drive, plan=ADJUSTING)
    assert drive.middle_um == pytest.approx(-10.0, abs=4.0)
    (told,) = asked(drive, "20.0 µm apart")
    assert "side 0 at -10.0 µm and side 1 at +10.0 µm" in str(told.message)
    loosened = next(ask for ask in drive.done if ask.action is Action.LOOSEN)
    assert drive.done.index(told) < drive.done.index(loosened)
    assert job.target_um == pytest.approx(-10.0, abs=0.1)
    # The record names it too: by the disk's zero alone it would be off by 10 µm.
    assert last(kept, CheckName.RADIAL).aim == (
        "the middle of both heads at the zero of the alignment disk: side 0 -10.0 µm and side 1 "
        "+10.0 µm from there"
    )
    values = [last(kept, CheckName.RADIAL, side).value for side in (0, 1)]
    assert values[1] - values[0] == pytest.approx(20.0, abs=0.1)
    assert not job.open_failures


def test_heads_that_cannot_both_be_brought_in_are_told_before_a_screw_is_loosened():
    drive = ScriptedDrive(middle_um=60.0)
    drive.apart_um = 2.0 * HALF_UM + 5.0
    job, _ = job_on(drive, plan=ADJUSTING)
    (told,) = asked(drive, "no place brings both within")
    loosened = next(ask for ask in drive.done if ask.action is Action.LOOSEN)
    assert drive.done.index(told) < drive.done.index(loosened)
    assert job.target_um == 0.0


def test_heads_too_far_apart_are_told_of_where_they_are_found_and_left():
    drive = ScriptedDrive(middle_um=10.0)
    drive.apart_um = -2.0 * HALF_UM - 5.0
    job, kept = job_on(drive, plan=ADJUSTING)
    for stage in (Stage.AS_FOUND, Stage.AS_LEFT):
        first, second = (
            next(
                each
                for each in kept.outcomes
                if (each.check, each.stage, each.side) == (CheckName.RADIAL, stage, side)
            )
            for side in (0, 1)
        )
        assert second.detail(APART).value == pytest.approx(drive.apart_um, abs=0.1)
        assert second.detail(ROOM).value == pytest.approx(-5.0, abs=0.1)
        assert "no place of the carriage brings both within" in second.reason
        assert first.detail(APART) is first.detail(ROOM) is None
    # The middle between them, which is to be set where they can both be brought in, helps neither.
    assert (second.verdict, job.open_failures) == (Verdict.FAIL, (second,))
    assert "have the mount of one seen to" in str(what_next(second))
    able = replace(second, details=(Value(APART, 20.0), Value(ROOM, 2.0 * HALF_UM - 20.0)))
    assert "set the middle between them" in str(what_next(able))


@pytest.mark.parametrize(("middle_um", "unseen"), [(140.0, 1), (-170.0, 0)])
def test_a_head_that_was_out_of_sight_is_compared_once_both_are_seen(middle_um, unseen):
    # 0.85 of the scale is as far as both lobes are seen: one head is beyond, the other is not.
    drive = ScriptedDrive(middle_um=middle_um, creep_um=2.0)
    drive.apart_um = 24.0
    job, kept = job_on(drive, plan=ADJUSTING)
    found = [each for each in kept.outcomes if each.stage is Stage.AS_FOUND]
    radial = [each for each in found if each.check is CheckName.RADIAL]
    assert [each.side for each in radial if each.value is None] == [unseen]
    (told,) = asked(drive, "24.0 µm apart")
    tightened = next(ask for ask in drive.done if ask.action is Action.TIGHTEN)
    assert drive.done.index(told) < drive.done.index(tightened)
    assert job.target_um == pytest.approx(-12.0, abs=0.1)
    assert drive.middle_um == pytest.approx(-12.0, abs=2.5)
    assert not job.open_failures


def test_how_far_heads_are_apart_is_as_unsure_as_scale_and_clamp_leave_it():
    drive = ScriptedDrive(middle_um=0.0, backlash_um=0.0)
    drive.apart_um = 20.0
    drive.zero_shifts_um = [0.0] * 5
    plan = [Planned(CheckName.RADIAL, Stage.AS_FOUND, head) for head in (0, 1)]
    job, _ = job_on(drive, plan=plan)
    apart, room = (job.outcomes[1].detail(name) for name in (APART, ROOM))
    # JCGM 100, 5.1.2: each reading 1e-4 of the scale; the scale ±30 of 190, rectangular (JCGM 101).
    of_scale = PROFILE.scale_u_um / PROFILE.scale_um * 20.0
    reading = 1e-4 * PROFILE.scale_um * math.sqrt(2.0)
    assert of_scale * 0.8 < apart.u < of_scale
    # The limit has the scale alike.
    assert room.u == pytest.approx(reading, rel=0.01)


def test_heads_are_left_by_the_aim_that_was_told():
    drive = ScriptedDrive(middle_um=60.0)
    drive.apart_um = 2.0 * HALF_UM - 0.5
    job, kept = job_on(plan=ADJUSTING)
    while job.step.stage is not Stage.AS_LEFT:
        carry_out(job, drive, asks=1)
    told_um = job.target_um
    # Near the line they are seen a little farther apart: no place brings both within any more.
    drive.apart_um += 1.0
    carry_out(job, drive)
    assert last(kept, CheckName.RADIAL, 1).detail(ROOM).value == pytest.approx(-0.5, abs=0.1)
    assert job.target_um == told_um == pytest.approx(-HALF_UM + 0.25, abs=0.1)


def test_heads_that_differ_by_no_more_than_is_known_are_not_told_apart():
    assert target_of(PROFILE, Aim(), known(0.19)).um == 0.0
    assert target_of(PROFILE, Aim(), known(0.21)).um == pytest.approx(-0.105)
    assert target_of(PROFILE, Aim(), Known()).um == 0.0


@pytest.mark.parametrize(("more_um", "fit"), [(0.0, True), (0.1, False)])
def test_heads_that_differ_by_all_that_they_may_both_fit(more_um, fit):
    """Each is at its limit then, and within it."""
    target = target_of(PROFILE, Aim(), known(2.0 * HALF_UM + more_um))
    assert (target.um == -HALF_UM) == fit


def test_heads_at_different_places_of_the_carriage_are_not_compared():
    drive = ScriptedDrive(middle_um=60.0)
    plan = [ADJUSTING[1], ADJUSTING[3], ADJUSTING[2]]
    job, _ = job_on(drive, plan=plan)
    # Between the two the head arrived from the other side.
    assert job.known.apart_um is None


def test_on_the_way_back_each_head_is_judged_about_where_it_was():
    back = Aim(AimKind.AS_FOUND, 40.0, 0.5)
    limits = [aimed_limit(PROFILE, back, known(20.0), head, final=True) for head in (0, 1)]
    assert [each.low + HALF_UM for each in limits] == pytest.approx([40.0, 60.0])
    assert target_of(PROFILE, back, known(20.0)).um == 40.0


def test_what_both_measurements_have_alike_counts_for_nothing_on_the_way_back():
    parts = tuple(
        Part(name, u, unit="µm") for name, u in ((READING, 0.3), (ZERO, 2.0), (SCALE, 1.0))
    )
    guard = Budget(40.0, parts)
    back = about_aim(Aim(AimKind.AS_FOUND, 40.0, 0.4), guard)
    assert back.u == pytest.approx(0.5)  # JCGM 100, 5.1.2: sqrt(0.3² + 0.4²)
    stated_ = about_aim(Aim(AimKind.OFFSET, 40.0, 0.4), guard)
    assert {part.name for part in stated_.parts} == {READING, ZERO, SCALE, AIM}
    assert about_aim(Aim(), guard) == guard


def test_another_aim_while_it_is_measured_as_left_leads_back_to_adjusting():
    drive = ScriptedDrive(middle_um=50.0)
    job, kept = job_on(plan=ADJUSTING)
    while job.step.stage is not Stage.AS_LEFT:
        carry_out(job, drive, asks=1)
    job.aim_at(stated(PROFILE, 20.0))
    assert (job.step.check, job.step.stage) == (CheckName.ADJUST, Stage.WORK)
    carry_out(job, drive)
    assert drive.middle_um == pytest.approx(20.0, abs=4.0)
    # Once each: what was not measured yet is not planned twice.
    left = [each for each in kept.outcomes if each.stage is Stage.AS_LEFT]
    assert len(left) == len({(each.check, each.side) for each in left})


def test_what_was_left_at_one_aim_is_measured_again_at_another():
    steps = [
        (CheckName.ADJUST, Stage.WORK),
        (CheckName.LOCK, Stage.WORK),
        (CheckName.RADIAL, Stage.AS_LEFT),
    ]
    # What the aim does not change, or what was found before, is not.
    stays = [(CheckName.HYSTERESIS, Stage.AS_FOUND), (CheckName.SPEED, Stage.AS_LEFT)]
    plan = [Planned(*each) for each in (stays[0], *steps, stays[1])]
    job, _ = job_on(ScriptedDrive(middle_um=50.0), plan=plan)
    job.aim_at(stated(PROFILE, 20.0))
    again = {(each.check, each.stage) for each in job.steps if each.state is not StepState.DONE}
    assert again == set(steps)


def test_an_archives_track_is_aimed_at_from_where_the_head_was_as_found():
    known = Known(
        hysteresis_um=Quantity(8.0, 0.2),
        found_um=Quantity(20.0, 3.0),
        archive_um=Quantity(-12.0, 0.0),
    )
    aim = aim_of(PROFILE, known, "archive's disk")
    # The head was 12 µm inward of a track that thus lies at +32 µm; u of 3 and half of 8 (JCGM 100,
    # 5.1.2).
    assert (aim.kind, aim.um, aim.u_um) == (AimKind.ARCHIVE, 32.0, 5.0)
    with pytest.raises(ValueError, match="plan “centre”"):
        aim_of(PROFILE, Known(found_um=Quantity(20.0, 3.0)), "archive's disk")
    with pytest.raises(ValueError, match="measure the hysteresis as found"):
        aim_of(PROFILE, Known(archive_um=Quantity(1.0, 1.0)), "archive's disk")
