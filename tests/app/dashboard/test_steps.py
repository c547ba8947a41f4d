"""The line that steps, beside the needle: it answers, a key takes over and gives back."""

from __future__ import annotations

import time

import pytest

from app.dashboard.settings import Choice
from app.job.model import Action, CheckName, Do, Measure
from app.live import stepping
from app.live.opening import Opening
from tests.app.bench import until
from tests.app.dashboard.fakes import view
from tests.app.dashboard.keys import KEY, SHIFT, press
from tests.app.dashboard.test_job import MeasuringSession, go_to
from tests.app.live.test_stepping import Line


@pytest.fixture
def line(monkeypatch):
    made = Line()
    monkeypatch.setattr(stepping, "steps_line", lambda address: made)
    return made


@pytest.fixture
def window(open_window, line, tmp_path):
    session = MeasuringSession()
    session.controls = None
    window = open_window(session, tmp_path / "book.sqlite3", ticking=False, steps="serial:port")
    window.tick()
    window.begin_job("machine 7", "130mm-48tpi")
    return window


def refresh(window):
    window.needle_page.job.refresh(view(0.02), time.monotonic())


def to_the_seek(window):
    """Begin the radial check; the disk is put in by hand."""
    go_to(window, CheckName.RADIAL)
    window.controller.go_on()
    assert window.controller.job.ask.action is Action.SEEK


def until_seen(window, found):
    until(lambda: refresh(window) or found())


def test_the_line_seeks_and_the_measurement_follows(window, line):
    to_the_seek(window)
    outcomes = window.controller.job.outcomes
    until_seen(window, lambda: len(window.controller.job.outcomes) > len(outcomes))
    assert line.words[:3] == ["hello", "motor on", "seek 16"]
    assert window.controller.job.outcomes[-1].check is CheckName.RADIAL


def test_both_heads_arrive_where_a_line_steps(window):
    steps = window.controller.job.steps
    heads = [step.head for step in steps if step.check is CheckName.HYSTERESIS]
    assert heads == [0, 1, 0, 1]


def test_enter_takes_over_and_shift_enter_gives_back(window, line):
    line.go.clear()
    to_the_seek(window)
    refresh(window)
    controller, panel = window.controller, window.needle_page.job
    assert panel.card.live == "By wire: the head goes to track 16."
    assert panel.card.button == "By hand"
    press(KEY.Key_Return)
    assert not controller.line.on
    line.go.set()
    until_seen(window, lambda: panel.card.button == "Done")
    assert controller.job.ask.action is Action.SEEK
    assert panel.card.by_wire
    press(KEY.Key_Return, modifier=SHIFT)
    assert controller.line.on
    until_seen(window, lambda: not isinstance(controller.job.ask, Do))


def test_a_line_that_fails_is_said_and_parks_the_needle_until_a_hand_is_done(window, line):
    line.fails = "seek 16"
    to_the_seek(window)
    controller, page = window.controller, window.needle_page
    until_seen(window, lambda: not controller.line.on)
    assert controller.remark == "steps “serial:port”: it was pulled; go on by hand"
    window.tick()
    assert page.meter.face.balance is None
    assert page.meter.face.detail == "The head may be on another track: bring it back by hand."
    press(KEY.Key_Return)
    window.tick()
    assert page.meter.face.balance is not None
    assert controller.job.drive.track == 16


def test_nothing_is_stepped_while_something_else_is_looked_at(window, line):
    to_the_seek(window)
    window.controller.skip()
    refresh(window)
    assert line.words == []
    window.controller.escape()
    refresh(window)
    until_seen(window, lambda: "seek 16" in line.words)


@pytest.fixture
def unwired(open_window, line, tmp_path):
    session = MeasuringSession()
    window = open_window(session, tmp_path / "book.sqlite3", ticking=False)
    window.tick()
    return window


def test_the_line_of_the_form_steps_in_the_job(unwired, line):
    unwired.open_choice(Choice(Opening("sound:", steps="serial:port"), "130mm-48tpi"))
    unwired.tick()
    unwired.begin_job("machine 7", "130mm-48tpi")
    unwired.tick()
    assert unwired.controller.line.name == "serial:port"
    to_the_seek(unwired)
    until_seen(unwired, lambda: "seek 16" in line.words)
    unwired.controller.leave()
    assert unwired.controller.line is None
    assert not line.is_open


def test_without_a_line_hands_step(unwired):
    unwired.begin_job("machine 7", "130mm-48tpi")
    assert unwired.controller.line is None


def test_a_line_that_does_not_fit_begins_no_job(unwired):
    unwired.open_source(Opening("sound:", steps="sim:"))
    unwired.tick()
    unwired.begin_job("machine 7", "130mm-48tpi")
    assert "it steps the virtual drive alone" in unwired.drives_page.status
    assert unwired.controller.job is None


def test_the_virtual_drive_is_stepped_by_its_own_line(open_window, tmp_path):
    session = MeasuringSession()
    window = open_window(session, tmp_path / "book.sqlite3", ticking=False, steps="sim:")
    window.tick()
    window.begin_job("machine 7", "130mm-48tpi")
    to_the_seek(window)
    until_seen(window, lambda: isinstance(window.controller.job.ask, Measure))
    assert ("seek", 16) in session.controls.done
    window.controller.end()
