"""The tour: five cards, by keys and by mouse, at each size; all is as before when it has ended."""

from types import SimpleNamespace

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication

from app.dashboard.translation import Translation
from app.language import ENGLISH, languages
from app.live.opening import Opening
from app.live.view import Phase, View
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.app.dashboard.keys import KEY, press

TOUR = "sim:offset_um=-30&seed=1"
SIZES = ((480, 320), (800, 480), (960, 540), (1024, 640), (1920, 1080), (3840, 2160))


class Drive(FakeSession):
    """Shows the virtual drive while a virtual drive is open, and a real one while another is."""

    def open(self, address, roles=None, options=None):
        super().open(address, roles, options)
        self.now = view(0.1, source=address, virtual=address.startswith("sim:"))


@pytest.fixture
def session():
    return Drive(View(), FakeControls())


@pytest.fixture
def language(request, qapp):
    spoken = Translation(getattr(request, "param", ENGLISH))
    qapp.installTranslator(spoken)
    yield
    qapp.removeTranslator(spoken)


@pytest.fixture
def window(language, open_window, session):
    return open_window(session, ticking=False)


def opened(session):
    return [call[1] for call in session.calls if call[0] == "open"]


def titles(window):
    return window.callout._title.text().replace("\u00a0", " ")


def test_nothing_is_opened_before_the_tour_is_asked_for(window, session):
    window.tick()
    window.show_needle()
    assert session.calls == []


def test_five_cards_by_keys_from_the_first_page_and_back_to_it(window, session):
    assert window.page is window.help_page
    window.help_page.list.setFocus()
    chosen = window.help_page.list.currentItem
    # None is chosen before the book has answered.
    while not (chosen() and chosen().text().startswith("Tour")):
        press(KEY.Key_Down)
    press(KEY.Key_Return)
    assert opened(session) == [TOUR]
    assert window.page is window.needle_page
    seen = [titles(window)]
    for _ in range(4):
        press(KEY.Key_Return)
        seen.append(titles(window))
    assert [each[-8:].strip() for each in seen] == [f"({n} / 5)" for n in range(1, 6)]
    press(KEY.Key_Backspace)
    assert titles(window) == seen[3]
    press(KEY.Key_Return)
    press(KEY.Key_Return)
    assert window.callout.pointer is None
    assert session.calls[-1] == ("close",)
    assert window.page is window.help_page
    assert window.help_page.isAncestorOf(QApplication.focusWidget())
    assert window.opening == Opening()
    assert window._settings.recent == ()


def test_five_cards_by_mouse(qtbot, window):
    window.tour.begin()
    card = window.callout
    left = Qt.MouseButton.LeftButton
    for number in range(2, 6):
        qtbot.mouseClick(card._on, left)
        assert f"({number} / 5)" in titles(window)
    qtbot.mouseClick(card._back, left)
    assert "(4 / 5)" in titles(window)
    qtbot.mouseClick(card._end, left)
    assert card.pointer is None


def test_what_was_open_is_closed_after_asking_alone_and_opened_again(window, session):
    before = Opening("sound:a", "plus,minus", "20", "0.35")
    session.profile = other = session.profile
    window.open_source(before)
    window.needle_page.alone = (True, False)
    session.calls.clear()
    window.tour.begin()
    assert "sound:a" in window.callout.pointer.words
    # Whoever leans on Enter has said no.
    press(KEY.Key_Return)
    assert session.calls == []
    assert window.callout.pointer is None
    window.tour.begin()
    window.callout.go_on()
    assert opened(session) == [TOUR]
    assert window.needle_page.alone == (False, False)
    press(KEY.Key_Escape)
    assert session.calls[-1][:3] == ("open", "sound:a", "plus,minus")
    assert window.opening == before
    assert session.profile is other
    assert window.needle_page.alone == (True, False)


def test_an_open_virtual_drive_is_led_through_as_it_is(window, session):
    window.open_source(Opening("sim:seed=9"))
    window.tour.begin()
    press(KEY.Key_Right)
    assert session.controls.done == [("nudge", 5.0)]
    press(KEY.Key_Escape)
    assert opened(session) == ["sim:seed=9"]


def test_a_job_in_hand_at_a_real_drive_is_not_taken_away(window, session, monkeypatch):
    window.open_source(Opening("sound:a"))
    job = SimpleNamespace(closed=False)
    with monkeypatch.context() as patched:
        patched.setattr(type(window.controller), "job", property(lambda _: job))
        window.tour.begin()
    assert window.callout.pointer is None
    assert "job in hand" in window.top_bar.words
    assert opened(session) == ["sound:a"]


def test_whoever_goes_elsewhere_ends_it_and_is_there(window, session):
    window.open_source(Opening("sound:a"))
    window.tour.begin()
    window.callout.go_on()
    press(KEY.Key_F2)
    assert window.page is window.source_page
    assert window.callout.pointer is None
    assert not window.tour.is_on
    assert opened(session) == ["sound:a", TOUR, "sound:a"]
    assert window.source_page._address.text() == "sound:a"


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("language", languages(), indirect=True)
@pytest.mark.few(1)
def test_no_card_covers_what_it_points_at_or_leaves_the_window(window, size):
    window.resize(*size)
    window.tour.begin()
    for _ in range(5):
        QApplication.processEvents()
        window.tick()
        card = window.callout
        assert window.rect().contains(card.geometry()), titles(window)
        assert not card.geometry().intersects(card.marked), titles(window)
        assert card.marked.width() > 40
        assert card.marked.height() > 40
        assert window.rect().contains(card.marked)
        words = card._words
        # What does not fit is scrolled to, and no button is cut.
        assert words.height() >= words.heightForWidth(words.width())
        for button in (card._on, card._back, card._end):
            if button.isVisible():
                assert card.rect().contains(button.mapTo(card, button.rect().bottomRight()))
                assert button.width() >= button.minimumSizeHint().width()
        card.go_on()


def test_a_source_that_fails_is_no_reason_to_ask(window, session):
    session.now = View(phase=Phase.FAILED, source="sound:b")
    window.tour.begin()
    assert opened(session) == [TOUR]
