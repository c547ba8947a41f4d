"""What a screen reader is asked to say of needle and job: what, when, and how often.

The bound of 200 ms is our own; a clock is passed in, and nothing waits for it.
"""

from dataclasses import replace
from itertools import pairwise

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QAccessible

from app.analysis.results import Quantity
from app.book.model import Drive
from app.dashboard.announcing import Announcer
from app.dashboard.job_panel.telling import sentences
from app.dashboard.style import LIGHT
from app.dashboard.text import Unit, face_of
from app.dashboard.window import MainWindow
from app.job.origin import Origin
from app.live.view import View
from app.profiles import load_profile
from tests.app.dashboard.fakes import FakeControls, FakeSession, parked, reading, view
from tests.app.dashboard.test_ear import Noting

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

    def show(self, face, seconds=FRAME_S, turning=""):
        """Show a face for so long; return what was said meanwhile."""
        before = len(self.said)
        for _ in range(max(1, round(seconds / FRAME_S))):
            self.now_s += FRAME_S
            self._announcer.show(face, PROFILE.set_limit, turning, self.now_s)
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


def test_a_nudge_that_has_come_to_rest_is_told_with_how_far_it_has_to_go(told):
    told.show(at(0.3, moving=MOVING))
    told.show(at(0.25, moving=MOVING), turning="clockwise 0.2°.")
    assert told.show(at(0.2), 3.0, turning="clockwise 0.1°.") == [
        f"Standing still. {at(0.2).spoken} clockwise 0.1°."
    ]
    # How far it is counts down with the needle; alone it is no news.
    assert told.show(at(0.2), 3.0, turning="clockwise 0.05°.") == []


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


@pytest.fixture
def listened(open_window, announced, monkeypatch, tmp_path):
    """A window that a screen reader listens to, over a job on the virtual drive's kind."""
    monkeypatch.setattr(QAccessible, "isActive", lambda: True)
    session = FakeSession(view(0.3, virtual=True), FakeControls())
    window = open_window(session, tmp_path / "book.sqlite3", ticking=False)
    window.show_needle()
    window.tick()
    announced.clear()
    return window


def test_a_page_that_is_turned_to_is_told_once_with_what_it_says(listened, announced, qtbot):
    qtbot.keyClick(listened, Qt.Key.Key_F12)
    for _ in range(3):
        listened.tick()
    assert announced[0] == "Drives in the job book"
    qtbot.waitUntil(lambda: listened.tick() or listened.drives_page.status != "")
    listened.tick()
    assert announced.count("Drives in the job book") == 1
    assert announced.count("No drive in the book yet: add the first below.") == 1


def test_all_is_said_again_by_a_key(listened, announced, qtbot):
    def again():
        announced.clear()
        control, shift = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier
        qtbot.keyClick(listened, Qt.Key.Key_R, control | shift)
        return announced

    assert again() == again() == [sentences(listened.needle_page.face.spoken)]
    listened.controller.begin(Drive("hall 2", PROFILE.name), Origin("sim:", True, PROFILE.name))
    listened.tick()
    (words,) = again()
    assert words.startswith(sentences(listened.needle_page.face.spoken))
    assert "Open supplies carry mains voltage." in words
    assert "Enter: Done." in words
    qtbot.keyClick(listened, Qt.Key.Key_F2)
    (words,) = again()
    assert words.startswith("Where does the signal come from?")


def test_an_ask_is_told_once_and_with_what_was_found_before_it(listened, announced):
    listened.controller.begin(Drive("hall 2", PROFILE.name), Origin("sim:", True, PROFILE.name))
    for _ in range(3):
        listened.tick()
    (first,) = [words for words in announced if "Before power" in words]
    assert "Enter: Done." in first
    announced.clear()
    listened.controller.skip()
    listened.tick()
    assert "Leave this check out: give the reason" in announced[-1]
    listened.controller.go_on("seen by another")
    listened.tick()
    assert announced[-1].startswith("Before power, as found: skipped. Mechanics, as found.")


def test_remarks_are_told_once(listened, announced):
    listened.top_bar.remark("The picture is kept.")
    listened.top_bar.remark("The picture is kept.")
    listened.top_bar.remark("")
    assert announced == ["The picture is kept."]


@pytest.fixture
def read_aloud(qtbot):
    """What the system's speech is given of a needle without a job; a call shows a view so long."""
    now, speaker = [0.0], Noting()
    session = FakeSession(controls=FakeControls())
    window = MainWindow(session, LIGHT, clock=lambda: now[0])
    qtbot.addWidget(window)
    window.stop()
    window.ear._speaker = speaker
    window.ear.toggle_reading()

    def show(shown, seconds):
        speaker.said.clear()
        for _ in range(round(seconds / 0.1)):
            now[0] += 0.1
            session.now = replace(shown, reading_at_s=now[0])
            window.tick()
        return list(speaker.said)

    show.speaker = speaker
    return show


def test_the_needle_is_read_aloud_as_a_screen_reader_is_told_it(read_aloud):
    far, near = view(0.3), view(0.02, reading=reading(0.02, 0.0005))
    assert read_aloud(far, 5.0) == [at(0.3).spoken]
    assert read_aloud(view(reading=parked()), 5.0) == [resting().spoken]
    assert read_aloud(far, 5.0) == [at(0.3).spoken]
    assert read_aloud(near, 5.0) == [f"Within the set limit. {at(0.02).spoken}"]
    assert read_aloud(near, 60.0) == []


def test_the_needle_waits_until_what_is_read_has_come_to_its_end(read_aloud):
    near = view(0.02, reading=reading(0.02, 0.0005))
    read_aloud(view(0.3), 5.0)
    read_aloud.speaker.speaks = True
    assert read_aloud(near, 5.0) == []
    read_aloud.speaker.speaks = False
    assert read_aloud(near, 1.0) == [f"Within the set limit. {at(0.02).spoken}"]
    # A speech that hangs does not silence it for ever.
    read_aloud.speaker.speaks = True
    assert read_aloud(view(0.3), 19.0) == []
    assert read_aloud(view(0.3), 3.0) == [f"Beyond the set limit. {at(0.3).spoken}"]


def test_a_needle_that_flutters_does_not_flood_the_speech(read_aloud):
    said = []
    for number in range(60):
        said += read_aloud((view(0.3), view(reading=parked()))[number % 2], 0.5)
    assert 5 <= len(said) <= 30.0 / 3.0 + 1


def test_reading_aloud_begins_with_what_is_asked_each_time_that_it_is_begun(listened):
    speaker = Noting()
    listened.ear._speaker = speaker
    listened.controller.begin(Drive("hall 2", PROFILE.name), Origin("sim:", True, PROFILE.name))
    for _ in range(2):
        listened.ear.toggle_reading()
        shown = []
        for _ in range(2):
            listened.tick()
            shown.append(listened.needle_page.face.spoken)
        asked, stands = speaker.said
        assert "Open supplies carry mains voltage." in asked
        # On a busy machine the reading goes stale in between.
        assert stands in shown
        listened.ear.toggle_reading()
        listened.tick()
        speaker.said.clear()
