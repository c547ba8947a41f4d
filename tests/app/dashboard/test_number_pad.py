"""The number pad in the layout for the left hand: a job's keys for the right one, by place."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from app.dashboard.help_page import keys
from app.dashboard.job_panel.controller import Writing
from app.job import messages
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.app.dashboard.keys import KEY, lean_on, press

PAD = Qt.KeyboardModifier.KeypadModifier
FIGURES = {"back": KEY.Key_0, "skip": KEY.Key_Period, "up": KEY.Key_8, "down": KEY.Key_2}
GERMAN = {**FIGURES, "skip": KEY.Key_Comma}
MOVES = {"back": KEY.Key_Insert, "skip": KEY.Key_Delete, "up": KEY.Key_Up, "down": KEY.Key_Down}


@pytest.fixture
def session():
    return FakeSession(lambda: view(0.02), FakeControls())


@pytest.fixture
def window(open_window, session, tmp_path):
    made = open_window(session, tmp_path / "book.sqlite3", ticking=False)
    made.show_needle()
    made.tick()
    made.begin_job("machine 7", "130mm-48tpi")
    return made


def asked(window):
    return window.controller.job.ask.message


@pytest.mark.parametrize("pad", [FIGURES, GERMAN, MOVES], ids=["figures", "comma", "moves"])
def test_the_whole_walk_is_done_on_the_pad(window, pad):
    window.looks.change_hand()
    press(KEY.Key_Enter, modifier=PAD)
    assert asked(window) == messages.GROUND_CLIP
    press(pad["back"], modifier=PAD)
    assert asked(window) == messages.MAINS
    press(pad["down"], modifier=PAD)
    assert window.controller.chosen == 1
    press(pad["up"], modifier=PAD)
    assert window.controller.chosen == 0
    press(pad["back"], modifier=PAD)
    press(pad["skip"], modifier=PAD)
    assert window.controller.writing is Writing.SKIP


def test_it_nudges_on_while_it_is_held_as_the_arrows_do(window, session):
    window.looks.change_hand()
    press(KEY.Key_4, KEY.Key_6, KEY.Key_6, modifier=PAD)
    assert session.controls.done == [("nudge", -5.0), ("nudge", 5.0), ("nudge", 5.0)]
    lean_on(KEY.Key_4, 3, modifier=PAD)
    assert session.controls.done[3:] == [("nudge", -5.0)] * 3
    press(KEY.Key_Return, KEY.Key_Return)
    lean_on(KEY.Key_0, 3, modifier=PAD)
    assert asked(window) == messages.GROUND_CLIP


def test_the_usual_keys_stay(window):
    window.looks.change_hand()
    press(KEY.Key_Return)
    assert asked(window) == messages.GROUND_CLIP
    press(KEY.Key_Backspace)
    assert asked(window) == messages.MAINS
    press(KEY.Key_F8)
    assert window.controller.writing is Writing.SKIP


def test_the_figures_of_the_row_above_the_letters_do_nothing(window):
    window.looks.change_hand()
    press(KEY.Key_Return)
    press(KEY.Key_0, KEY.Key_Period, KEY.Key_8)
    assert asked(window) == messages.GROUND_CLIP
    assert window.controller.writing is Writing.NOTHING


def test_the_pad_does_nothing_of_it_in_the_usual_layout_and_at_other_pages(window, monkeypatch):
    press(KEY.Key_Return)
    press(KEY.Key_0, KEY.Key_Period, modifier=PAD)
    assert asked(window) == messages.GROUND_CLIP
    window.looks.change_hand()
    looked = []
    monkeypatch.setattr(window.source_page, "look", lambda: looked.append(True))
    window.show_help()
    window.help_page._on.setFocus()  # the list beside it would look for what is typed
    press(KEY.Key_0, KEY.Key_Period, modifier=PAD)
    assert looked == []
    window.show_needle()
    assert asked(window) == messages.GROUND_CLIP
    assert window.controller.writing is Writing.NOTHING


def test_where_a_reason_is_typed_the_pad_types(window):
    window.looks.change_hand()
    press(KEY.Key_F8)
    window.tick()
    field = QApplication.focusWidget()
    assert field is window.needle_page.job.entry
    QTest.keyClick(field, "8", PAD)
    QTest.keyClick(field, "0", PAD)
    QTest.keyClick(field, ".", PAD)
    assert field.text() == "80."
    assert window.controller.writing is Writing.SKIP


def test_the_table_of_keys_has_it():
    (words,) = (words for key, words in keys() if key == "Number pad")
    for told in ("left hand", "Enter goes on", "0 takes back", "leaves out"):
        assert told in words
