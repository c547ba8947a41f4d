"""Where a job's measurements come from: what is never mixed, what is asked about, what is kept."""

from __future__ import annotations

from dataclasses import replace

import pytest

from app.job.job import SOURCE_CHANGED
from app.job.model import INSISTED, UNSEEN, Action, CheckName, Do, Measure, Stage
from app.job.origin import Origin
from app.job.plan import Planned
from app.job.verdicts import what_next
from tests.app.job.hands import PROFILE, ScriptedDrive, job_on

REAL = Origin("visa:bench", False, "Maker,Model,1,1.0", PROFILE.name, (("range", "0.2 V"),))
VIRTUAL = Origin("sim:", True, profile=PROFILE.name)
PLAN = [Planned(CheckName.RADIAL, Stage.AS_FOUND), Planned(CheckName.RADIAL, Stage.AS_FOUND, 1)]


def to_the_measurement(job, drive):
    while not isinstance(job.ask, Measure):
        job.answer(drive.answer(job.ask))


@pytest.mark.parametrize(
    ("begun", "now", "order"),
    [
        (REAL, VIRTUAL, ("a real drive", "the virtual drive")),
        (VIRTUAL, REAL, ("the virtual drive", "a real one")),
    ],
)
def test_the_virtual_drive_and_a_real_one_are_never_in_one_job(begun, now, order):
    refused = str(begun.refusal(now))
    assert refused.index(order[0]) < refused.index(order[1])
    assert "begin a new job" in refused
    assert begun.refusal(replace(begun, source="other")) is None


def test_no_measurement_of_the_virtual_drive_gets_into_a_real_job():
    drive = ScriptedDrive()
    job, kept = job_on(plan=PLAN)
    to_the_measurement(job, drive)
    found = drive.answer(job.ask)
    for wrong in (VIRTUAL, replace(VIRTUAL, source="scripted")):
        with pytest.raises(ValueError, match="virtual drive"):
            job.answer(found, wrong)
        with pytest.raises(ValueError, match="virtual drive"):
            job.move_to(wrong)
    assert kept.taken == []
    assert isinstance(job.ask, Measure)


def test_a_measurement_by_another_class_is_refused():
    drive = ScriptedDrive()
    job, kept = job_on(plan=PLAN)
    to_the_measurement(job, drive)
    other = Origin("scripted", profile="90mm-135tpi")
    with pytest.raises(ValueError, match="90mm-135tpi"):
        job.answer(drive.answer(job.ask), other)
    assert kept.taken == []


def test_every_measurement_is_stamped_with_what_it_was_read_from():
    drive = ScriptedDrive()
    job, kept = job_on(plan=PLAN)
    here = Origin("scripted", False, "Maker,Model,1,1.0", PROFILE.name, (("range", "0.2 V"),))
    to_the_measurement(job, drive)
    job.answer(drive.answer(job.ask), here)
    to_the_measurement(job, drive)
    job.answer(drive.answer(job.ask), replace(here, settings=(("range", "0.5 V"),)))
    stamped = [(e.source, e.virtual, e.instrument, e.profile, e.settings) for e in kept.taken]
    of = ("scripted", False, "Maker,Model,1,1.0", PROFILE.name)
    assert stamped == [(*of, (("range", "0.2 V"),)), (*of, (("range", "0.5 V"),))]
    assert len({entry.taken_at for entry in kept.taken}) == 2


@pytest.mark.parametrize(
    "other",
    [
        Origin("visa:other", profile=PROFILE.name),
        Origin("scripted", instrument="Maker,Model,2,1.0", profile=PROFILE.name),
    ],
)
def test_another_source_is_accepted_by_word_alone_and_kept(other):
    drive = ScriptedDrive()
    job, kept = job_on(plan=PLAN)
    to_the_measurement(job, drive)
    job.answer(drive.answer(job.ask), Origin("scripted", False, "Maker,Model,1,1.0", PROFILE.name))
    to_the_measurement(job, drive)
    found = drive.answer(job.ask)
    with pytest.raises(ValueError, match="the source was"):
        job.answer(found, other)
    job.move_to(other)
    job.answer(found, other)
    told = kept.taken[1]
    assert (told.label, told.source) == (SOURCE_CHANGED, other.source)
    assert "the source was" in told.notes[0]
    assert kept.taken[2].source == other.source
    # On another day it is the newest that counts.
    assert kept.standings[-1].source == other.source
    again, _ = job_on(plan=PLAN, left=kept)
    assert again.origin.change(other) is None
    assert again.origin.change(replace(other, source="third")) is not None


def test_a_head_that_never_moved_does_not_pass_the_hysteresis():
    job, kept = job_on(plan=[Planned(CheckName.HYSTERESIS, Stage.AS_FOUND)])
    drive = ScriptedDrive(backlash_um=0.0)
    while job.ask is not None:
        arrives = isinstance(job.ask, Do) and job.ask.noticed
        job.answer(INSISTED if arrives else drive.answer(job.ask))
    outcome = job.outcomes[0]
    assert outcome.verdict == "undecided"
    assert "nothing was seen to move at 6 of 6 arrivals" in outcome.reason
    assert outcome.detail(UNSEEN).value == 6.0
    # The number keeps clear of its limit: more seatings or a calibrated scale would not help.
    assert "step off the track and back" in str(what_next(outcome))
    assert all("by the word of the hand alone" in entry.notes[0] for entry in kept.taken)


def test_a_seating_that_was_not_seen_is_marked():
    job, kept = job_on(plan=[Planned(CheckName.SEATING, Stage.AS_FOUND)])
    drive = ScriptedDrive()
    seated = 0
    while job.ask is not None:
        if isinstance(job.ask, Do) and job.ask.action is Action.RESEAT:
            seated += 1
            job.answer(INSISTED if seated == 2 else True)
        else:
            job.answer(drive.answer(job.ask))
    marked = ["by the word of the hand alone" in "".join(entry.notes) for entry in kept.taken]
    assert marked == [False, True, False, False, False]
    assert job.outcomes[0].reason.startswith("nothing was seen to move at 1 of 5 seatings; ")
