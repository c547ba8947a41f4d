"""Far and near: the large words, the brief asks, and the page at every size."""

import inspect
import re
import string
from dataclasses import replace
from itertools import combinations
from unittest.mock import patch

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetricsF
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QAbstractButton, QApplication

from app.analysis.messages import fill
from app.analysis.results import Message, Quantity, Sign
from app.dashboard.job_panel.brief import BRIEF, MOST_CHARACTERS, brief_ask, shortened
from app.dashboard.needle_page.far_view import FarWords, _Lines, far_words
from app.dashboard.settings import Choice
from app.dashboard.style import Sizes
from app.dashboard.text import Unit, face_of
from app.dashboard.translation import Translation
from app.job import messages
from app.job.model import Action, Do, Enter
from app.language import ENGLISH, languages
from app.live.opening import Opening
from app.profiles import load_profile
from tests.app.dashboard.cutting import beyond, cut
from tests.app.dashboard.fakes import FakeControls, FakeSession, parked, reading, view
from tests.app.dashboard.keys import KEY, press
from tests.app.dashboard.whole import all_pages

CAPITALS_PX = 84
"""Some 23 mm on a 24-inch screen: five minutes of arc, what an eye of 1.0 can read, at 16 m."""
WIDEST = {
    messages.SEEK: ("76", "1"),
    messages.RESEAT: ("10", "10"),
    messages.FROM_OUTSIDE: ("76", "10"),
    messages.FROM_INSIDE: ("76", "10"),
    messages.TRIM_SPEED: ("10.00", "slower"),
    messages.WRITE: ("76", "1", "2F"),
    messages.SENSOR_OFF: ("10",),
}
"""The longest values that stand in an ask."""


def asks():
    """Every sentence of a job that asks for something, by the checks' own words."""
    told = (value for value in vars(messages).values() if isinstance(value, Message))
    return [each for each in told if each.text in BRIEF]


def test_every_ask_of_the_checks_has_a_brief_form():
    sections = re.split(r"^# (.+)$", inspect.getsource(messages), flags=re.MULTILINE)
    parts = dict(zip(sections[1::2], sections[2::2], strict=True))
    asked = [
        name
        for part in ("Before power", "Hands at the drive", "Track zero")
        for name in re.findall(r"^([A-Z_]+) = Message", parts[part], flags=re.MULTILINE)
    ]
    assert len(asked) > 25
    assert [name for name in asked if getattr(messages, name).text not in BRIEF] == []


@pytest.mark.parametrize("message", asks(), ids=lambda each: each.text[:20])
def test_a_brief_ask_is_short_and_takes_the_values_of_the_long_one(message):
    fields = {field for _, field, *_ in string.Formatter().parse(message.text) if field}
    brief = BRIEF[message.text]
    assert {field for _, field, *_ in string.Formatter().parse(brief) if field} <= fields
    assert len(brief.format(*WIDEST.get(message, ("", "", "")))) <= MOST_CHARACTERS


def test_what_has_no_brief_form_is_shortened_between_words():
    words = "Nothing was seen to move. Do it now; or say that it was done all the same."
    assert len(shortened(words)) <= MOST_CHARACTERS
    assert shortened(words).endswith("…")
    assert words.startswith(shortened(words)[:-1])
    assert shortened("Step out.") == "Step out."
    longest = "m" * MOST_CHARACTERS
    assert shortened(longest) == longest
    assert shortened(f"{longest}m") == f"{longest[1:]}…"


def face(balance=0.12, unit=Unit.UM, **changes):
    shown = view(reading=reading(balance, **changes), now_s=1000.0)
    return face_of(shown, 1000.0, load_profile("130mm-48tpi"), unit)


@pytest.mark.parametrize(
    ("shown", "words"),
    [
        (face(0.12), "◀ move inward"),
        (face(-0.12), "move outward ▶"),
        (face(0.001), "lobes are even"),
        (replace(face(0.12), balance=0.25, expanded_u=0.25), "lobes are even"),
        (replace(face(0.12), balance=-0.25, expanded_u=0.25), "lobes are even"),
        (face(0.12, sign=Sign.UNKNOWN, side=None), "side not known"),
    ],
)
def test_the_direction_is_two_words(shown, words):
    assert far_words(shown, "", "").direction == words


