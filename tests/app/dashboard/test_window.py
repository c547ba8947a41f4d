"""The window: its keys, its pages, what it passes on to the session, and its end."""

import os
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from PySide6.QtCore import Qt, QTimer, QTranslator
from PySide6.QtGui import QColor, QImage
from PySide6.QtWidgets import (
    QAbstractButton,
    QApplication,
    QComboBox,
    QLineEdit,
    QListWidget,
    QStackedWidget,
    QWidget,
)

from app.analysis.results import Sign
from app.blackbox import recorder
from app.blackbox.file import BoxFile
from app.blackbox.recorder import BlackBox
from app.dashboard.help_page import cannot_do, cautions, help_html, keys
from app.dashboard.needle_page.dial import deflection
from app.dashboard.program import run_dashboard
from app.dashboard.settings import Choice, Settings
from app.dashboard.style import CONTRAST, DARK, LIGHT, Colours, Sizes
from app.dashboard.text import Unit
from app.dashboard.widgets import TouchButton
from app.dashboard.window import MainWindow
from app.ends import ENDS
from app.live.opening import Opening
from app.live.view import Listing, Phase, View
from tests.app.book.jobs import no_file_longer_than
from tests.app.dashboard.fakes import FakeControls, FakeSession, reading, view
from tests.app.dashboard.keys import KEY, SHIFT, press
from tests.app.dashboard.pictures import near
from tests.app.dashboard.whole import whole

ROOT = Path(__file__).parents[3]


@pytest.fixture
def session():
    return FakeSession(
        lambda: view(0.12), FakeControls(), [("sim:", "Virtual drive"), ("sound:a", "Card a")]
    )


@pytest.fixture
def window(open_window, session):
    made = open_window(session)
    made.show_needle()
    made.tick()
    return made


def test_hand_at_the_virtual_drive(window, session):
    press(KEY.Key_Right, KEY.Key_Left)
    press(KEY.Key_Right, KEY.Key_Left, modifier=SHIFT)
    press(KEY.Key_PageDown, KEY.Key_PageUp, KEY.Key_F5)
    assert session.controls.done == [
        ("nudge", 5.0),
        ("nudge", -5.0),
        ("nudge", 25.0),
        ("nudge", -25.0),
        ("step", 1),
        ("step", -1),
        ("reseat",),
    ]


def test_hands_are_seen_only_with_the_virtual_drive(qtbot, window, session):
    assert window.needle_page.hands.isVisible()
    session.controls = None

    def gone():
        window.tick()
        return not window.needle_page.hands.isVisible()

    qtbot.waitUntil(gone)
    window.needle_page.hands.nudge(5.0)


def test_click_leaves_the_keys_with_the_needle(qtbot, window, session):
    button = window.needle_page.hands.findChildren(QAbstractButton)[2]
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    press(KEY.Key_Space)
    assert session.controls.done == [("nudge", 5.0)]
    assert window.needle_page.trace.frozen


def test_space_freezes_and_f6_holds(window):
    press(KEY.Key_Space)
    assert window.needle_page.trace.frozen
    press(KEY.Key_Space)
    assert not window.needle_page.trace.frozen
    press(KEY.Key_F6)
    assert window.needle_page.trace.held is not None
    press(KEY.Key_F6)
    assert window.needle_page.trace.held is None


def test_f4_changes_the_unit(window):
    press(KEY.Key_F4)
    window.tick()
    assert window.needle_page.unit is Unit.MIL
    # 178 µm of scale times 0.12, over 25.4 µm a mil.
    assert window.needle_page.meter.face.offset.text == "0.84 mil"
    press(KEY.Key_F4)
    assert window.needle_page.unit is Unit.UM


def test_sign_is_taught_from_the_keyboard(window, session):
    session.now = view(reading=reading(0.1, sign=Sign.UNKNOWN), roles=("plus", "minus"))
    window.needle_page.prompt.refresh(session.view())
    press(KEY.Key_Return)
    press(KEY.Key_Right)
    press(KEY.Key_Return)
    assert [call[0] for call in session.calls] == ["begin_teaching", "teach"]
    assert session.controls.done == [("nudge", 5.0)]


def test_f7_opens_again_with_an_index(window, session):
    session.now = view(
        reading=reading(0.1, sign=Sign.UNKNOWN), roles=("plus", "minus"), source="sound:a"
    )
    window.needle_page.prompt.refresh(session.view())
    press(KEY.Key_F7)
    assert session.calls == [("open", "sound:a", "differential,index")]


