"""A learned key, as a pedal sends it: what it does, what it never does, what cannot be learned."""

import json

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from app.dashboard.going_on import key_name, refusal
from app.dashboard.settings import Settings
from app.dashboard.translation import Translation
from app.job import messages
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.app.dashboard.keys import CONTROL, KEY, SHIFT, lean_on, press, send

PEDAL = KEY.Key_F13


@pytest.fixture
def path(tmp_path):
    return tmp_path / "window.json"


@pytest.fixture
def session():
    return FakeSession(lambda: view(0.02), FakeControls())


@pytest.fixture
def open_one(open_window, session, path, tmp_path):
    def open_it():
        made = open_window(
            session, tmp_path / "book.sqlite3", ticking=False, settings=Settings(path)
        )
        made.show_needle()
        made.tick()
        return made

    return open_it


@pytest.fixture
def window(open_one):
    return open_one()


def learn(window, key):
    press(KEY.Key_K, modifier=CONTROL)
    assert "Press the pedal" in window.top_bar.words
    send(key)


def asked(window):
    return window.controller.job.ask.message


def test_a_learned_key_walks_the_job_on_and_is_told_beside_enter(window):
    window.begin_job("machine 7", "130mm-48tpi")
    button = window.needle_page.job._view.button
    press(PEDAL)
    assert asked(window) == messages.MAINS
    learn(window, PEDAL)
    # What teaches the key does not go on by it.
    assert asked(window) == messages.MAINS
    assert "F13 goes on" in window.top_bar.words
    assert button.text().endswith("⏎ / F13")
    press(PEDAL)
    assert asked(window) == messages.GROUND_CLIP
    window.tick()
    assert button.text().endswith("⏎ / F13")


def test_it_is_remembered_until_it_is_forgotten(open_one, path):
    first = open_one()
    learn(first, KEY.Key_MediaNext)
    first.close()
    window = open_one()
    window.begin_job("machine 7", "130mm-48tpi")
    assert window.needle_page.job._view.button.text().endswith("⏎ / Media Next")
    send(KEY.Key_MediaNext)
    assert asked(window) == messages.GROUND_CLIP
    window.learned.forget()
    assert "Media Next goes on no more" in window.top_bar.words
    send(KEY.Key_MediaNext)
    assert asked(window) == messages.GROUND_CLIP
    assert window.needle_page.job._view.button.text().endswith("⏎")
    assert Settings(path).going_on_key == 0
    window.learned.forget()
    assert "No key is learned" in window.top_bar.words


def test_a_pedal_that_is_held_confirms_one_caution(window):
    window.begin_job("machine 7", "130mm-48tpi")
    press(KEY.Key_K, modifier=CONTROL)
    # Held from its learning on, it has not been pressed for the caution.
    lean_on(PEDAL)
    assert asked(window) == messages.MAINS
    lean_on(PEDAL)
    assert asked(window) == messages.GROUND_CLIP


def test_it_gives_no_answer_of_several_not_even_the_one_that_tab_has_reached(window):
    window.begin_job("machine 7", "130mm-48tpi")
    learn(window, PEDAL)
    while asked(window) != messages.WAS_IT_REFUSED:
        press(PEDAL)
        window.tick()
    press(PEDAL)
    assert asked(window) == messages.WAS_IT_REFUSED
    assert "Choose" in window.needle_page.job._view._remark.words
    press(KEY.Key_Tab)
    press(PEDAL)
    assert asked(window) == messages.WAS_IT_REFUSED
    press(KEY.Key_Return)
    assert asked(window) == messages.CLEAN_HEADS


def test_what_is_typed_is_the_fields_and_the_key_takes_it_as_enter_does(window):
    window.begin_job("machine 7", "130mm-48tpi")
    learn(window, PEDAL)
    while asked(window) != messages.CHASSIS_TEMPERATURE:
        window.tick()
        press(KEY.Key_Tab, KEY.Key_Return) if window.needle_page.job.card.choices else press(PEDAL)
    window.tick()
    entry = window.needle_page.job.entry
    assert entry.hasFocus()
    QTest.keyClicks(entry, "21")
    assert entry.text() == "21"
    taken = []
    window.needle_page.job._view.answered.connect(taken.append)
    assert asked(window) == messages.CHASSIS_TEMPERATURE
    press(PEDAL)
    assert asked(window) != messages.CHASSIS_TEMPERATURE
    assert taken == ["21"]


def test_it_does_nothing_at_another_page_or_behind_a_card(window):
    window.begin_job("machine 7", "130mm-48tpi")
    learn(window, PEDAL)
    for show in (window.show_help, window.show_sources, window.show_drives):
        show()
        press(PEDAL)
        assert asked(window) == messages.MAINS
    window.show_needle()
    window.explain()
    press(PEDAL)
    assert window.callout.pointer is not None
    assert asked(window) == messages.MAINS


def test_a_page_turning_pedal_goes_on_in_a_narrow_window_too_and_steps_nothing(window, session):
    learn(window, KEY.Key_PageDown)
    assert "PgDn goes on" in window.top_bar.words
    assert "by its buttons" in window.top_bar.words
    window.begin_job("machine 7", "130mm-48tpi")
    window.resize(480, 800)
    QApplication.processEvents()
    window.tick()
    press(KEY.Key_PageDown)
    assert asked(window) == messages.GROUND_CLIP
    assert session.controls.done == []
    window.learned.forget()
    window.resize(1280, 800)
    QApplication.processEvents()
    press(KEY.Key_PageDown)
    assert [call[0] for call in session.controls.done] == ["step"]


