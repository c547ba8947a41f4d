"""The order of the trade, and where a check goes that is done once more."""

from __future__ import annotations

import pytest

from app.job.model import CheckName, JobOptions, Known, Stage
from app.job.plan import Planned, Step, StepState, end_of_work, newest_of, plan_for, with_again
from tests.app.job.hands import PROFILE, job_on

C, FOUND, WORK, LEFT = CheckName, Stage.AS_FOUND, Stage.WORK, Stage.AS_LEFT
DONE, PENDING = StepState.DONE, StepState.PENDING


def test_a_job_on_a_drive_of_two_heads_has_these_steps():
    # Common practice: see first, then adjust, then what hangs on the adjustment, then see again.
    assert [(each.check, each.stage, each.head) for each in plan_for(PROFILE)] == [
        *((check, FOUND, 0) for check in (C.CARE, C.SPEED, C.SEATING)),
        *((C.RADIAL, FOUND, head) for head in (0, 1)),
        (C.HYSTERESIS, FOUND, 0),
        *((check, WORK, 0) for check in (C.ADJUST, C.LOCK, C.SPEED)),
        *((C.AZIMUTH, WORK, head) for head in (0, 1)),
        *((C.INDEX, WORK, head) for head in (0, 1)),
        *((check, WORK, 0) for check in (C.OUTPUT, C.TRACK_ZERO)),
        *((C.RADIAL, LEFT, head) for head in (0, 1)),
        *((check, LEFT, 0) for check in (C.HYSTERESIS, C.SPEED)),
    ]


@pytest.mark.parametrize(
    ("checks", "stages"),
    [
        ({C.SPEED}, [FOUND, WORK, LEFT]),
        ({C.HYSTERESIS}, [FOUND]),
        ({C.HYSTERESIS, C.ADJUST}, [FOUND, WORK, LEFT]),
        ({C.HYSTERESIS, C.LOCK}, [FOUND, WORK, LEFT]),
        (set(), []),
    ],
)
def test_as_left_is_measured_what_may_have_been_moved(checks, stages):
    assert [each.stage for each in plan_for(PROFILE, checks)] == stages


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