def test_without_a_reading_the_reason_is_told():
    shown = view(reading=parked("No carrier."), now_s=1000.0)
    parked_face = face_of(shown, 1000.0, load_profile("130mm-48tpi"), Unit.UM)
    words = far_words(parked_face, "", "")
    assert (words.direction, words.figure, words.ask) == ("No reading", "", "No carrier.")
    assert words.careful
    assert far_words(parked_face, "", "Step to track 16.").ask == "Step to track 16."


@pytest.mark.parametrize(
    ("reason", "told"),
    [
        ("No carrier.", "No reading: No carrier"),
        (
            "this computer cannot keep up: the analysis is 1.4 s behind; close other programs",
            "No reading: this computer cannot keep up",
        ),
        ("clipped: the tops are cut flat; lower the gain", "No reading: clipped"),
        ("no lock: no turn can be told", "No reading: no lock"),
    ],
)
def test_beside_an_ask_the_reason_is_told_by_what_it_begins_with(reason, told):
    shown = view(reading=parked(reason), now_s=1000.0)
    parked_face = face_of(shown, 1000.0, load_profile("130mm-48tpi"), Unit.UM)
    words = far_words(parked_face, "", "Step to track 16.", tells_why=True)
    assert (words.direction, words.ask) == (told, "Step to track 16.")


def test_a_head_that_is_not_over_the_lobes_has_no_reason_to_be_told():
    shown = view(reading=parked("No carrier."), now_s=1000.0)
    away = face_of(shown, 1000.0, load_profile("130mm-48tpi"), Unit.UM, away="It is stepped: away.")
    assert far_words(away, "", "Step to track 16.", tells_why=True).direction == "The needle rests"


@pytest.mark.parametrize("message", [messages.NOTHING_MOVED, messages.OUT_OF_SIGHT])
def test_a_doubt_has_a_brief_form(message):
    assert message.text in BRIEF


@pytest.fixture
def language(request, qapp):
    """The language in which the window is opened: English unless a test says another."""
    spoken = Translation(getattr(request, "param", ENGLISH))
    qapp.installTranslator(spoken)
    yield
    qapp.removeTranslator(spoken)


@pytest.fixture
def window(open_window, language, tmp_path):
    session = FakeSession(lambda: view(0.12), FakeControls())
    made = open_window(session, tmp_path / "book.sqlite3", ticking=False)
    made.show_needle()
    made.tick()
    return made


def sized(window, size):
    window.resize(*size)
    QApplication.processEvents()
    window.needle_page._slow_at_s = float("-inf")
    window.tick()
    QApplication.processEvents()


def click(part):
    QTest.mouseClick(part, Qt.MouseButton.LeftButton)


def is_whole(part):
    """Whether all of a part is seen."""
    return part.visibleRegion().boundingRect() == part.rect()


NUDGE_TRIAL = BRIEF[messages.NUDGE_TRIAL.text]
LONGEST = max((BRIEF[each.text] for each in asks()), key=len)


def test_home_shows_the_far_view_with_capitals_that_are_read_across_the_room(window):
    sized(window, (1920, 1080))
    page = window.needle_page
    press(KEY.Key_Home)
    assert page.far.isVisible()
    assert not page.meter.isVisible()
    widest = face(-0.98, offset_um=Quantity(-178.0, 0.4))
    shown = (("↺ 12.00°   12.00 mm", NUDGE_TRIAL), ("", LONGEST), ("", "seating " * 7))
    for nudge, ask in shown:
        page.far.show_face(widest, far_words(widest, nudge, ask), 0.0)
        are_read_across_the_room(page.far._lines)
    press(KEY.Key_Home)
    assert page.meter.isVisible()


