"""Calibration on the bench: what each check asks, finds and refuses."""

import math
from dataclasses import replace

import pytest
from scipy import stats

from app.analysis.adjust.calibration import TOO_NEAR
from app.analysis.results import Verdict
from app.job import messages
from app.job.checks.gauge import PLACE
from app.job.model import Action, CheckName, Stage
from app.job.plan import Planned, plan_for
from tests.app.job.hands import PROFILE, ScriptedDrive, job_on


def calibrated(check, drive, profile=PROFILE, **entries):
    drive.entries.update({name.replace("_", " "): value for name, value in entries.items()})
    job, kept = job_on(drive, plan=[Planned(check, Stage.WORK)], profile=profile)
    (outcome,) = kept.outcomes
    return outcome, job


@pytest.mark.parametrize("scale_um", [176.0, 205.0])
def test_the_scale_is_that_of_the_disk_and_the_head_goes_back(scale_um):
    drive = ScriptedDrive(middle_um=30.0, creep_um=9.0)
    drive.scale_um = scale_um
    outcome, job = calibrated(CheckName.SCALE, drive)
    assert outcome.value == pytest.approx(scale_um, rel=1e-3)
    assert abs(outcome.value - scale_um) <= outcome.expanded_u
    # Places of 3 µm, seven of them over six fifths of the nominal scale: u of the slope by
    # least squares is u/sqrt(sum of squares), and of the gauge's scale 1 %.
    reach_um = 0.2 * PROFILE.scale_um * math.sqrt(sum(k * k for k in range(-3, 4)))
    assert outcome.budget[0].u == pytest.approx(3.0 / reach_um * scale_um, rel=0.45)
    assert outcome.budget[1].u == pytest.approx(0.01 * scale_um, rel=1e-3)
    assert (outcome.verdict, outcome.limit) == (Verdict.NOTED, None)
    assert abs(drive.middle_um - 30.0) <= 4.0
    assert job.drive.loose is False
    # The clamp makes a scale of its own each time: the disk is seated anew at each place.
    assert [each.action for each in drive.done].count(Action.RESEAT) == 7
    assert next(each.value for each in outcome.details if each.name == "places") == 7


def test_a_head_that_ends_just_as_near_as_is_asked_is_left_there():
    # No nearer than a place by the gauge is known: to 3 µm where its u is left open.
    for creep_um, times in ((3.0, 1), (3.1, 2)):
        drive = ScriptedDrive(middle_um=0.0, backlash_um=0.0, creep_um=creep_um)
        calibrated(CheckName.SCALE, drive)
        assert [each.action for each in drive.done].count(Action.TIGHTEN) == times


def test_a_head_that_does_not_move_gives_no_scale():
    class Stuck(ScriptedDrive):
        gauge_um = 0.0

        def _do(self, ask):
            if ask.action is Action.NUDGE:
                self.gauge_um += ask.amount
            else:
                super()._do(ask)

        def _enter(self, ask):
            return self.gauge_um if ask.key == PLACE else super()._enter(ask)

    outcome, job = calibrated(CheckName.SCALE, Stuck(middle_um=20.0))
    assert (outcome.value, outcome.reason) == (None, str(TOO_NEAR))
    assert not job.may_close


def test_the_zero_is_what_a_known_head_reads_beside_what_it_is():
    shifts_um = [1.0, -1.5, 0.5, 2.0, 0.0]
    drive = ScriptedDrive(middle_um=0.0, backlash_um=0.0)
    drive.zero_shifts_um = [5.0 + each for each in shifts_um]
    told = {"check standard's offset": 2.0, "u of the check standard": 0.5}
    drive.entries.update(told)
    outcome, _ = calibrated(CheckName.ZERO, drive)
    assert outcome.value == pytest.approx(5.0 + sum(shifts_um) / 5.0 - 2.0)
    parts = {part.name: part for part in outcome.budget}
    assert parts["seatings"].u == pytest.approx(stats.sem(shifts_um))
    assert (parts["seatings"].dof, parts["check standard"].u) == (4.0, 0.5)
    assert parts["temperature"].u > 0.0
    assert outcome.expanded_u > 2.0 * stats.sem(shifts_um)