def test_source_is_chosen_by_arrows_and_enter(qtbot, window, session):
    press(KEY.Key_F2)
    assert window.page is window.source_page
    qtbot.waitUntil(lambda: not window.source_page.looking)
    sources = window.source_page.findChild(QListWidget)
    sources.setCurrentRow(0)
    press(KEY.Key_Down)
    press(KEY.Key_Return)
    assert session.calls == [("open", "sound:a", None)]
    assert window.page is window.needle_page


def test_address_and_roles_are_typed(qtbot, window, session):
    window.show_sources()
    qtbot.waitUntil(lambda: not window.source_page.looking)
    address = next(f for f in window.findChildren(QLineEdit) if f.accessibleName() == "Address")
    address.setFocus()
    address.clear()
    qtbot.keyClicks(address, "visa:?roles=plus,minus&probe=10")
    press(KEY.Key_Return)
    assert session.calls == [("open", "visa:?roles=plus,minus&probe=10", "plus,minus")]


def test_no_address_is_asked_for(qtbot, window, session):
    session.listing = Listing()
    session.now = View()
    window.show_sources()
    qtbot.waitUntil(lambda: not window.source_page.looking)
    window.source_page._address.clear()
    window.source_page._open()
    assert session.calls == []
    assert "No address" in window.source_page.status


def test_slow_listing_never_holds_up_the_window(qtbot, window, session):
    gate = threading.Event()

    def slow(*, anew):
        gate.wait(60)
        return session.listing

    session.listed = slow
    window.show_sources()
    window.tick()
    assert window.source_page.looking
    gate.set()
    qtbot.waitUntil(lambda: not window.source_page.looking)
    rows = window.source_page.findChild(QListWidget)
    assert [rows.item(each).text() for each in range(rows.count())] == [
        "Virtual drive    sim:",
        "Card a    sound:a",
        "Capture …",
        "Scope …",
        "Program …",
    ]


def test_a_sound_input_is_described_also_where_none_was_found(qtbot, window, session):
    session.listing = Listing()
    window.show_sources()
    qtbot.waitUntil(lambda: not window.source_page.looking)
    rows = window.source_page.findChild(QListWidget)
    words = [rows.item(each).text() for each in range(rows.count())]
    assert words == ["Virtual drive …", "Capture …", "Sound input …", "Scope …", "Program …"]
    rows.setCurrentRow(words.index("Sound input …"))
    assert window.source_page.choice.opening.address == "sound:"


def test_what_cannot_be_used_is_said_below_the_list(qtbot, window, session):
    hint = "the USB scope 5345:1234 speaks no SCPI; save a capture or use pipe:"
    session.listing = Listing(session.listing.sources, (hint,))
    window.show_sources()
    qtbot.waitUntil(lambda: not window.source_page.looking)
    assert window.source_page._status.text().splitlines()[1:] == [hint]


def test_listing_that_fails_is_said(qtbot, window, session):
    def fails(*, anew):
        raise OSError("no sound system")

    session.listed = fails
    window.show_sources()
    qtbot.waitUntil(lambda: not window.source_page.looking)
    assert "no sound system" in window.source_page._status.text()


def test_first_page_tells_how_a_scope_is_wired(window):
    text = window.help_page._text.toPlainText()
    for words in ("Two ×10 probes", "One ground clip only", "Index trigger", "scope's earth"):
        assert words in text


def test_first_page_comes_first_and_leads_on(qtbot, open_window, tmp_path):
    session = FakeSession(listed=[("sim:", "Virtual drive")])
    # With a book of another test's the page might lead to the job that is open there.
    window = open_window(session, tmp_path / "book.sqlite3")
    assert window.page is window.help_page
    press(KEY.Key_F2)
    assert window.page is window.source_page
    qtbot.waitUntil(lambda: not window.source_page.looking)
    press(KEY.Key_Return)
    assert session.calls == [("open", "sim:", None)]
    press(KEY.Key_F1)
    assert window.page is window.help_page
    press(KEY.Key_Escape)
    assert window.page is window.needle_page


def test_keys_of_the_needle_do_nothing_on_other_pages(window, session):
    window.show_help()
    press(KEY.Key_F5)
    assert session.controls.done == []


def test_first_page_says_what_must_be_said():
    page = help_html()
    for sentence in (*cannot_do(), *cautions()):
        assert sentence.replace("'", "&#x27;") in page
    said = " ".join((*cannot_do(), *cautions())).lower()
    words = "motor, stepper energised, mains, earth, 2 v, write-protect, licensed"
    assert [word for word in words.split(", ") if word not in said] == []