@pytest.mark.parametrize("size", [(1280, 800), (800, 600)])
@pytest.mark.parametrize("key", [KEY.Key_Home, KEY.Key_End])
def test_the_keys_go_to_what_is_seen_and_never_to_a_button(window, size, key):
    sized(window, size)
    page = window.needle_page
    page.take_focus()
    for leads_back in (key, KEY.Key_Escape, key):
        press(key)
        alone = page.large if key == KEY.Key_End else page.far.meter
        assert QApplication.focusWidget() is alone
        press(leads_back)
        assert QApplication.focusWidget() is page.needle
        assert page.needle.isVisible()


def test_the_needle_keeps_the_keys_whichever_of_the_two_is_shown(window):
    window.needle_page.take_focus()
    for size in ((800, 600), (1280, 800), (800, 600)):
        sized(window, size)
        assert QApplication.focusWidget() is window.needle_page.needle
        assert window.needle_page.needle.isVisible()


def are_read_across_the_room(lines):
    places = lines.places(lines.width())
    assert places
    for room, words, _, size in places:
        font = lines.font()
        font.setBold(True)
        font.setPixelSize(size)
        # "H" is the capital that type designers measure by.
        assert QFontMetricsF(font).tightBoundingRect("H").height() >= CAPITALS_PX, words
        assert lines.rect().contains(room.toRect()), words


def test_a_question_is_not_answered_where_it_is_not_seen(window):
    controller = window.controller
    window.begin_job("machine 7", "130mm-48tpi")
    words = fill(messages.ROOM_TEMPERATURE, "12", "15", "5")
    asked = Enter("room temperature", words, "°C", 0.0, 50.0)
    job = controller.job
    kept = type(job).ask
    try:
        type(job).ask = asked
        controller.changed.emit()
        press(KEY.Key_Escape)
        window.needle_page.take_focus()
        window.needle_page.toggle_far()
        assert brief_ask(job, measuring=False) == "Temperature of the room?"
        window.needle_page.take_focus()
        press(KEY.Key_Return)
        assert job.ask is asked
        assert window.needle_page.job.entry.hasFocus()
    finally:
        type(job).ask = kept


def test_a_question_is_answered_while_it_is_seen_with_its_answer(window, monkeypatch):
    window.begin_job("machine 7", "130mm-48tpi")
    words = fill(messages.ROOM_TEMPERATURE, "12", "15", "5")
    asked = Enter("room temperature", words, "°C", 0.0, 50.0)
    monkeypatch.setattr(type(window.controller.job), "ask", asked)
    window.controller.changed.emit()
    sized(window, (800, 480))
    page = window.needle_page
    bar = page._scroll.verticalScrollBar()
    place = page.job.entry.mapTo(page._scrolled, page.job.entry.rect().topLeft()).y()
    # A line of pixels of where it is typed, or none.
    bar.setValue(place + 1 - page._scroll.viewport().height())
    assert not page._lead_to_answer()
    bar.setValue(bar.value() - 1)
    assert page._lead_to_answer()
    assert not page._lead_to_answer()


@pytest.mark.parametrize("size", [(480, 300), (800, 480)])
def test_a_job_is_led_in_a_small_window_by_what_is_seen_of_it(window, size):
    sized(window, size)
    page = window.needle_page
    assert not page._asked.isVisible()
    window.begin_job("machine 7", "130mm-48tpi")
    sized(window, size)
    button, look = page.job._view.button, page._asked._look
    assert page.far.words.ask == BRIEF[messages.MAINS.text]
    assert is_whole(page.far.meter)
    assert is_whole(page.far._lines)
    assert is_whole(button)
    click(button)
    # The needle stays in sight, with the next ask.
    sized(window, size)
    assert page.far.words.ask == BRIEF[messages.GROUND_CLIP.text]
    assert is_whole(page.far.meter)
    assert is_whole(page.far._lines)
    click(look)
    QApplication.processEvents()
    asked, _ = page.job.asked_between
    assert all(is_whole(each) for each in asked)
    assert look.accessibleName() == "To the needle"
    click(button)
    QApplication.processEvents()
    assert not asked[-1].visibleRegion().isEmpty()
    click(look)
    assert is_whole(page.far.meter)
    assert is_whole(page.far._lines)
    assert look.accessibleName() == "What is asked"
    window.controller.leave()
    sized(window, size)
    assert not page._asked.isVisible()


