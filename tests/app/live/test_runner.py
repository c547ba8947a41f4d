"""A job led by its runner: what is measured, watched for and cancelled, whoever answers."""

from __future__ import annotations

import pytest

from app.job.model import CheckName, Do, Measure, Stage
from app.job.plan import Planned, StepState
from app.live.measurement import MeasurementProgress
from app.live.runner import JobRunner
from tests.app.job.hands import ScriptedDrive, job_on

SETTINGS = (("range", "0.2 V"),)


class Bench:
    """Measures on a scripted drive what it is asked for, once it is told to."""

    def __init__(self):
        self.drive = ScriptedDrive()
        self.request = None
        self.now = MeasurementProgress()

    def measure(self, request):
        self.request, self.now = request, MeasurementProgress()

    def progress(self):
        return None if self.request is None else self.now

    def cancel_measurement(self):
        self.request = None

    def finish(self, ask):
        self.now = MeasurementProgress(1.0, self.drive.answer(ask), settings=SETTINGS)


def led(*checks):
    bench = Bench()
    job, kept = job_on(plan=[Planned(check, Stage.AS_FOUND) for check in checks])
    return JobRunner(job, bench), bench, kept


def to_the_measurement(runner, bench):
    """Answer for the hands until something is to be measured."""
    while isinstance(runner.job.ask, Do):
        runner.answer(bench.drive.answer(runner.job.ask))
    ask = runner.job.ask
    assert isinstance(ask, Measure)
    return ask


def test_what_is_asked_for_is_measured_and_is_the_answer():
    runner, bench, kept = led(CheckName.RADIAL)
    ask = to_the_measurement(runner, bench)
    runner.measure()
    assert (bench.request.measurand, bench.request.track) == (ask.measurand, ask.track)
    assert (bench.request.turns, bench.request.side) == (ask.turns, ask.head)
    assert (runner.part, runner.poll()) == (0.0, None)
    bench.now = MeasurementProgress(0.5)
    assert runner.poll().part == runner.part == 0.5
    bench.finish(ask)
    assert runner.poll().measurement is not None
    assert (runner.part, bench.request) == (None, None)
    assert [(entry.label, entry.settings) for entry in kept.entries] == [(ask.label, SETTINGS)]
    assert runner.job.steps[0].state is StepState.DONE


@pytest.mark.parametrize(
    ("ends", "fault"),
    [
        (lambda bench: bench.cancel_measurement(), "changed"),
        (lambda bench: setattr(bench, "now", MeasurementProgress(fault="went away")), "went away"),
    ],
)
def test_a_measurement_that_comes_to_nothing_says_why_and_is_asked_for_again(ends, fault):
    runner, bench, kept = led(CheckName.RADIAL)
    ask = to_the_measurement(runner, bench)
    runner.measure()
    ends(bench)
    assert fault in runner.poll().fault
    assert (runner.part, runner.poll(), runner.job.ask, kept.entries) == (None, None, ask, [])
    runner.measure()
    assert runner.part == 0.0


@pytest.mark.parametrize(
    "done",
    [
        lambda runner: runner.cancel(),
        lambda runner: runner.undo(),
        lambda runner: runner.skip("no disk"),
        lambda runner: runner.take_up(1),
        lambda runner: runner.close("no disk"),
    ],
)
def test_going_elsewhere_cancels_the_measurement(done):
    runner, bench, kept = led(CheckName.RADIAL, CheckName.SPEED)
    ask = to_the_measurement(runner, bench)
    runner.measure()
    bench.finish(ask)
    done(runner)
    assert (runner.part, runner.poll(), bench.request, kept.entries) == (None, None, None, [])


def test_an_answer_that_cannot_be_leaves_all_as_it_is():
    runner, bench, _ = led(CheckName.RADIAL)
    ask = to_the_measurement(runner, bench)
    runner.measure()
    with pytest.raises(ValueError, match="answered by a measurement"):
        runner.answer(True)
    assert (runner.job.ask, runner.part) == (ask, 0.0)


def test_a_measurement_in_the_same_step_follows_of_itself():
    runner, bench, _ = led(CheckName.HYSTERESIS, CheckName.SPEED)
    follows = []
    while runner.job.at == 0:
        ask = runner.job.ask
        runner.answer(bench.drive.answer(ask))
        follows.append((isinstance(runner.job.ask, Measure), runner.job.at == 0, runner.follows))
    assert all(told == (measured and same) for measured, same, told in follows)
    # The speed that comes next is of another step: the hands may first do something else.
    assert follows[-1] == (True, False, False)


def test_a_step_that_was_done_is_taken_up_as_a_new_one():
    runner, bench, _ = led(CheckName.RADIAL, CheckName.SPEED)
    while runner.job.at == 0:
        runner.answer(bench.drive.answer(runner.job.ask))
    runner.take_up(0)
    states = [step.state for step in runner.job.steps]
    assert states == [StepState.DONE, StepState.IN_HAND, StepState.PENDING]
    runner.take_up(2)
    assert runner.job.steps[2].state is StepState.IN_HAND