def test_no_key_is_a_letter_or_a_figure_alone(window):
    for key, modifier in window._keys:
        if not modifier & Qt.KeyboardModifier.ControlModifier:
            assert not KEY.Key_0 <= key <= KEY.Key_9
            assert not KEY.Key_A <= key <= KEY.Key_Z


def test_every_key_of_the_window_is_told(window):
    told = " ".join(key for key, _ in keys())
    for number in (*range(1, 10), 11):
        assert f"F{number}" in told


def test_every_control_has_a_name_and_a_description(window):
    kinds = (QAbstractButton, QLineEdit, QComboBox, QListWidget)
    controls = [control for kind in kinds for control in whole(window).findChildren(kind)]
    controls = [each for each in controls if not isinstance(each.parent(), QComboBox)]
    assert len(controls) > 20
    for control in controls:
        assert control.accessibleName(), control
        assert control.accessibleDescription(), control.accessibleName()


def test_tab_goes_with_the_eye(window, session):
    session.now = view(reading=reading(0.1, sign=Sign.UNKNOWN), roles=("plus", "minus"))
    window.needle_page.prompt.refresh(session.view())
    first = window.top_bar.findChildren(QAbstractButton)[0]
    first.setFocus()
    reached = []
    for _ in range(18):
        focused = QApplication.focusWidget()
        at = focused.mapTo(window, focused.rect().center())
        row = 0 if at.y() < 60 else 1 if at.y() < 110 else 2 if at.y() < 520 else 3
        reached.append((row, at.x()))
        press(KEY.Key_Tab)
    assert reached == sorted(reached)
    assert [row for row, _ in reached] == [0] * 6 + [1] * 2 + [2] + [3] * 9
    assert QApplication.focusWidget() is first


def test_colours_follow_the_system(qtbot, monkeypatch):
    window = MainWindow(FakeSession())
    qtbot.addWidget(window)
    monkeypatch.setattr("app.dashboard.window.theme_for", lambda palette, colours: DARK)
    window.apply_system_theme()
    assert window.theme is DARK
    chosen = MainWindow(FakeSession(), LIGHT)
    qtbot.addWidget(chosen)
    chosen.apply_system_theme()
    assert chosen.theme is LIGHT


class Marking(QTranslator):
    """A translation in which every word carries a mark, by the context that the files name."""

    def translate(self, context, source, disambiguation=None, n=-1):
        return f"~{source}" if context else source


def test_all_words_are_translated(qtbot, qapp):
    marking = Marking()
    qapp.installTranslator(marking)
    try:
        window = MainWindow(FakeSession(view(0.12), FakeControls()), LIGHT)
        qtbot.addWidget(window)
        window.tick()
        named = [
            window.top_bar.words,
            window.needle_page.meter.face.headline,
            window.needle_page.meter.face.detail,
            window.needle_page.prompt.prompt.words,
            *(line.name for line in window.needle_page.status.lines if "level" not in line.name),
            *(b.accessibleDescription() for b in whole(window).findChildren(TouchButton)),
            window.needle_page.meter.accessibleName(),
            window.needle_page.trace.accessibleDescription(),
            *cautions(),
        ]
        assert len(named) > 40
        assert [words for words in named if words and not words.startswith("~")] == []
    finally:
        qapp.removeTranslator(marking)


@pytest.mark.slow
def test_controls_are_large_enough_and_nothing_overlaps(window):
    for size in ((1024, 640), (1920, 1080), (3840, 2160)):
        window.resize(*size)
        QApplication.processEvents()
        are_large_enough_and_apart(window, size)


def are_large_enough_and_apart(window, size):
    assert (window.width(), window.height()) == size
    touch = Sizes.of(*size).touch_px
    buttons = [b for b in window.findChildren(QAbstractButton) if b.isVisible()]
    for button in buttons:
        assert button.height() >= touch - 1, button.accessibleName()
        assert button.width() >= touch - 1, button.accessibleName()
        assert button.width() >= button.minimumSizeHint().width() - 1, button.accessibleName()
    page = window.needle_page
    parts = (page.meter, page.figures, page.trace, page.strip, page.status, page.prompt)
    places = [part.geometry() for part in parts if part.isVisible()]
    assert len(places) >= len(parts) - 1
    for rank, place in enumerate(places):
        assert page.rect().contains(place)
        assert not any(place.intersects(other) for other in places[rank + 1 :])
    assert page.meter.width() * page.meter.height() > 0.3 * size[0] * size[1]


def test_what_stands_in_a_page_adds_no_margins_to_the_page_s(window):
    found = set()
    for each in whole(window).findChildren(QWidget):
        is_page = isinstance(each.parent(), QStackedWidget) or each.objectName() == "page"
        box = None if is_page else each.layout()
        if box is not None and not box.contentsMargins().isNull():
            found.add(type(each).__name__)
    # A callout lies over the window, in no page.
    assert found == {"PageStack", "QStackedWidget", "JobPanel", "Callout"}


