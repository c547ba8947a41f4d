"""The line that steps for a job, on a line and a watch that a test plays."""

from __future__ import annotations

import threading

import pytest

from app.analysis.adjust.positioner import ArrivalWatch
from app.analysis.messages import NO_CARRIER
from app.job import messages
from app.job.model import Action, CheckName, Do, Stage
from app.job.plan import Planned
from app.live import stepping
from app.live.runner import JobRunner
from app.live.stepping import Stepping
from instruments.steps import protocol
from instruments.steps.line import StepsFault
from instruments.steps.protocol import Standing
from tests.app.bench import until
from tests.app.dashboard.fakes import parked, reading
from tests.app.job.hands import job_on
from tests.app.live.test_runner import Bench

SEEK = Do(Action.SEEK, messages.SEEK, track=16, head=1)
OUTSIDE = Do(Action.ARRIVE_FROM_OUTSIDE, messages.FROM_OUTSIDE, track=16, noticed=True, via=14)
INSIDE = Do(Action.ARRIVE_FROM_INSIDE, messages.FROM_INSIDE, track=16, noticed=True, via=18)
LOOSEN = Do(Action.LOOSEN, messages.LOOSEN)


class Line:
    """Does what it is asked, and remembers it; `fails` at a command, and waits for `go` at each."""

    name = "serial:port"
    rate_hz = 100.0

    def __init__(self):
        self.standing = Standing()
        self.is_open = False
        self.words = []
        self.fails = ""
        self.go = threading.Event()
        self.go.set()

    def open(self):
        self.is_open, self.standing = True, Standing(None, self.standing.head, self.standing.motor)
        self.words.append("hello")

    def ask(self, command):
        assert self.go.wait(60.0)
        if command.words == self.fails:
            self.close()
            raise StepsFault("steps “serial:port”: it was pulled", moved=command.moves)
        if command is not protocol.WHERE:
            self.words.append(command.words)
        self.standing = command.brings(self.standing)
        return self.standing

    def close(self):
        self.is_open = False


class Clock:
    now_s = 100.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def line(monkeypatch):
    made = Line()
    monkeypatch.setattr(stepping, "steps_line", lambda address: made)
    return made


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def wired(line, clock):
    return Stepping("serial:port", clock)


def tended(wired, ask, arrival=None):
    """Tend until the line waits for something else than a movement; returns whether it is done."""
    assert not wired.tend(ask, arrival)
    done = []
    until(lambda: done.append(wired.tend(ask, arrival)) or wired.aim is None, "the head")
    return done[-1]


def test_a_seek_is_done_with_the_motor_on_and_the_head_selected(wired, line):
    assert wired.takes(SEEK)
    assert tended(wired, SEEK)
    assert line.words == ["hello", "motor on", "head 1", "seek 16"]
    again = Do(Action.SEEK, messages.SEEK, track=34, head=1)
    assert tended(wired, again)
    assert line.words[4:] == ["seek 34"]


@pytest.mark.parametrize(
    ("ask", "off", "back"),
    [(OUTSIDE, "step out 2 100", "step in 2 100"), (INSIDE, "step in 2 100", "step out 2 100")],
)
def test_an_arrival_goes_on_by_what_is_seen(wired, line, ask, off, back):
    arrival = ArrivalWatch()
    watched = Watched(arrival)
    assert not tended(wired, ask, arrival)
    # Where the track is unknown the head is first brought to it, and is watched from there.
    assert line.words == ["hello", "motor on", "seek 16", off]
    watched.lobes(1.0)
    assert not wired.tend(ask, arrival)
    watched.gone(1.0)
    assert not tended(wired, ask, arrival)
    assert line.words[4:] == [back]
    assert not wired.tend(ask, arrival)
    watched.lobes(2.0)
    assert wired.tend(ask, arrival)
    assert (wired.on, wired.said) == (True, "")


class Watched:
    """Readings, a tenth of a second apart."""

    def __init__(self, arrival):
        self.arrival = arrival
        self.at_s = 0.0

    def _see(self, made, seconds):
        for _ in range(round(10 * seconds)):
            self.at_s += 0.1
            self.arrival.push(made(end_index=round(10 * self.at_s)), self.at_s)

    def lobes(self, seconds):
        self._see(lambda **more: reading(0.02, **more), seconds)

    def gone(self, seconds):
        self._see(lambda **more: parked(NO_CARRIER.text, **more), seconds)


