"""From a side that is not known to one that was shown."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QPushButton

from app.analysis.results import Message, Side, Sign
from app.dashboard.needle_page.page import PromptLine, prompt_of
from app.live.view import Phase
from tests.app.dashboard.fakes import FakeSession, parked, reading, view

NOW_S = 1000.0
UNKNOWN = reading(0.1, sign=Sign.UNKNOWN, side=None)


def stereo(**changes):
    return view(reading=UNKNOWN, roles=("plus", "minus"), now_s=NOW_S, **changes)


@pytest.fixture
def session():
    return FakeSession(stereo())


@pytest.fixture
def line(qtbot, session):
    made = PromptLine(session)
    qtbot.addWidget(made)
    made.refresh(session.view())
    return made


def offered(line):
    return [b.accessibleName() for b in line.findChildren(QPushButton) if not b.isHidden()]


def test_side_not_known_leads_to_teaching_and_to_an_index():
    prompt = prompt_of(stereo(), "")
    assert prompt.may_begin
    assert prompt.may_reopen
    assert "side is not known" in prompt.words


def test_one_channel_offers_no_index():
    alone = view(reading=UNKNOWN, roles=("differential",), now_s=NOW_S)
    assert not prompt_of(alone, "").may_reopen


def test_a_capture_cannot_be_taught():
    assert not prompt_of(stereo(phase=Phase.ENDED), "").may_begin


@pytest.mark.parametrize("sign", [Sign.KNOWN, Sign.TAUGHT])
def test_known_side_asks_for_nothing(sign):
    prompt = prompt_of(view(reading=reading(0.1, sign=sign), now_s=NOW_S), "")
    assert not any((prompt.may_begin, prompt.may_teach, prompt.may_reopen))


def test_advice_and_message_are_said():
    low = view(
        reading=parked(), advice=(Message("Level {0}: a ×10 probe?", ("low",)),), message="Hello."
    )
    assert prompt_of(low, "").words == "Hello.  ·  Level low: a ×10 probe?"


def test_what_failed_is_left_to_the_needles_words():
    gone = view(0.1, NOW_S, phase=Phase.FAILED, message="x.wav: not there.")
    assert prompt_of(gone, "").words == "F2 chooses a source."


def test_taught_by_two_presses(line, session):
    assert offered(line) == ["Show the side", "Use an index"]
    assert line.confirm()
    assert offered(line) == ["Outward", "Inward", "Cancel"]
    assert line.confirm()
    assert session.calls == [("begin_teaching",), ("teach", Side.OUTWARD)]
    assert not line.prompt.may_teach


def test_inward_may_be_shown_too(line, session, qtbot):
    line.begin()
    inward = next(b for b in line.findChildren(QPushButton) if b.accessibleName() == "Inward")
    qtbot.mouseClick(inward, Qt.MouseButton.LeftButton)
    assert session.calls[-1] == ("teach", Side.INWARD)


def test_what_was_not_learned_is_said_and_may_be_tried_again(line, session):
    session.answer = Message("The needle has hardly moved: nudge further.")
    line.begin()
    line.confirm()
    assert line.prompt.words == "The needle has hardly moved: nudge further."
    assert offered(line) == ["Outward", "Inward", "Cancel"]


def test_teaching_that_cannot_begin_says_why(line, session):
    session.begin_teaching = lambda: Message("No reading to begin from: wait for one.")
    line.begin()
    line.refresh(session.view())
    assert line.prompt.words.startswith("No reading to begin from")


def test_cancel(line, session):
    assert not line.cancel()
    line.begin()
    assert line.cancel()
    assert session.calls[-1] == ("cancel_teaching",)
    assert offered(line) == ["Show the side", "Use an index"]


def test_nothing_to_confirm(line):
    line.refresh(view(0.1, NOW_S))
    assert not line.confirm()