def test_of_a_source_that_is_open_before_it_is_shown_the_needle_has_the_keys(qtbot, session):
    window = MainWindow(session)
    qtbot.addWidget(window)
    window.resize(1600, 900)
    window.open_choice(Choice(Opening("sim:"), session.profile.name))
    with qtbot.waitActive(window):
        window.show()
    assert window.focusWidget() is window.needle_page.meter
    qtbot.keyClick(window.focusWidget(), Qt.Key.Key_Left)
    assert session.controls.done == [("nudge", -5.0)]


def test_picture_of_the_virtual_drive_says_so(window, tmp_path):
    path = tmp_path / "picture.png"
    window.tick()
    window.save_picture(path)
    picture = QImage(str(path))
    assert (picture.width(), picture.height()) == (1280, 800)
    assert "VIRTUAL DRIVE" in window.top_bar.words


def test_picture_that_cannot_be_written(window, tmp_path):
    with pytest.raises(FileNotFoundError):
        window.save_picture(tmp_path / "none" / "picture.png")
    there = tmp_path / "there.png"
    there.write_text("one of before")
    with no_file_longer_than(100), pytest.raises(OSError, match="File too large"):
        window.save_picture(there)
    assert there.read_text() == "one of before"
    assert list(tmp_path.glob("*.png")) == [there]


def test_f9_keeps_a_picture_and_says_where(window, tmp_path, monkeypatch):
    monkeypatch.setattr(
        "app.dashboard.keeping.QStandardPaths.writableLocation",
        lambda where: str(tmp_path / "new" / where.name),
    )
    press(KEY.Key_F9)
    window.tick()
    (kept,) = (tmp_path / "new" / "PicturesLocation").glob("evenlobe-*.png")
    assert window.top_bar.words.startswith(f"Picture saved: {kept}  ·  ")
    assert re.fullmatch(r"evenlobe-\d{8}-\d{6}\.png", kept.name)
    kept.unlink()
    press(KEY.Key_F9)  # into the folder that is there by now
    assert len(list(kept.parent.iterdir())) == 1


def test_f9_says_why_no_picture_is_kept(window, tmp_path, monkeypatch):
    (tmp_path / "file").touch()
    monkeypatch.setattr(
        "app.dashboard.keeping.QStandardPaths.writableLocation", lambda _: str(tmp_path / "file")
    )
    press(KEY.Key_F9)
    assert str(tmp_path / "file") in window.top_bar.words
    assert "cannot be written: File exists; choose another place" in window.top_bar.words


def test_needle_follows_the_session(window, session):
    session.now = lambda: view(-0.3)
    for _ in range(20):
        window.tick()
        time.sleep(0.01)
    meter = window.needle_page.meter
    picture = meter.grab().toImage()
    assert meter.painted_deflection == pytest.approx(deflection(-0.3), abs=0.01)
    dial = meter.dial
    at = dial.point(deflection(-0.3), dial.radius * 0.85)
    assert near(picture, at, LIGHT.needle)


def test_clock_is_the_one_given(qtbot):
    now = [5000.0]
    session = FakeSession(view(0.1, 5000.0))
    window = MainWindow(session, DARK, clock=lambda: now[0])
    qtbot.addWidget(window)
    window.stop()
    window.tick()
    assert window.needle_page.meter.face.balance == pytest.approx(0.1)
    now[0] = 5001.5
    window.tick()
    assert window.needle_page.meter.face.balance is None
    assert "Stale" in window.needle_page.meter.face.detail


def test_running_opens_closes_and_returns(qtbot, tmp_path, monkeypatch):
    def hooks():
        told_of = [signal.getsignal(each) for each in ENDS]
        return [*told_of, sys.excepthook, threading.excepthook]

    monkeypatch.setattr(recorder, "boxes_folder", lambda: tmp_path)
    session, before, during = FakeSession(), hooks(), []

    kept = tmp_path / "settings" / "window.json"
    remembered = Settings(kept)
    remembered.left_handed = True
    remembered.save()
    left_handed = []

    def look():
        during.extend(hooks())
        shown = [each for each in QApplication.topLevelWidgets() if isinstance(each, MainWindow)]
        left_handed.extend(each._left_handed for each in shown if each.isVisible())
        QApplication.closeAllWindows()

    QTimer.singleShot(200, look)
    opening = Opening("sim:", "plus,minus,index")
    assert run_dashboard(session, opening, ["evenlobe"], settings=kept) == 0
    assert left_handed == [True]
    assert session.calls == [("open", "sim:", "plus,minus,index"), ("close",)]
    # Nothing of it is left: neither what it had set up nor a black box that goes on.
    assert all(now is not then for now, then in zip(during, before, strict=True))
    assert hooks() == before
    assert "black-box" not in {thread.name for thread in threading.enumerate()}
    assert list(tmp_path.iterdir()) == [kept.parent]