def test_what_cannot_be_seen_is_believed_in_the_end(wired, clock):
    arrival = ArrivalWatch()
    assert not tended(wired, OUTSIDE, arrival)
    clock.now_s += 11.0
    assert not tended(wired, OUTSIDE, arrival)
    assert not wired.tend(OUTSIDE, arrival)
    clock.now_s += 11.0
    assert wired.tend(OUTSIDE, arrival)


def test_a_line_that_lies_is_found_out_by_the_lobes(wired):
    arrival = ArrivalWatch()
    watched = Watched(arrival)
    watched.lobes(1.0)
    assert not tended(wired, OUTSIDE, arrival)
    watched.lobes(2.0)
    assert not wired.tend(OUTSIDE, arrival)
    watched.lobes(2.0)
    assert not wired.tend(OUTSIDE, arrival)
    assert (wired.on, wired.astray) == (False, True)
    assert wired.said == (
        "steps “serial:port”: it says that the head left the track, and the lobes are still "
        "there; go on by hand"
    )


@pytest.mark.parametrize(
    ("at", "astray"), [("where", False), ("head 1", False), ("seek 16", True), ("motor on", False)]
)
def test_a_line_that_fails_is_left_to_the_hand_and_may_be_given_back(wired, line, at, astray):
    line.fails = at
    assert not tended(wired, SEEK)
    assert (wired.on, wired.astray) == (False, astray)
    assert wired.said == "steps “serial:port”: it was pulled; go on by hand"
    assert not wired.takes(SEEK)
    assert not wired.tend(SEEK, None)
    # Where the line fails at once when it is given back, the head is where it was before.
    line.fails = "where"
    wired.give_back()
    assert (wired.on, wired.said, wired.astray) == (True, "", astray)
    assert not tended(wired, SEEK)
    assert (wired.on, wired.astray) == (False, astray)
    line.fails = ""
    wired.give_back()
    assert tended(wired, SEEK)
    assert (wired.on, wired.said, wired.astray) == (True, "", False)
    assert line.words.count("hello") == 3
    assert line.words[-1] == "seek 16"


def test_a_hand_takes_over_in_the_midst_of_a_movement(wired, line):
    line.go.clear()
    assert not wired.tend(SEEK, None)
    assert wired.aim == 16
    wired.take_over()
    line.go.set()
    until(lambda: not wired.tend(SEEK, None) and wired.aim is None)
    assert not wired.takes(SEEK)
    words = list(line.words)
    assert not wired.tend(SEEK, None)
    assert (line.words, wired.said) == (words, "")


def test_what_is_no_stepping_is_for_the_hands(wired, line):
    for ask in (LOOSEN, None, Do(Action.RESEAT, messages.RESEAT)):
        assert not wired.takes(ask)
        assert not wired.tend(ask, None)
    assert line.words == []


def test_closing_lets_go_of_it(wired, line):
    wired.open()
    assert line.is_open
    wired.close()
    assert not line.is_open
    assert not wired.takes(SEEK)


# -- in a job ----------------------------------------------------------------------------------


def led(wired):
    bench = Bench()
    job, _ = job_on(plan=[Planned(CheckName.RADIAL, Stage.AS_FOUND)])
    runner = JobRunner(job, bench, wired)
    runner.answer(True)
    assert job.ask.action is Action.SEEK
    return runner


def test_the_line_is_one_more_who_answers(wired, line):
    runner = led(wired)
    until(runner.step)
    assert runner.job.drive.track == 16
    assert runner.follows
    assert line.words[-1] == "seek 16"
    assert not runner.step()


def test_a_head_that_is_astray_is_so_until_a_hand_has_brought_it_back(wired, line):
    line.fails = "seek 16"
    runner = led(wired)
    until(lambda: runner.step() or not wired.on)
    assert wired.astray
    assert runner.job.ask.action is Action.SEEK
    runner.answer(True)
    assert not wired.astray
    assert runner.job.drive.track == 16
