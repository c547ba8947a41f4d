"""The order of the trade, and where a check goes that is done once more."""

from __future__ import annotations

import pytest

from app.job.model import CheckName, JobOptions, Known, Stage
from app.job.plan import (
    Plan,
    Planned,
    Step,
    StepState,
    end_of_work,
    left_out,
    newest_of,
    plan_for,
    with_again,
)
from app.profiles import load_profile
from tests.app.job.hands import PROFILE, job_on

C, FOUND, WORK, LEFT = CheckName, Stage.AS_FOUND, Stage.WORK, Stage.AS_LEFT
DONE, PENDING = StepState.DONE, StepState.PENDING


def test_a_job_on_a_drive_of_two_heads_has_these_steps():
    # Common practice: see all first, then adjust, then see again what the screws may have moved.
    assert [(each.check, each.stage, each.head) for each in plan_for(PROFILE)] == [
        *((check, FOUND, 0) for check in (C.CARE, C.MECHANICS, C.SPEED)),
        *((C.OUTPUT, FOUND, head) for head in (0, 1)),
        *((check, FOUND, 0) for check in (C.DRIFT, C.SEATING)),
        *((C.RADIAL, FOUND, head) for head in (0, 1)),
        *((C.HYSTERESIS, FOUND, head) for head in (0, 1)),
        *((check, FOUND, 0) for check in (C.SEEKS, C.PUSH)),
        *((C.AZIMUTH, FOUND, head) for head in (0, 1)),
        *((C.INDEX, FOUND, head) for head in (0, 1)),
        (C.TRACK_ZERO, FOUND, 0),
        *((check, WORK, 0) for check in (C.ADJUST, C.LOCK, C.SPEED)),
        *((C.RADIAL, LEFT, head) for head in (0, 1)),
        *((C.HYSTERESIS, LEFT, head) for head in (0, 1)),
        (C.SEEKS, LEFT, 0),
        *((C.INDEX, LEFT, head) for head in (0, 1)),
        *((check, LEFT, 0) for check in (C.TRACK_ZERO, C.SPEED, C.DRIFT)),
    ]


def test_to_check_only_is_all_as_found_and_moves_nothing():
    full = plan_for(PROFILE)
    assert plan_for(PROFILE, plan=Plan.CHECK) == [each for each in full if each.stage is FOUND]


def test_to_adjust_only_is_the_head_before_and_after_with_arrivals_of_one():
    planned = plan_for(PROFILE, plan=Plan.ADJUST)
    assert [(each.check, each.stage, each.head) for each in planned] == [
        (C.CARE, FOUND, 0),
        (C.RADIAL, FOUND, 0),
        (C.RADIAL, FOUND, 1),
        (C.HYSTERESIS, FOUND, 0),
        (C.TRACK_ZERO, FOUND, 0),
        (C.ADJUST, WORK, 0),
        (C.LOCK, WORK, 0),
        (C.RADIAL, LEFT, 0),
        (C.RADIAL, LEFT, 1),
        (C.HYSTERESIS, LEFT, 0),
        (C.TRACK_ZERO, LEFT, 0),
    ]


@pytest.mark.parametrize(
    ("plan", "steps"),
    [
        (Plan.CENTRE, [(C.CENTRE, 0)]),
        (Plan.SCALE, [(C.CARE, 0), (C.SCALE, 0)]),
        (Plan.ZERO, [(C.CARE, 0), (C.ZERO, 0), (C.ZERO, 1)]),
        (Plan.WORKING_DISK, [(C.CARE, 0), (C.WORKING_DISK, 0), (C.WORKING_DISK, 1)]),
    ],
)
def test_what_is_done_for_itself_has_nothing_of_the_usual_checks(plan, steps):
    assert [(each.check, each.head) for each in plan_for(PROFILE, plan=plan)] == steps


def test_all_that_a_plan_has_can_be_left_out_for_a_reason():
    for plan in Plan:
        job, kept = job_on(plan=plan_for(PROFILE, plan=plan))
        while job.step is not None:
            job.skip("not wanted")
        assert {each.reason for each in kept.outcomes} == {"not wanted"}
        assert len(kept.outcomes) == len(plan_for(PROFILE, plan=plan))
        assert job.may_close


@pytest.mark.parametrize(
    ("checks", "stages"),
    [
        ({C.SPEED}, [FOUND, WORK, LEFT]),
        ({C.TRACK_ZERO}, [FOUND]),
        ({C.TRACK_ZERO, C.ADJUST}, [FOUND, WORK, LEFT]),
        ({C.TRACK_ZERO, C.LOCK}, [FOUND, WORK, LEFT]),
        (set(), []),
    ],
)
def test_as_left_is_measured_what_may_have_been_moved(checks, stages):
    assert [each.stage for each in plan_for(PROFILE, checks)] == stages


def test_what_a_plan_leaves_out_is_told_with_the_reason():
    moved = dict(left_out(PROFILE, plan=Plan.CHECK))
    assert set(moved) == {C.TRACKS, C.ADJUST, C.LOCK}
    assert moved[C.ADJUST] == moved[C.LOCK] == "the plan measures and moves nothing"
    assert dict(left_out(PROFILE, [C.SPEED]))[C.RADIAL] == "it was not asked for"
    assert dict(left_out(PROFILE)) == {C.TRACKS: "the alignment disk states one radial track alone"}
    assert left_out(load_profile("130mm-48tpi-five-tracks")) == ()
    calibrates = dict(left_out(PROFILE, plan=Plan.SCALE))
    assert C.CARE not in calibrates
    assert "judges no drive" in calibrates[C.RADIAL]


STEPS = [
    Step(C.RADIAL, FOUND, 0, DONE),
    Step(C.HYSTERESIS, FOUND, 0, PENDING),
    Step(C.ADJUST, WORK, 0, DONE),
    Step(C.LOCK, WORK, 0, PENDING),
    Step(C.HYSTERESIS, LEFT, 0, PENDING),
]


def test_the_work_ends_behind_what_is_done_or_as_found():
    assert end_of_work(STEPS) == 3
    assert end_of_work(STEPS[:2]) == 2
    assert end_of_work(STEPS[1:2]) == 1


def test_the_newest_of_each_check_and_head_is_the_last():
    other = Step(C.RADIAL, LEFT, 1)
    assert newest_of([*STEPS, other]) == [STEPS[0], STEPS[4], STEPS[2], STEPS[3], other]


@pytest.mark.parametrize(("begun", "stage"), [(True, WORK), (False, FOUND)])
def test_once_more_work_comes_before_what_is_pending_and_as_left_at_the_end(begun, stage):
    steps = with_again(STEPS, [STEPS[4], STEPS[0]], begun)
    assert steps == [*STEPS[:3], Step(C.RADIAL, stage), *STEPS[3:], Step(C.HYSTERESIS, LEFT)]


def test_what_is_kept_of_a_job_tells_how_it_stands():
    job, _ = job_on(plan=[Planned(C.RADIAL, FOUND, 1), Planned(C.HYSTERESIS, FOUND)])
    job.skip("no head")
    (skipped, waits), options = job.standing.steps, job.standing.options
    assert (skipped.check, skipped.stage, skipped.side) == (C.RADIAL, FOUND, 1)
    assert (skipped.state, skipped.outcome) == (StepState.SKIPPED, 0)
    # The one in hand is to be done again.
    assert (waits.check, waits.side, waits.state, waits.outcome) == (C.HYSTERESIS, 0, PENDING, None)
    assert (options, job.standing.known) == (JobOptions(), Known())