def test_what_nobody_has_seen_is_not_answered_by_the_button_of_a_small_window(window, monkeypatch):
    sized(window, (480, 300))
    window.begin_job("machine 7", "130mm-48tpi")
    words = fill(messages.ROOM_TEMPERATURE, "12", "15", "5")
    asked = Enter("room temperature", words, "°C", 0.0, 50.0)
    monkeypatch.setattr(type(window.controller.job), "ask", asked)
    window.controller.changed.emit()
    QApplication.processEvents()
    page = window.needle_page
    page._scroll.verticalScrollBar().setValue(0)
    answered = []
    page.job._view.answered.connect(answered.append)
    click(page.job._view.button)
    assert answered == []
    QApplication.processEvents()
    click(page.job._view.button)
    assert answered == [""]


def test_the_button_goes_on_with_a_job_in_its_column_again_in_a_larger_window(window):
    window.begin_job("machine 7", "130mm-48tpi")
    page = window.needle_page
    button = page.job._view.button
    heights = []
    for size in ((480, 300), (1920, 1080), (480, 300), (1920, 1080)):
        sized(window, size)
        assert is_whole(button)
        heights.append(button.height())
        assert page.job.isAncestorOf(button) is (size[0] == 1920)
    assert heights[2:] == heights[:2]
    click(button)
    assert window.controller.job.ask.message == messages.GROUND_CLIP


@pytest.mark.parametrize("size", [(480, 320), (800, 480)])
def test_what_is_typed_into_is_seen_once_it_has_the_keys(window, monkeypatch, qtbot, size):
    sized(window, size)
    window.begin_job("machine 7", "130mm-48tpi")
    words = fill(messages.ROOM_TEMPERATURE, "12", "15", "5")
    asked = Enter("room temperature", words, "°C", 0.0, 50.0)
    monkeypatch.setattr(type(window.controller.job), "ask", asked)
    page = window.needle_page
    assert page.job.entry.visibleRegion().isEmpty()
    window.controller.changed.emit()
    assert page.job.entry.hasFocus()
    entry = page.job.entry
    qtbot.waitUntil(lambda: entry.visibleRegion().boundingRect() == entry.rect())
    # What is asked stands above it: some of it, where the panel is small.
    assert not page.job._view._words.visibleRegion().isEmpty()


SIZES = ((480, 320), (800, 480), (960, 540), (960, 1080), (1024, 640), (1920, 1080), (3840, 2160))


@pytest.mark.parametrize("height", [300, 320])
@pytest.mark.parametrize(
    "ask",
    [
        Enter("write refused", messages.WAS_IT_REFUSED, choices=("yes", "no")),
        Enter("humidity of the room", messages.HUMIDITY, "%", 0.0, 100.0),
    ],
    ids=lambda each: each.key,
)
def test_what_is_to_be_answered_is_seen_from_the_question_to_the_answer(window, ask, height):
    sized(window, (480, height))
    page = window.needle_page
    window.begin_job("machine 7", "130mm-48tpi")
    with patch.object(type(window.controller.job), "ask", ask):
        window.controller.changed.emit()
        # Enter alone is no answer where one is to be chosen: that is said, and hides nothing.
        for _ in range(2 if ask.choices else 1):
            QApplication.processEvents()
            asked, answered = page.job.asked_between
            assert is_whole(asked[-1])
            assert is_whole(answered)
            press(KEY.Key_Return)


def test_after_a_doubt_is_answered_the_needle_is_seen_again(window, monkeypatch):
    sized(window, (480, 320))
    page, controller = window.needle_page, window.controller
    window.begin_job("machine 7", "130mm-48tpi")
    ask = Do(Action.SEEK, fill(messages.SEEK, "16", "0"))
    monkeypatch.setattr(type(controller.job), "ask", ask)
    controller.changed.emit()
    sized(window, (480, 320))
    top = page._scroll.verticalScrollBar()
    assert top.value() == 0
    controller._runner.doubt = messages.NOTHING_MOVED
    controller.changed.emit()
    sized(window, (480, 320))
    assert page.far.words.ask == BRIEF[messages.NOTHING_MOVED.text]
    press(KEY.Key_Return)
    sized(window, (480, 320))
    assert top.value() > 0, "the card tells all of it"
    assert controller.doubt is not None
    # It was moved after all, which was seen.
    controller._runner.doubt = None
    controller.changed.emit()
    sized(window, (480, 320))
    assert top.value() == 0
    # A card that somebody looks at by the button stays.
    page._asked.look_across()
    sized(window, (480, 320))
    assert top.value() > 0