def test_a_check_standard_of_which_nothing_is_known_gives_no_zero():
    outcome, _ = calibrated(CheckName.ZERO, ScriptedDrive())
    assert (outcome.value, outcome.reason) == (None, str(messages.STANDARD_UNTOLD))


class TwoDisks(ScriptedDrive):
    working_um = 7.0

    def _do(self, ask):
        super()._do(ask)
        if ask.action in (Action.INSERT_ALIGNMENT, Action.INSERT_COVERED):
            working = ask.action is Action.INSERT_COVERED
            self.zero_um = (self.working_um if working else 0.0) + self.zero_shifts_um.pop(0)


def test_a_working_disk_is_told_by_the_original():
    drive = TwoDisks(middle_um=10.0, backlash_um=0.0)
    drive.zero_shifts_um = [0.5, 0.0, -0.5, 1.0, 0.0, -1.0]
    outcome, job = calibrated(CheckName.WORKING_DISK, drive)
    assert outcome.value == pytest.approx(7.0)
    # Welch: 0.5/sqrt(3) and 1/sqrt(3).
    assert outcome.budget[0].u == pytest.approx(math.sqrt((0.25 + 1.0) / 3.0))
    assert job.nudges == 0
    actions = [each.action for each in drive.done]
    # An insertion seats a disk; the original's are counted, and a working disk's wear it not.
    assert Action.RESEAT not in actions
    assert actions.count(Action.INSERT_ALIGNMENT) == actions.count(Action.INSERT_COVERED) == 3
    assert Action.LOOSEN not in actions


@pytest.mark.parametrize(("u_um", "counts_um"), [(0.4, 0.4), (None, 3.5 / math.sqrt(3.0))])
def test_a_working_disk_s_zero_is_from_the_original_s_that_is_told(u_um, counts_um):
    drive = TwoDisks(middle_um=10.0, backlash_um=0.0)
    drive.zero_shifts_um = [0.5, 0.0, -0.5, 1.0, 0.0, -1.0]
    drive.entries.update({"zero of the original": -2.5, "u of the original": u_um})
    outcome, _ = calibrated(CheckName.WORKING_DISK, drive)
    assert outcome.value == pytest.approx(7.0 - 2.5)
    parts = {part.name: part for part in outcome.budget}
    assert parts["zero of the original"].u == pytest.approx(counts_um)


def test_where_the_original_s_zero_is_not_told_that_of_the_class_counts():
    drive = TwoDisks(middle_um=10.0, backlash_um=0.0)
    drive.zero_shifts_um = [0.5, 0.0, -0.5, 1.0, 0.0, -1.0]
    track = PROFILE.alignment_track
    stated = {"zero_um": (3.0,), "zero_u_um": (0.6,), "zero_tracks": (track,), "zero_heads": (0,)}
    outcome, _ = calibrated(CheckName.WORKING_DISK, drive, replace(PROFILE, **stated))
    assert outcome.value == pytest.approx(7.0 + 3.0)
    parts = {part.name: part for part in outcome.budget}
    assert parts["zero of the original"].u == pytest.approx(0.6)


def test_what_leaves_nothing_uncertain_is_no_part_of_the_budget():
    drive = TwoDisks(middle_um=10.0, backlash_um=0.0)
    drive.working_um, drive.zero_shifts_um = 0.0, [0.0] * 6
    outcome, _ = calibrated(CheckName.WORKING_DISK, drive)
    assert outcome.value == pytest.approx(0.0)
    # Neither seatings that are all alike nor the scale of a difference of nought.
    assert [part.name for part in outcome.budget] == ["zero of the original"]


@pytest.mark.parametrize("check", [CheckName.SCALE, CheckName.ZERO, CheckName.WORKING_DISK])
def test_it_is_done_only_where_it_is_asked_for(check):
    assert check not in {each.check for each in plan_for(PROFILE)}
    heads = [each.head for each in plan_for(PROFILE, (check,))]
    assert heads[:2] == ([0] if check is CheckName.SCALE else [0, 1])