@pytest.mark.slow
def test_a_fault_in_a_slot_is_printed_and_said_in_the_window(qtbot):
    def fails():
        raise ZeroDivisionError("no such view")

    def look():
        shown = [each for each in QApplication.topLevelWidgets() if isinstance(each, MainWindow)]
        words = [each.top_bar.words for each in shown if each.isVisible()]
        if any("ZeroDivisionError: no such view" in each for each in words):
            QApplication.closeAllWindows()

    looking = QTimer(interval=50)
    looking.timeout.connect(look)
    looking.start()
    with qtbot.capture_exceptions() as faults:
        before = sys.excepthook
        run_dashboard(FakeSession(fails), None, ["evenlobe"])  # until it is said
        assert sys.excepthook is before
    assert {kind for kind, *_ in faults} == {ZeroDivisionError}


def test_the_last_minute_is_kept_by_a_key_and_its_folder_can_be_shown(qtbot, tmp_path):
    box = BlackBox(tmp_path)
    window = MainWindow(FakeSession(), LIGHT, box=box)
    qtbot.addWidget(window)
    try:
        window.show()
        qtbot.keyClick(window, Qt.Key.Key_B, Qt.KeyboardModifier.ControlModifier)
        qtbot.waitUntil(lambda: "The last minute is kept" in window.top_bar.words)
    finally:
        box.end()
    (path,) = tmp_path.iterdir()
    assert path.name in window.top_bar.words
    assert window.top_bar._folder.isVisible()


@pytest.mark.slow
def test_what_a_crash_has_left_is_told_by_the_next_start(qtbot, tmp_path, monkeypatch):
    monkeypatch.setattr(recorder, "boxes_folder", lambda: tmp_path)
    left = BoxFile(tmp_path / "running-a.blackbox")
    left._db.close()  # as a process that is killed does
    told = []

    def look():
        shown = [each for each in QApplication.topLevelWidgets() if isinstance(each, MainWindow)]
        told.extend(w for each in shown if "evenlobe replay" in (w := each.top_bar.words))
        if told:
            QApplication.closeAllWindows()

    looking = QTimer(interval=50)
    looking.timeout.connect(look)
    looking.start()
    assert run_dashboard(FakeSession(), None, ["evenlobe"]) == 0
    (path,) = tmp_path.iterdir()
    assert path.name in told[0]
    assert path.name.endswith("-crash.blackbox")


def test_failed_source_parks_with_the_sentence(qtbot):
    failed = View(phase=Phase.FAILED, source="x.wav", message="capture “x.wav”: not there.")
    window = MainWindow(FakeSession(failed), LIGHT)
    qtbot.addWidget(window)
    window.show_needle()
    window.tick()
    assert window.needle_page.meter.face.detail == "capture “x.wav”: not there."


@pytest.mark.few(1)
@pytest.mark.parametrize("sent", ENDS)
def test_interrupt_ends_it_cleanly(sent):
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.app.dashboard.scripted"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "QT_QPA_PLATFORM": "offscreen"},
    )
    assert process.stdout.readline().strip() == "open sim: None"
    assert process.stdout.readline().strip() == "shown"
    process.send_signal(sent)
    out, err = process.communicate(timeout=60)
    assert out.strip().splitlines()[-1] == "close"
    assert process.returncode == 0
    assert "Traceback" not in err


def test_colours_are_changed_by_a_key_and_remembered(tmp_path, qtbot, session):
    path = tmp_path / "window.json"
    window = MainWindow(session, settings=Settings(path))
    qtbot.addWidget(window)
    with qtbot.waitActive(window):
        window.show()
    seen = []
    for _ in range(4):
        press(KEY.Key_D, modifier=Qt.KeyboardModifier.ControlModifier)
        seen.append((Settings(path).colours, window.theme))
    chosen = [colours for colours, _ in seen]
    assert chosen == [Colours.LIGHT, Colours.DARK, Colours.CONTRAST, Colours.SYSTEM]
    assert [theme for _, theme in seen[:3]] == [LIGHT, DARK, CONTRAST]
    ground = window.grab().toImage().pixelColor(2, window.height() - 2)
    assert ground == QColor(window.theme.bench)
