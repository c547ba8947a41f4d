"""From a side that is not known to one that was shown."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QPushButton, QWidget

from app.analysis import messages
from app.analysis.results import Message, Side, Sign
from app.dashboard.job_panel.brief import MOST_CHARACTERS
from app.dashboard.needle_page.prompt_line import Prompt, PromptLine, prompt_of
from app.dashboard.style import Sizes
from app.dashboard.translation import Translation
from app.language import languages
from app.live.view import (
    LOW_LEVEL,
    LOW_LEVEL_KEPT,
    LOW_LEVEL_VIRTUAL,
    NO_LEVEL,
    NO_LEVEL_KEPT,
    Phase,
    View,
)
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


def test_a_side_that_is_no_longer_known_is_asked_for_again():
    lost = reading(0.1, sign=Sign.UNKNOWN, side=None, notes=(messages.SIGN_LOST,))
    prompt = prompt_of(view(reading=lost, now_s=NOW_S), "")
    assert prompt.may_begin
    assert "show it once more" in prompt.words


def test_one_channel_offers_no_index():
    alone = view(reading=UNKNOWN, roles=("differential",), now_s=NOW_S)
    assert not prompt_of(alone, "").may_reopen


def test_a_capture_cannot_be_taught():
    prompt = prompt_of(stereo(phase=Phase.ENDED), "")
    assert not prompt.may_begin
    assert "record it again with the index" in prompt.words


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


ASKED = "No index, so the side is not known. Show it once by nudging the head outward."
WIRED = " Or wire the index to one input and the differential to the other."
AGAIN = (
    "No index, so the side is not known: record it again with the index on a channel of its own."
)
NUDGED = "Nudge the head OUTWARD until the needle has clearly moved, then press Outward."


@pytest.mark.parametrize(
    ("shown", "answer", "prompt"),
    [
        (stereo(), "", Prompt(ASKED + WIRED, may_begin=True, may_reopen=True)),
        (stereo(), "No.", Prompt("No.", may_begin=True, may_reopen=True)),
        (stereo(phase=Phase.ENDED), "", Prompt(AGAIN)),
        (
            view(reading=UNKNOWN, roles=("differential",), now_s=NOW_S),
            "",
            Prompt(ASKED, may_begin=True),
        ),
        (stereo(teaching=True), "", Prompt(NUDGED, may_teach=True)),
        (stereo(teaching=True), "Further.", Prompt("Further.", may_teach=True)),
        (view(reading=None, phase=Phase.OPENING), "", Prompt(hint=True)),
        (stereo(phase=Phase.LOST), "", Prompt("F2 chooses a source.", hint=True)),
        (stereo(phase=Phase.CLOSED), "", Prompt("F2 chooses a source.", hint=True)),
        (
            view(reading=reading(0.1), phase=Phase.ENDED),
            "",
            Prompt("The capture is at its end; its last reading stands.", hint=True),
        ),
        (
            view(reading=reading(0.1), phase=Phase.ENDED, whole=True),
            "",
            Prompt("The capture is at its end; the reading is of all of it.", hint=True),
        ),
        (
            view(reading=reading(0.1)),
            "",
            Prompt("Turn the stepper's body until the needle stands at 0.", hint=True),
        ),
        (view(reading=parked()), "", Prompt(hint=True)),
        (view(reading=None), "", Prompt(hint=True)),
        (view(reading=None, message="Hello."), "", Prompt("Hello.")),
        (view(reading=None, message="Hello."), "Hello.", Prompt("Hello.")),
        (view(reading=None, message="Hello."), "Well.", Prompt("Well.  ·  Hello.")),
        (
            view(reading=parked(sign=Sign.UNKNOWN), message="Hello.", phase=Phase.ENDED),
            "",
            Prompt("Hello."),
        ),
        (view(reading=None, message="Hello.", phase=Phase.OPENING), "", Prompt(hint=True)),
    ],
)
def test_what_to_do_next(shown, answer, prompt):
    assert prompt_of(shown, answer) == prompt


@pytest.mark.parametrize("language", languages())
def test_what_to_do_next_has_a_form_that_is_read_from_afar_and_not_cut(qapp, language):
    spoken = Translation(language)
    qapp.installTranslator(spoken)
    lost = reading(0.1, sign=Sign.UNKNOWN, notes=(messages.SIGN_LOST,))
    shown = [
        stereo(),
        stereo(teaching=True),
        stereo(phase=Phase.ENDED),
        view(reading=lost, now_s=NOW_S),
        view(0.1, NOW_S),
        view(0.1, NOW_S, phase=Phase.ENDED),
        view(0.1, NOW_S, phase=Phase.ENDED, whole=True),
        view(reading=parked(), phase=Phase.ENDED),
        View(),
    ]
    low = (LOW_LEVEL, NO_LEVEL, LOW_LEVEL_KEPT, NO_LEVEL_KEPT, LOW_LEVEL_VIRTUAL)
    shown += [view(reading=parked(), advice=(each,)) for each in low]
    briefly = [prompt_of(each, "").briefly for each in shown]
    qapp.removeTranslator(spoken)
    assert [each for each in briefly if not 0 < len(each) <= MOST_CHARACTERS] == []
    assert [each for each in briefly if each.endswith("…")] == []


def test_why_a_side_could_not_be_taught_is_told_from_afar_too(line, session):
    line.begin()
    session.answer = messages.TEACH_TOO_SMALL
    line.teach(Side.OUTWARD)
    assert line.prompt.briefly == "Too small a change to tell: nudge further outward."


def test_nobody_is_told_to_turn_a_head_whose_lobes_are_even():
    for balance, asks in ((0.003, False), (-0.003, False), (0.005, True)):
        shown = view(reading=reading(balance, 0.002), now_s=NOW_S)
        assert bool(prompt_of(shown, "").words) is asks


def test_a_line_that_is_no_more_than_a_hint_takes_no_room_beside_a_job(qtbot, session):
    around = QWidget()
    qtbot.addWidget(around)
    line = PromptLine(session, around)
    line.refresh(view(0.1, NOW_S))
    line.set_modest(True)
    assert line.isHidden()
    line.set_modest(False)
    assert not line.isHidden()
    line.refresh(stereo())
    line.set_modest(True)
    assert not line.isHidden()


@pytest.mark.parametrize("place", ["modest", "narrow"])
def test_a_line_with_little_room_comes_and_goes_with_what_it_offers(qtbot, session, place):
    around = QWidget()
    qtbot.addWidget(around)
    line = PromptLine(session, around)
    getattr(line, f"set_{place}")(True)
    for shown, hidden in ((stereo(), False), (view(0.1, NOW_S), True), (stereo(), False)):
        line.refresh(shown)
        assert line.isHidden() == hidden


def test_the_line_marks_what_comes_next(line):
    def marked():
        return [b.accessibleName() for b in line.findChildren(QPushButton) if b.property("next")]

    assert marked() == ["Show the side"]
    line.begin()
    assert marked() == ["Outward"]
    line.confirm()
    line.refresh(view(0.1, NOW_S))
    assert marked() == []
    assert offered(line) == []
    assert line._words.words == line.prompt.words


def test_the_line_is_as_high_as_a_finger(line):
    for unit in (1.0, 2.0):
        line.apply_theme(Sizes(unit))
        touch = Sizes(unit).touch_px
        assert (line.minimumHeight(), line.maximumHeight()) == (touch, touch)
        assert line._words._largest_px == Sizes(unit).text_px


def test_an_answer_is_given_up_with_the_teaching(line, session):
    session.begin_teaching = lambda: Message("No reading to begin from: wait for one.")
    line.begin()
    assert line.cancel()
    assert line.prompt.words == ASKED + WIRED
    assert not line.cancel()