@pytest.mark.parametrize(
    ("key", "why"),
    [
        (KEY.Key_A, "needed where something is typed"),
        (KEY.Key_Space, "freeze the trace"),
        (KEY.Key_5, "needed where something is typed"),
        (KEY.Key_Delete, "needed where something is typed"),
        (KEY.Key_Dead_Acute, "needed where something is typed"),
        (KEY.Key_Paste, "needed where something is typed"),
        (KEY.Key_F5, "F5 does something else here: virtual drive: reseat the disk."),
        (KEY.Key_F8, "F8 does something else here: job: leave out a check"),
        (KEY.Key_Backspace, "⌫ does something else here: job: take back"),
        (KEY.Key_Return, "⏎ does something else here: do the next thing"),
        (KEY.Key_Left, "← does something else here: virtual drive: nudge"),
        (KEY.Key_Home, "Home does something else here: needle and ask"),
        (KEY.Key_Tab, "Tab does something else here: go from control"),
        (KEY.Key_Shift, "only changes what others do"),
        (KEY.Key_unknown, "does not tell that key from others"),
    ],
)
@pytest.mark.few(8)
def test_what_cannot_be_learned_is_refused_with_the_reason(window, path, key, why):
    learn(window, key)
    assert why in window.top_bar.words
    assert "Press another one" in window.top_bar.words
    assert Settings(path).going_on_key == 0
    # The next one counts all the same.
    press(PEDAL)
    assert window.learned.key is PEDAL


def test_each_key_of_the_window_is_refused_by_the_words_of_the_table(window):
    for key, modifiers in window._keys:
        if modifiers is Qt.KeyboardModifier.NoModifier and key not in (
            KEY.Key_PageUp,
            KEY.Key_PageDown,
        ):
            why = refusal(key, window._keys)
            assert "does something else" in why
            assert not why.endswith(": ."), key


def test_a_key_with_another_is_refused(window, path):
    press(KEY.Key_K, modifier=CONTROL)
    press(PEDAL, modifier=SHIFT)
    assert "pressed with another" in window.top_bar.words
    assert Settings(path).going_on_key == 0


def test_a_page_turning_pedal_goes_on_where_the_list_of_checks_has_the_keys(window):
    window.begin_job("machine 7", "130mm-48tpi")
    learn(window, KEY.Key_PageDown)
    window.needle_page.job.list.setFocus()
    press(KEY.Key_PageDown)
    assert asked(window) == messages.GROUND_CLIP


def test_escape_or_a_touch_gives_learning_up(window, qtbot, path):
    window.begin_job("machine 7", "130mm-48tpi")
    learn(window, KEY.Key_Escape)
    assert "No other key is learned" in window.top_bar.words
    press(PEDAL)
    press(KEY.Key_K, modifier=CONTROL)
    qtbot.mouseClick(window.needle_page.meter, Qt.MouseButton.LeftButton)
    assert "Press the pedal" not in window.top_bar.words
    press(PEDAL)
    assert Settings(path).going_on_key == 0
    assert asked(window) == messages.MAINS


def test_a_key_that_is_still_held_is_not_what_is_learned(window):
    press(KEY.Key_K, modifier=CONTROL)
    send(PEDAL, repeated=True)
    assert "Press the pedal" in window.top_bar.words
    assert window.learned.key is None


def test_learning_takes_the_key_wherever_the_keys_are(window, path):
    window.show_drives()
    field = window.drives_page._search
    field.setFocus()
    learn(window, KEY.Key_F16)
    assert Settings(path).going_on_key == KEY.Key_F16.value
    assert field.text() == ""


@pytest.mark.parametrize("kept", [KEY.Key_A.value, KEY.Key_Return.value, 3, -5, 10**12])
def test_a_settings_file_teaches_no_key_that_cannot_be_learned(open_one, path, kept):
    settings = Settings(path)
    settings.save()
    tree = json.loads(path.read_text())
    path.write_text(json.dumps({**tree, "going_on_key": kept}))
    window = open_one()
    assert window.learned.key is None
    assert window.learned.name == ""


def test_it_is_said_to_a_screen_reader(window, announced):
    learn(window, PEDAL)
    assert [words for words in announced if "pedal" in words or "F13" in words] == [
        "Press the pedal or the key that is to go on; Esc gives up.",
        "F13 goes on from now on, as Enter does at the needle.",
    ]


def test_a_long_name_is_cut_and_one_that_finds_no_room_is_left_out(window):
    assert len(key_name(KEY.Key_MediaTogglePlayPause)) <= 14
    window.begin_job("machine 7", "130mm-48tpi")
    learn(window, KEY.Key_MediaTogglePlayPause)
    card = window.needle_page.job._view
    both = card.button.sizeHint().width()
    assert both <= card.width()
    card.resize(both - 1, card.height())
    assert card.button.text().endswith("⏎")
    assert card.button.sizeHint().width() < both
    card.resize(both, card.height())
    assert card.button.text().endswith(f"⏎ / {window.learned.name}")


def test_it_is_told_in_german(qapp, window):
    german = Translation("de")
    qapp.installTranslator(german)
    try:
        for key, name in ((KEY.Key_F5, "F5"), (KEY.Key_Home, "Pos1"), (KEY.Key_Space, "Leertaste")):
            why = refusal(key, window._keys)
            assert why.startswith(f"{name} tut hier etwas anderes: ")
            assert not why.endswith(": .")
        assert "virtuelles Laufwerk" in refusal(KEY.Key_F5, window._keys)
    finally:
        qapp.removeTranslator(german)