def test_a_page_that_was_scrolled_to_the_card_asks_nothing_of_it_where_all_is_seen(window):
    sized(window, (480, 320))
    window.begin_job("machine 7", "130mm-48tpi")
    sized(window, (480, 320))
    window.needle_page._asked.look_across()
    sized(window, (480, 320))
    assert window.needle_page._scroll.verticalScrollBar().value() > 0
    sized(window, (1280, 800))
    # A widget that is elsewhere now has no place there: Qt warns, and a warning fails a test.
    window.needle_page.take_focus()
    assert not window.needle_page._asked.sees_card


def test_the_needle_is_shown_from_its_top_whatever_room_it_has_yet(window):
    sized(window, (900, 600))
    page = window.needle_page
    bar = page._scroll.verticalScrollBar()
    bar.setValue(bar.maximum())
    page.far.setFixedHeight(page._scroll.viewport().height() + 100)
    QApplication.processEvents()
    page.take_focus()
    assert bar.value() == 0


def test_in_a_small_window_keys_move_the_head_and_choose_checks_before_they_scroll(window):
    sized(window, (480, 320))
    page, hands = window.needle_page, window._session.controls
    bar = page._scroll.verticalScrollBar()
    page.take_focus()
    for key in (KEY.Key_Left, KEY.Key_Right, KEY.Key_PageDown, KEY.Key_PageUp):
        press(key)
    assert hands.done == [("nudge", -5.0), ("nudge", 5.0), ("step", 1), ("step", -1)]
    assert bar.value() == 0
    # Without a job there is no check to be chosen.
    press(KEY.Key_Down)
    assert bar.value() > 0
    page.take_focus()
    window.begin_job("machine 7", "130mm-48tpi")
    sized(window, (480, 320))
    assert window.controller.elsewhere is False
    press(KEY.Key_Down)
    QApplication.processEvents()
    assert window.controller.elsewhere
    assert page.job.sees_answer, "the card tells which it is"
    press(KEY.Key_Escape)
    assert not window.controller.elsewhere
    assert bar.value() == 0
    # A drive of one's own is moved by hand: there the keys scroll.
    window._session.controls = None
    press(KEY.Key_PageDown)
    assert bar.value() > 0


def test_a_question_about_another_source_is_told_beside_the_needle(window, monkeypatch):
    sized(window, (480, 320))
    window.begin_job("machine 7", "130mm-48tpi")
    monkeypatch.setattr(type(window.controller), "asks_source", True)
    window.controller.changed.emit()
    sized(window, (480, 320))
    asked = "Not the same source as before: the same drive still?"
    assert window.needle_page.far.words.ask == asked
    bar = window.needle_page._scroll.verticalScrollBar()
    assert bar.value() == 0
    press(KEY.Key_Return)
    sized(window, (480, 320))
    assert bar.value() > 0, "the card is shown before it is answered"
    assert window.controller.asks_source


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("at_work", [False, True])
@pytest.mark.parametrize("language", languages(), indirect=True)
@pytest.mark.few(1)
def test_nothing_is_cut_at_any_size(window, size, at_work):
    if at_work:
        window.begin_job("machine 7", "130mm-48tpi")
    sized(window, size)
    assert window.size().toTuple() == size
    assert cut(window) == []
    page = window.needle_page
    needle = page.far if page.far.isVisible() else page.meter
    # Needle, state and ask are seen without scrolling, and nothing goes past the sides.
    corners = [
        widget.mapTo(window, widget.rect().bottomRight())
        for widget in (needle, window.top_bar, page.far._lines)
        if widget.isVisible()
    ]
    assert all(window.rect().contains(corner) for corner in corners)
    assert page._scroll.widget().width() <= page.width() or not page._scroll.isVisible()


