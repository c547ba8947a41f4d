"""What a screen reader is asked to say of needle and job: what, when, and how often.

The bound of 200 ms is our own; a clock is passed in, and nothing waits for it.
"""

from dataclasses import replace
from itertools import pairwise

import pytest
from PySide6.QtGui import QAccessible

from app.analysis.results import Quantity
from app.dashboard.announcing import Announcer
from app.dashboard.style import LIGHT
from app.dashboard.text import Unit, face_of
from app.dashboard.window import MainWindow
from app.live.view import View
from app.profiles import load_profile
from tests.app.dashboard.fakes import FakeControls, FakeSession, parked, reading, view

FRAME_S = 0.016
PROMPT_S = 0.2
PROFILE = load_profile("130mm-48tpi")


def at(balance, **changes):
    """The face of a needle that stands at a balance."""
    shown = view(balance, now_s=0.0, reading=reading(balance, 0.0005), **changes)
    return face_of(shown, 0.0, PROFILE, Unit.UM)


def resting(reason="The signal clips: turn the input's level down."):
    return face_of(view(now_s=0.0, reading=parked(reason)), 0.0, PROFILE, Unit.UM)


MOVING = Quantity(0.2, 0.01)


class Told:
    """An announcer over a clock that goes on by a frame with each face."""

    def __init__(self):
        self.said = []
        self.now_s = 0.0
        self._announcer = Announcer(lambda *words: self.said.append((self.now_s, *words)))

    def show(self, face, seconds=FRAME_S, ask=""):
        """Show a face for so long; return what was said meanwhile."""
        before = len(self.said)
        for _ in range(max(1, round(seconds / FRAME_S))):
            self.now_s += FRAME_S
            self._announcer.show(face, PROFILE.set_limit, ask, self.now_s)
        return [words for _, words, _ in self.said[before:]]


@pytest.fixture
def told():
    told = Told()
    told.show(at(0.3), 2.0)
    told.said.clear()
    return told


@pytest.mark.parametrize(
    ("face", "begins", "urgent"),
    [
        (resting(), "No reading. The signal clips", True),
        (at(0.02), "Within the set limit. ", False),
    ],
)
def test_what_happens_is_told_at_once_with_how_the_needle_stands(told, face, begins, urgent):
    happened_s = told.now_s
    told.show(face, 5.0)
    ((said_s, words, is_urgent),) = told.said
    assert said_s - happened_s <= PROMPT_S
    assert words.startswith(begins)
    assert words.endswith(face.spoken)
    assert is_urgent is urgent


def test_the_limit_is_told_in_both_directions(told):
    told.show(at(0.02), 2.0)
    (words,) = told.show(at(0.3), 2.0)
    assert words.startswith("Beyond the set limit. ")


def test_a_needle_that_moved_is_told_once_it_stands(told):
    assert told.show(at(0.3, moving=MOVING), 3.0) == []
    (words,) = told.show(at(0.25), 3.0)
    assert words.startswith("Standing still. ")
    assert at(0.25).spoken in words


def test_a_reading_that_has_come_back_is_told(told):
    told.show(resting(), 2.0)
    assert told.show(at(0.3), 2.0) == [at(0.3).spoken]


def test_another_reason_is_told_and_an_age_that_counts_is_not(told):
    (first,) = told.show(resting("The last reading is 3 s old."), 2.0)
    assert told.show(resting("The last reading is 4 s old."), 2.0) == []
    (second,) = told.show(resting("No carrier."), 2.0)
    assert "3 s" in first
    assert "No carrier." in second


def test_a_needle_that_flutters_is_told_once_a_second_and_as_it_stands_then(told):
    for number in range(200):
        told.show((resting(), at(0.02), at(0.3))[number % 3], 0.05)
    times = [at_s for at_s, _, _ in told.said]
    assert 5 <= len(times) <= 200 * 0.05 + 1
    assert min(later - sooner for sooner, later in pairwise(times)) >= 0.99
    told.show(at(0.02), 3.0)
    assert told.said[-1][1].endswith(at(0.02).spoken)


def test_a_needle_that_moves_on_is_not_said_to_stand(told):
    told.show(at(0.02))
    told.show(at(0.05, moving=MOVING))
    told.show(at(0.03))
    told.show(at(0.05, moving=MOVING), 3.0)
    assert not [words for _, words, _ in told.said if words.startswith("Standing still.")]


def test_each_ask_of_a_job_is_told_once_whatever_the_needle_does(told):
    told.show(resting(), ask="Insert the disk.")
    told.show(resting(), 3.0, ask="Insert the disk.")
    told.show(at(0.02), ask="Turn the body.")
    asks = [words for _, words, _ in told.said if words in ("Insert the disk.", "Turn the body.")]
    assert asks == ["Insert the disk.", "Turn the body."]


def test_the_window_tells_it_where_a_screen_reader_listens(qtbot, announced, monkeypatch):
    now = [0.0]
    session = FakeSession(controls=FakeControls())
    window = MainWindow(session, LIGHT, clock=lambda: now[0])
    qtbot.addWidget(window)
    window.stop()

    def frames(shown, count=100):
        for _ in range(count):
            now[0] += FRAME_S
            session.now = replace(shown, reading_at_s=now[0])
            window.tick()

    frames(view(0.3))
    assert announced == []
    monkeypatch.setattr(QAccessible, "isActive", lambda: True)
    frames(view(0.3))
    announced.clear()
    frames(view(reading=parked()), 2)
    assert announced == ["No reading. The signal clips: turn the input's level down."]
    frames(View())
    assert announced[-1].endswith("No source is open. Choose one with F2.")
