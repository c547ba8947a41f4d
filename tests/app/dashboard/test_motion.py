"""Reduced motion: the needle jumps, nothing blinks or fades, and that is remembered."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QAccessibilityHints, QGuiApplication
from PySide6.QtWidgets import QApplication

from app.dashboard.motion import Motion
from app.dashboard.needle_page.dial import deflection
from app.dashboard.settings import Settings
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.app.dashboard.keys import CONTROL, KEY, press


@pytest.fixture
def open_one(open_window, tmp_path):
    opened = []

    def open_it():
        session = FakeSession(lambda: view(0.12), FakeControls())
        settings = Settings(tmp_path / "window.json")
        book = tmp_path / "book.sqlite3"
        opened.append(open_window(session, book, ticking=False, settings=settings))
        opened[-1].show_needle()
        return opened[-1]

    yield open_it
    for made in opened:
        # It is the whole program's, the tests' that follow too.
        made.looks._motion.reduce(False)


def test_a_key_reduces_motion_in_every_view_and_it_is_remembered(open_one, tmp_path):
    window = open_one()
    page = window.needle_page
    blinks_ms = QApplication.cursorFlashTime()
    assert blinks_ms > 0
    assert not page.meter.jumps
    press(KEY.Key_M, modifier=CONTROL)
    assert "Reduced motion" in window.top_bar.words
    assert page.meter.jumps
    assert page.far.meter.jumps
    assert QApplication.cursorFlashTime() == 0
    window.close()
    assert Settings(tmp_path / "window.json").reduced_motion
    window.looks._motion.reduce(False)
    assert QApplication.cursorFlashTime() == blinks_ms
    again = open_one()
    assert again.needle_page.meter.jumps
    assert QApplication.cursorFlashTime() == 0
    press(KEY.Key_M, modifier=CONTROL)
    assert not again.needle_page.meter.jumps
    assert QApplication.cursorFlashTime() == blinks_ms
    assert not Settings(tmp_path / "window.json").reduced_motion


def test_a_reading_is_at_its_place_in_the_first_frame(open_one):
    window = open_one()
    window.looks.change_motion()
    window.tick()
    window.needle_page.meter.grab()
    assert window.needle_page.meter.painted_deflection == pytest.approx(
        deflection(window.needle_page.face.balance), abs=1e-12
    )


def test_menus_and_tips_do_not_slide_or_fade_and_do_so_again_after(qapp):
    effects = (Qt.UIEffect.UI_AnimateMenu, Qt.UIEffect.UI_AnimateCombo, Qt.UIEffect.UI_FadeTooltip)
    general = QApplication.isEffectEnabled(Qt.UIEffect.UI_General)
    QApplication.setEffectEnabled(Qt.UIEffect.UI_General, True)
    before = {each: QApplication.isEffectEnabled(each) for each in effects}
    motion = Motion()
    try:
        for each in effects[:2]:
            QApplication.setEffectEnabled(each, True)
        motion.reduce(True)
        assert [QApplication.isEffectEnabled(each) for each in effects] == [False] * 3
        motion.reduce(False)
        assert [QApplication.isEffectEnabled(each) for each in effects] == [
            True,
            True,
            before[effects[2]],
        ]
    finally:
        motion.reduce(False)
        for each, was in before.items():
            QApplication.setEffectEnabled(each, was)
        QApplication.setEffectEnabled(Qt.UIEffect.UI_General, general)


def test_the_toolkit_does_not_yet_tell_what_the_system_wants():
    """Once this fails, a newer Qt tells it, and the window is to go by it."""
    told = (*dir(QAccessibilityHints), *dir(QGuiApplication.styleHints()))
    assert [each for each in told if "motion" in each.lower()] == []
