"""The order of a job: steps, answers, going back, and what may be closed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from app.analysis.results import (
    IndexFinding,
    Measurand,
    Measurement,
    Message,
    Quantity,
    Verdict,
)
from app.job import messages
from app.job.model import (
    Action,
    CheckName,
    Enter,
    JobOptions,
    Measure,
    Stage,
    checked_answer,
    values_of,
)
from app.job.plan import Planned, StepState, plan_for
from tests.app.job.hands import PROFILE, ScriptedDrive, carry_out, job_on

SHORT = plan_for(PROFILE, (CheckName.RADIAL, CheckName.HYSTERESIS, CheckName.ADJUST))


def test_a_drive_goes_from_far_off_to_the_line():
    drive = ScriptedDrive(middle_um=60.0, backlash_um=8.0)
    job, kept = job_on(drive, plan=SHORT)
    assert drive.middle_um == pytest.approx(0.0, abs=4.0)
    assert job.as_found.offset_um.value == pytest.approx(60.0, abs=0.01)
    assert job.as_found.hysteresis_um.value == pytest.approx(8.0, abs=0.01)
    assert abs(job.as_left.offset_um.value) < 4.0
    # A trial that shows which way is outward, and a second nudge where the first was cut short.
    assert 1 <= job.nudges <= 2
    assert [each.check for each in kept.outcomes] == [each.check for each in SHORT]
    assert job.step is None
    assert job.may_close


def test_a_head_with_one_lobe_left_is_brought_back_by_the_side_alone():
    drive = ScriptedDrive(middle_um=-170.0, backlash_um=12.0)
    job, _ = job_on(drive, plan=SHORT)
    first = job.outcomes[0]
    assert first.verdict is Verdict.FAIL
    assert first.value is None
    assert "one lobe" in first.reason
    assert abs(drive.middle_um) < 4.0
    assert job.as_found.hysteresis_um is None
    assert job.as_left.hysteresis_um.value == pytest.approx(12.0, abs=0.01)


def test_a_measurement_is_kept_the_moment_that_it_was_answered():
    job, kept = job_on(plan=SHORT)
    drive = ScriptedDrive()
    while not isinstance(job.ask, Measure):
        job.answer(drive.answer(job.ask))
    assert kept.taken == []
    job.answer(drive.answer(job.ask))
    (entry,) = kept.taken
    assert (entry.check, entry.stage, entry.label) == (
        CheckName.RADIAL,
        Stage.AS_FOUND,
        "side 0",
    )
    assert entry.source == "scripted"
    assert entry.track == PROFILE.alignment_track
    assert {value.name: value.unit for value in entry.values}["offset"] == "µm"


def test_skipping_wants_a_reason_and_keeps_it():
    job, kept = job_on(plan=SHORT)
    with pytest.raises(ValueError, match="for a reason"):
        job.skip("  ")
    job.skip("the head of side 0 is missing")
    assert job.steps[0].state is StepState.SKIPPED
    assert kept.outcomes[0].reason == "the head of side 0 is missing"
    assert job.at == 1


def test_the_last_answer_can_be_taken_back():
    drive = ScriptedDrive()
    job, kept = job_on(plan=[Planned(CheckName.HYSTERESIS, Stage.AS_FOUND)])
    assert not job.can_undo
    with pytest.raises(ValueError, match="no answer"):
        job.undo()
    carry_out(job, drive, asks=4)
    asked = job.ask
    stands = job.drive
    job.answer(drive.answer(asked))
    job.undo()
    assert job.ask == asked
    assert job.drive == stands
    carry_out(job, drive)
    assert kept.outcomes[0].value == pytest.approx(8.0, abs=0.01)


def test_a_nudge_taken_back_does_not_count():
    drive = ScriptedDrive()
    job, _ = job_on(plan=[Planned(CheckName.ADJUST, Stage.WORK)])
    while getattr(job.ask, "action", None) is not Action.NUDGE:
        carry_out(job, drive, asks=1)
    job.answer(True)
    assert job.nudges == 1
    job.undo()
    assert job.nudges == 0


def test_going_to_another_step_and_back_loses_nothing_that_was_kept():
    drive = ScriptedDrive()
    job, kept = job_on(plan=SHORT)
    carry_out(job, drive, asks=2)
    job.go_to(2)
    assert job.steps[0].state is StepState.PENDING
    assert job.step.check is CheckName.HYSTERESIS
    carry_out(job, drive)
    assert {step.state for step in job.steps} == {StepState.DONE}
    assert len(kept.outcomes) == len(SHORT)


def test_as_found_is_never_overwritten():
    drive = ScriptedDrive(middle_um=60.0)
    job, kept = job_on(drive, plan=SHORT)
    found = job.as_found
    job.repeat(0)
    assert job.step.stage is Stage.WORK
    assert len(job.steps) == len(SHORT) + 1
    carry_out(job, drive)
    assert job.as_found == found
    assert kept.outcomes[0].stage is Stage.AS_FOUND
    assert kept.outcomes[-1].stage is Stage.WORK


def test_before_the_work_a_check_can_be_done_again_as_found():
    drive = ScriptedDrive(middle_um=60.0)
    job, kept = job_on(plan=SHORT)
    carry_out(job, drive, asks=3)
    job.repeat(0)
    assert job.at == 1
    assert job.step.stage is Stage.AS_FOUND
    carry_out(job, drive)
    assert len(kept.outcomes) == len(SHORT) + 1


def test_an_open_failure_is_not_closed_without_a_reason():
    drive = ScriptedDrive(middle_um=60.0)
    job, _ = job_on(drive, plan=[Planned(CheckName.RADIAL, Stage.AS_FOUND)])
    assert [each.check for each in job.open_failures] == [CheckName.RADIAL]
    with pytest.raises(ValueError, match="give a reason"):
        job.close()
    job.close("the owner wants it back as it is")
    assert job.closed
    assert job.closing_reason == "the owner wants it back as it is"


def test_closing_early_skips_the_rest_for_the_reason():
    job, kept = job_on(plan=SHORT)
    job.close("power failed")
    assert {each.verdict for each in kept.outcomes} == {Verdict.SKIPPED}
    assert {each.reason for each in kept.outcomes} == {"power failed"}
    assert job.ask is None


def test_an_answer_that_cannot_stand_is_refused_and_asked_again():
    job, _ = job_on(plan=SHORT)
    asked = job.ask
    with pytest.raises(ValueError, match="once it has been done"):
        job.answer(3.0)
    assert job.ask is asked


def test_what_is_no_answer_to_a_measurement_or_a_choice_is_refused():
    ask = Measure(Measurand.SPEED, messages.TAKING_SPEED, "side 0", 10, 16, 0)
    with pytest.raises(ValueError, match="“side 0” is answered by a measurement"):
        checked_answer(ask, 3.0)
    ask = Enter("stand", messages.SEEK, choices=("left", "right"))
    assert checked_answer(ask, "right") == "right"
    with pytest.raises(ValueError, match="“up” cannot be chosen; choose left or right"):
        checked_answer(ask, "up")


def test_without_a_step_in_hand_nothing_is_answered_or_left_out():
    job, _ = job_on(ScriptedDrive(middle_um=0.0), plan=[Planned(CheckName.SPEED, Stage.AS_FOUND)])
    assert job.ask is None
    with pytest.raises(ValueError, match="nothing is asked; go to a step first"):
        job.answer(True)
    with pytest.raises(ValueError, match="no step is in hand; go to a step first"):
        job.skip("no power")
    with pytest.raises(ValueError, match="this step has been done; repeat it"):
        job.go_to(0)


def test_nudging_stops_when_the_nudges_are_used_up():
    class Stuck(ScriptedDrive):
        def _do(self, ask):
            before = self.middle_um
            super()._do(ask)
            self.middle_um = before

    job, _ = job_on(
        Stuck(),
        plan=[Planned(CheckName.ADJUST, Stage.WORK)],
        options=JobOptions(most_nudges=3),
    )
    (outcome,) = job.outcomes
    assert outcome.verdict is Verdict.FAIL
    assert "all 3 nudges" in outcome.reason


def test_the_needles_zero_follows_the_side_of_the_last_arrival():
    drive = ScriptedDrive(middle_um=10.0, backlash_um=8.0)
    job, _ = job_on(drive, plan=[Planned(CheckName.HYSTERESIS, Stage.AS_FOUND)])
    # It arrived from the inner side last, and so rests half the hysteresis inward.
    assert job.zero_um == pytest.approx(-4.0, abs=0.01)


def test_a_head_on_the_line_is_left_alone():
    drive = ScriptedDrive(middle_um=1.5, backlash_um=8.0)
    job, kept = job_on(drive, plan=SHORT)
    assert job.nudges == 0
    assert Action.LOOSEN not in [ask.action for ask in drive.done]
    (adjust,) = [each for each in kept.outcomes if each.check is CheckName.ADJUST]
    assert "left as it is" in adjust.reason


def test_adjusting_again_has_nudges_again():
    class Stuck(ScriptedDrive):
        stuck = True

        def _do(self, ask):
            before = self.middle_um
            super()._do(ask)
            self.middle_um = before if self.stuck else self.middle_um

    drive = Stuck()
    plan = [Planned(CheckName.ADJUST, Stage.WORK)]
    job, kept = job_on(drive, plan=plan, options=JobOptions(most_nudges=3))
    assert not job.may_close
    drive.stuck = False
    job.repeat(0)
    carry_out(job, drive)
    assert abs(drive.middle_um) <= 4.0
    assert kept.outcomes[-1].verdict is Verdict.PASS
    assert job.may_close


def test_which_way_round_is_outward_is_learned_from_the_first_nudge():
    drive = ScriptedDrive(middle_um=60.0)
    _, kept = job_on(drive, plan=[Planned(CheckName.ADJUST, Stage.WORK)])
    nudges = [ask for ask in drive.done if ask.action is Action.NUDGE]
    assert "clockwise" in str(nudges[0].message)
    assert nudges[0].amount < 0.0
    # It was asked to turn clockwise, and went inward.
    assert "counter-clockwise is outward" in kept.outcomes[0].reason
    # 60 µm are 60 / (529.1667 / 1.8) = 0.204 degrees; at 22 mm 0.078 mm.
    assert "0.20°: 0.078 mm" in str(nudges[0].message)


CARED = plan_for(
    PROFILE,
    (CheckName.CARE, CheckName.RADIAL, CheckName.HYSTERESIS, CheckName.ADJUST, CheckName.LOCK),
)


@pytest.mark.parametrize("asks", range(0, 90, 7))
def test_a_job_that_was_left_anywhere_is_gone_on_with(asks):
    drive = ScriptedDrive(middle_um=60.0, backlash_um=8.0, creep_um=5.0)
    drive.entries["write refused"] = "yes"
    first, kept = job_on(plan=CARED, options=JobOptions(arrivals=2))
    carry_out(first, drive, asks=asks)
    found, ended = first.as_found, first.outcomes
    # The next day the drive is taken out of the shelf again, wherever its head is.
    drive.sided = -1.0
    second, kept = job_on(left=kept)
    assert second.outcomes == ended
    assert second.nudges == first.nudges
    assert second.step.check is CheckName.CARE
    assert (second.drive.disk, second.drive.arrived) == (None, None)
    assert second.drive.loose == first.drive.loose
    carry_out(second, drive)
    assert abs(drive.middle_um) < 4.0
    assert second.may_close
    assert second.outcomes[: len(ended)] == ended
    assert found.hysteresis_um is None or second.as_found == found
    assert second.as_found.offset_um.value == pytest.approx(60.0, abs=0.01)
    arrivals = [each for each in kept.entries if each.label.startswith("from")]
    assert {each.label[-1] for each in arrivals} <= {"1", "2"}


def test_a_job_without_cautions_goes_on_with_its_next_check():
    drive = ScriptedDrive()
    first, kept = job_on(plan=SHORT)
    carry_out(first, drive, asks=4)
    second, _ = job_on(left=kept)
    assert second.at == first.at == 1
    # The disk may have been taken out.
    assert second.ask.action is Action.INSERT_ALIGNMENT


def test_cautions_that_were_not_ended_are_not_asked_for_twice():
    first, kept = job_on(plan=CARED)
    carry_out(first, ScriptedDrive(), asks=2)
    second, kept = job_on(left=kept)
    third, _ = job_on(left=kept)
    for job in (second, third):
        assert [step.check for step in job.steps].count(CheckName.CARE) == 1
        assert job.step.check is CheckName.CARE


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"steps": ()}, "no steps"),
        ({"outcome": 9}, "not there"),
        ({"outcome": None}, "denies"),
        ({"check": CheckName.INDEX}, "of another"),
        ({"state": StepState.IN_HAND}, "denies"),
    ],
)
def test_a_standing_that_cannot_be_is_refused(change, said):
    _, kept = job_on(ScriptedDrive(), plan=SHORT)
    standing = kept.standings[-1]
    if "steps" not in change:
        change = {"steps": (replace(standing.steps[0], **change), *standing.steps[1:])}
    kept.standings.append(replace(standing, **change))
    with pytest.raises(ValueError, match=said):
        job_on(left=kept)


def test_what_was_measured_as_left_is_measured_again_after_another_move():
    drive = ScriptedDrive(middle_um=60.0, creep_um=3.0)
    checks = (
        CheckName.SPEED,
        CheckName.RADIAL,
        CheckName.HYSTERESIS,
        CheckName.ADJUST,
        CheckName.LOCK,
    )
    job, _ = job_on(drive, plan=plan_for(PROFILE, checks))
    assert job.may_close
    left, steps = job.as_left, len(job.steps)
    lock = next(place for place, step in enumerate(job.steps) if step.check is CheckName.LOCK)
    drive.middle_um = 50.0
    job.repeat(lock - 1)
    carry_out(job, drive, asks=1)
    while job.step.check is CheckName.ADJUST:
        carry_out(job, drive, asks=1)
    # Nothing that was measured before the move counts as left until it is measured again.
    again = [(step.check, step.head) for step in job.steps[steps + 1 :]]
    assert again == [
        *((CheckName.RADIAL, side) for side in range(PROFILE.sides)),
        *((CheckName.HYSTERESIS, side) for side in range(PROFILE.sides)),
    ]
    job.close("the end of the day")
    assert (job.as_left.offset_um, job.as_left.hysteresis_um) == (None, None)
    assert job.as_left.speed_rpm == left.speed_rpm


def test_a_head_that_is_left_alone_leaves_what_was_measured():
    drive = ScriptedDrive(middle_um=1.0)
    job, _ = job_on(drive, plan=SHORT)
    steps = len(job.steps)
    adjust = next(place for place, step in enumerate(job.steps) if step.check is CheckName.ADJUST)
    job.repeat(adjust)
    carry_out(job, drive)
    assert len(job.steps) == steps + 1
    assert job.may_close


def test_speed_that_is_trimmed_again_is_measured_again_as_left():
    drive = ScriptedDrive(speed_rpm=320.0)
    job, _ = job_on(drive, plan=plan_for(PROFILE, (CheckName.SPEED,)))
    assert [step.stage for step in job.steps] == [Stage.AS_FOUND, Stage.WORK, Stage.AS_LEFT]
    drive.speed_rpm = 310.0
    job.repeat(2)
    carry_out(job, drive)
    assert job.open_failures
    job.repeat(1)
    carry_out(job, drive)
    assert job.may_close
    assert job.steps[-1].stage is Stage.AS_LEFT
    assert job.as_left.speed_rpm.value == pytest.approx(drive.speed_rpm)


def test_checks_are_done_once_more_in_the_order_of_the_job():
    drive = ScriptedDrive(middle_um=60.0)
    job, _ = job_on(drive, plan=SHORT)
    steps = len(job.steps)
    job.again((CheckName.HYSTERESIS, CheckName.ADJUST))
    fresh = [(step.check, step.stage) for step in job.steps[steps:]]
    assert fresh == [
        (CheckName.ADJUST, Stage.WORK),
        *[(CheckName.HYSTERESIS, Stage.AS_LEFT)] * PROFILE.sides,
    ]
    assert job.step.check is CheckName.ADJUST
    carry_out(job, drive)
    assert job.may_close


def test_what_was_found_of_the_index_has_names_and_units():
    found = Measurement(Measurand.INDEX, index=IndexFinding(Quantity(210.0, 0.5), 1.5, 10))
    assert [(each.name, each.value, each.unit) for each in values_of(found)] == [
        ("index to burst", 210.0, "µs"),
        ("scatter", 1.5, "µs"),
    ]


@pytest.mark.parametrize(
    ("ends", "said"),
    [
        ((5.0, 40.0), "enter one from 5 to 40, or nothing"),
        ((5.0, None), "enter one, or nothing"),
        ((None, 40.0), "enter one, or nothing"),
    ],
)
def test_what_is_no_number_is_refused_with_the_range_where_there_is_one(ends, said):
    with pytest.raises(ValueError, match=f"“warm” is not a number; {said}"):
        checked_answer(Enter("room", Message("How warm?"), "°C", *ends), "warm")


@pytest.mark.parametrize(("number", "taken"), [(0, True), (50, True), (-0.1, False), (50.1, False)])
def test_a_number_is_taken_up_to_its_limits_and_no_further(number, taken):
    ask = Enter("room", Message("How warm?"), "°C", 0.0, 50.0)
    if taken:
        assert checked_answer(ask, number) == number
        return
    with pytest.raises(ValueError, match="cannot be; enter 0 to 50"):
        checked_answer(ask, number)