@pytest.mark.parametrize("at_work", [False, True])
@pytest.mark.parametrize("language", languages(), indirect=True)
def test_a_remark_leaves_the_parts_beside_each_other(window, at_work):
    if at_work:
        window.begin_job("machine 7", "130mm-48tpi")
    sized(window, (1024, 640))
    page = window.needle_page
    for words in ("Saved.", "The settings, with a path and a reason, in a long sentence. " * 5):
        window.top_bar.remark(words)
        sized(window, (1024, 640))
        assert page._ways.currentWidget() is page._roomy
        assert cut(window) == []
        assert window.size().toTuple() == (1024, 640)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("language", languages(), indirect=True)
@pytest.mark.few(1)
def test_pages_are_as_wide_as_the_window_and_scroll_one_way(window, qtbot, size):
    window.begin_job("machine 7", "130mm-48tpi")
    qtbot.waitUntil(lambda: window.controller.number is not None)
    sized(window, size)
    wrong = []
    for page in all_pages(window, qtbot.waitUntil):
        QApplication.processEvents()
        wrong += [(page, fault) for fault in (*cut(window), *beyond(window))]
    assert wrong == []
    assert window.size().toTuple() == size


@pytest.mark.parametrize("language", languages(), indirect=True)
def test_the_buttons_of_the_sources_stand_in_one_row_in_a_small_window(window):
    sized(window, (480, 320))
    window.show_sources()
    page = window.source_page
    choice = Choice(Opening("sound:Bench interface"))
    for show in (
        lambda: page.show_address("sound:"),
        lambda: page.tell_open_elsewhere(choice, lambda: True),
        # Last, as it is where a source runs that stays open.
        window.show_sources,
    ):
        show()
        QApplication.processEvents()
        tops = {each.y() for each in page._buttons.children() if each.isVisible()}
        assert tops == {0}
        assert beyond(window) == cut(window) == []


def test_small_words_grow_with_the_window_and_never_vanish():
    assert [Sizes.of(*size).text_px for size in SIZES] == [12, 12, 12, 12, 12, 18, 36]


def test_the_words_are_told_to_a_screen_reader(window):
    page = window.needle_page
    press(KEY.Key_Home)
    page.far.show_face(face(0.12), FarWords("◀ move inward", "21 %", "", "Step out."), 0.0)
    assert page.far._lines.accessibleDescription() == "◀ move inward. 21 %. Step out."


def test_a_nudge_stands_above_its_ask(window, monkeypatch):
    window.begin_job("machine 7", "130mm-48tpi")
    words = Message(messages.NUDGE_COUNTER.text, ("0.07", "0.03", "21"))
    monkeypatch.setattr(type(window.controller.job), "ask", Do(Action.NUDGE, words, amount=-21.0))
    window.controller.changed.emit()
    press(KEY.Key_Home)
    sized(window, (1920, 1080))
    shown = window.needle_page.far.words
    assert shown.nudge.startswith("↺ 0.07°")
    assert shown.ask == "Turn the body counter-clockwise."


def test_a_job_begun_on_another_page_lays_no_button_over_another(window):
    sized(window, (1088, 700))
    window.show_drives()
    QApplication.processEvents()
    window.begin_job("machine 7", "130mm-48tpi")
    sized(window, (1088, 700))
    shown = [each for each in window.findChildren(QAbstractButton) if each.isVisible()]
    over = [
        (one.text(), other.text())
        for one, other in combinations(shown, 2)
        if one.parent() is other.parent() and one.geometry().intersects(other.geometry())
    ]
    assert len(shown) > 5
    assert over == []


def test_an_ask_that_takes_two_lines_has_the_room_of_both(qtbot):
    lines = _Lines()
    qtbot.addWidget(lines)
    high = {}
    for ask in ("Seat it", "Seat the alignment disk anew and close the door"):
        lines.words = FarWords(ask=ask)
        (room, *_), *rest = lines.places(1200.0)
        high[ask] = room.height()
        assert not rest
    one, two = high.values()
    assert two > 1.5 * one
