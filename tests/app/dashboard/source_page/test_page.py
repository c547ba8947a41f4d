"""The page of sources: what is remembered, what is kept open, and how many actions it takes."""

import pytest
from PySide6.QtCore import QEvent, Qt, QUrl
from PySide6.QtWidgets import QApplication, QFileDialog

from app.dashboard.settings import Choice, Settings
from app.dashboard.style import LIGHT
from app.dashboard.window import MainWindow
from app.live.opening import Opening
from app.live.view import Listed, Listing, Phase, View
from tests.app.dashboard.fakes import FakeSession, view
from tests.app.dashboard.keys import KEY, press
from tests.app.dashboard.person import Person
from tests.app.dashboard.whole import kinds_of_sources

CARD = "sound:Card a, ALSA"
SCOPE = "visa:TCPIP::192.0.2.7::5025::SOCKET"
FOUND = [("sim:", "Virtual drive"), (CARD, "Card a"), (SCOPE, "Scope")]


@pytest.fixture
def session():
    return FakeSession(listed=FOUND)


@pytest.fixture
def settings(tmp_path):
    return Settings(tmp_path / "window.json")


@pytest.fixture
def window(qtbot, session, settings):
    made = MainWindow(session, LIGHT, settings=settings)
    qtbot.addWidget(made)
    made.resize(1280, 800)
    with qtbot.waitActive(made):
        made.show()
    return made


@pytest.fixture
def person(qtbot, window):
    return Person(qtbot, window, at_sources=True)


def opened(session):
    return [call for call in session.calls if call[0] == "open"]


def again(qtbot, session, settings):
    """The next day: another run, with nothing open and what was remembered."""
    after = FakeSession(listed=FOUND)
    window = MainWindow(after, LIGHT, settings=Settings(settings._path))
    qtbot.addWidget(window)
    with qtbot.waitActive(window):
        window.show()
    person = Person(qtbot, window, at_sources=True)
    person.enter()
    assert person.actions == 1
    assert opened(after) == opened(session)


def test_the_virtual_drive_takes_one_action_and_one_the_second_time(
    qtbot, person, session, settings
):
    person.enter()
    assert (person.actions, opened(session)) == (1, [("open", "sim:", None)])
    again(qtbot, session, settings)


def test_a_card_takes_three_actions_and_one_the_second_time(qtbot, person, session, settings):
    person.choose(CARD)
    person.pick(person.page._form.roles.wiring, "the differential and the index")
    person.enter()
    assert (person.actions, opened(session)) == (3, [("open", CARD, "differential,index")])
    again(qtbot, session, settings)


def test_a_scope_takes_two_actions_and_one_the_second_time(qtbot, person, session, settings):
    person.choose(SCOPE)
    person.enter()
    assert (person.actions, opened(session)) == (2, [("open", SCOPE, None)])
    again(qtbot, session, settings)


def test_a_capture_takes_two_actions_and_one_the_second_time(
    qtbot, person, session, settings, tmp_path
):
    capture = tmp_path / "a b.wav"
    capture.touch()
    person.drop(QUrl.fromLocalFile(str(capture)))
    person.enter()
    assert (person.actions, opened(session)) == (2, [("open", f"file:{capture}", None)])
    again(qtbot, session, settings)


@pytest.mark.qt_log_ignore("propagateSizeHints", extend=True)  # the plug-in without a screen
def test_a_capture_in_the_dialog_is_opened_by_its_own_button(qtbot, window, session, tmp_path):
    capture = tmp_path / "found.wav"
    capture.touch()
    QApplication.setAttribute(Qt.ApplicationAttribute.AA_DontUseNativeDialogs)
    window.show_needle()
    press(KEY.Key_O, modifier=Qt.KeyboardModifier.ControlModifier)
    dialog = window.findChild(QFileDialog)
    dialog.selectFile(str(capture))
    dialog.accept()
    assert opened(session) == [("open", f"file:{capture}", None)]
    assert window.page is window.needle_page


def test_tab_leads_from_the_list_through_the_form_to_the_address(person):
    page = person.page
    for kind in (*kinds_of_sources(person.window), "sim"):
        page.show_address(f"{kind}:")
        page._list.setFocus()
        form, first = page._form, page._form.body or page._form.roles.wiring
        press(KEY.Key_Tab)
        assert first.hasFocus(), kind
        way = []
        while not page._address.hasFocus():
            way.append(QApplication.focusWidget())
            assert form.isAncestorOf(way[-1]), kind
            press(KEY.Key_Tab)
        last = form.steps or form.threshold
        assert (way[-1], len(set(way))) == (last, len(way)), kind


def test_a_role_is_chosen_by_its_first_letter(person, session):
    person.choose(CARD)
    channels = person.page._form.roles.channels
    for channel, letter in zip(channels, "ipm", strict=False):
        channel.setFocus()
        person.qtbot.keyClicks(channel, letter)
    person.enter()
    assert opened(session) == [("open", CARD, "index,plus,minus")]


def test_what_is_stated_of_an_envelope_goes_with_it(person, session):
    person.choose(CARD)
    form = person.page._form
    assert form.low_corner.isVisible()
    person.pick(form.roles.wiring, "the differential")
    assert not form.low_corner.isVisible()
    person.pick(form.roles.wiring, "a detector's envelope and the index")
    person.type(form.low_corner, "7+-10%")
    person.type(form.threshold, "0.2")
    person.enter()
    (_, address, roles, stated), *_ = opened(session)
    assert (address, roles) == (CARD, "envelope,index")
    assert (stated.low_corner_hz, stated.low_corner_part) == (7.0, 0.1)
    assert stated.detector_threshold_v == 0.2


def test_coming_back_keeps_the_open_source_and_its_roles(qtbot, window, session):
    choice = Choice(Opening(f"{CARD}?rate=96000", "minus,plus", "", ""), "130mm-48tpi")
    window.open_choice(choice)
    session.now = view(0.1, source=choice.opening.address)
    session.calls.clear()
    person = Person(qtbot, window, at_sources=True)
    assert person.page.choice.opening == choice.opening
    assert [each.currentText() for each in person.page._form.roles.channels][:2] == [
        "1: minus",
        "2: plus",
    ]
    assert person.page._on.accessibleName() == "Keep it open"
    person.enter()
    assert session.calls == []
    assert window.page is window.needle_page


def test_a_listing_that_arrives_changes_nothing_in_the_form(qtbot, window, session):
    person = Person(qtbot, window, at_sources=True)
    person.page._address.setFocus()
    person.page._address.clear()
    qtbot.keyClicks(person.page._address, "sound:9?rate=48000")
    person.page.look()
    qtbot.waitUntil(lambda: not person.page.looking)
    person.page._list.setFocus()
    assert person.page.choice.opening == Opening("sound:9?rate=48000")
    person.enter()
    assert opened(session) == [("open", "sound:9?rate=48000", None)]


def test_all_is_looked_for_anew_where_a_hand_asks_for_it_alone(qtbot, person, session):
    """What the page looks for by itself, each few seconds, may be dear to look for."""
    qtbot.waitUntil(lambda: not person.page.looking)
    person.page._watch.timeout.emit()
    qtbot.waitUntil(lambda: not person.page.looking)
    assert session.looks
    assert not any(session.looks)
    qtbot.keyClick(person.window, Qt.Key.Key_F8)
    qtbot.waitUntil(lambda: not person.page.looking)
    assert session.looks[-1] is True


def test_a_line_that_steps_is_stated_beside_the_source(person, session, settings):
    person.choose(CARD)
    person.type(person.page._form.steps, "tape:")
    person.enter()
    assert "is none of a line that steps" in person.page.status
    assert opened(session) == []
    person.page._form.steps.clear()
    person.type(person.page._form.steps, "serial:/dev/ttyACM0")
    person.enter()
    assert opened(session) == [("open", CARD, None)]
    assert settings.recent[0].opening == Opening(CARD, steps="serial:/dev/ttyACM0")


def test_roles_are_never_completed(person, session):
    person.choose(CARD)
    roles = person.page._form.roles
    for channel, words in zip(roles.channels, ("1: plus", "2: minus"), strict=False):
        person.pick(channel, words)
    assert roles.wiring.currentText() == "both phases"
    person.enter()
    assert opened(session) == [("open", CARD, "plus,minus")]


def test_what_cannot_be_opened_is_said_and_the_page_stays(person, session):
    person.choose(CARD)
    person.pick(person.page._form.roles.channels[1], "2: minus")
    person.enter()
    assert "the lobes need plus and minus together" in person.page.status
    assert person.window.page is person.page
    assert opened(session) == []


@pytest.mark.parametrize("wrapped", ["{}", "'{}'", '"{}"', "file://{}"])
@pytest.mark.few(2)
def test_a_pasted_path_is_understood(person, session, wrapped, tmp_path):
    capture = tmp_path / "found here.wav"
    capture.touch()
    text = wrapped.format(capture)
    if text.startswith("file://"):
        text = text.replace(" ", "%20")
    person.choose("Capture …")
    person.page._form.body.setFocus()
    QApplication.clipboard().setText(text)
    press(KEY.Key_V, modifier=Qt.KeyboardModifier.ControlModifier)
    person.enter()
    ((_, address, _),) = opened(session)
    assert Opening(address).lasting == Opening(f"file:{capture}")


def test_a_folder_ten_files_and_a_page_of_the_web_are_said(person, session, tmp_path):
    person.drop(QUrl.fromLocalFile(str(tmp_path)))
    assert "is a folder; drop one of the captures in it" in person.page.status
    person.drop(*(QUrl.fromLocalFile(str(tmp_path / f"{each}.wav")) for each in range(10)))
    assert person.page.status.startswith("10 things were dropped")
    person.drop(QUrl("https://example.org/a.wav"))
    assert "not on this computer" in person.page.status
    # Its owner has gone before it was handed over.
    person.page.show_dropped([])
    assert person.page.status.startswith("What was dropped did not arrive")
    assert opened(session) == []
    assert person.window.page is person.page


@pytest.mark.parametrize("stated", ["", "?rate=192000"])
def test_a_device_that_goes_while_its_form_is_open_is_said(
    qtbot, person, session, stated, announced
):
    there = session.listing
    person.choose(CARD)
    person.type(person.page._address, stated)
    session.listing = Listing(session.listing.sources[:1])
    notice(qtbot, person)
    assert f"“{CARD}” is no longer there" in person.page.status
    assert person.page.choice.opening == Opening(CARD + stated)
    assert person.page.choice.opening.address not in rows(person)
    # It stays said until it is there again, and is said aloud once.
    notice(qtbot, person)
    assert f"“{CARD}” is no longer there" in person.page.status
    assert sum(CARD in words for words in announced) == 1
    session.listing = there
    notice(qtbot, person)
    assert "no longer" not in person.page.status


def notice(qtbot, person):
    """Let the page look by itself, as it does some seconds after it has looked."""
    assert person.page._watch.isActive()
    person.page._watch.timeout.emit()
    qtbot.waitUntil(lambda: not person.page.looking)


def rows(person):
    return [person.page._list.item(row).text() for row in range(person.page._list.count())]


def test_coming_back_to_the_window_looks_anew(qtbot, person, session):
    session.listing = Listing((*session.listing.sources, Listed("sound:new", "New card")))
    QApplication.sendEvent(person.page, QEvent(QEvent.Type.WindowActivate))
    qtbot.waitUntil(lambda: not person.page.looking)
    assert "New card    sound:new" in rows(person)


def test_nothing_is_looked_for_while_the_page_is_not_seen(qtbot, person):
    person.window.show_needle()
    person.page._watch.timeout.emit()
    assert not person.page.looking


def test_class_and_disk_are_chosen_beside_and_stand_in_the_top_bar(person, session):
    person.pick(person.page._class, "130mm-96tpi")
    person.pick(person.page._disk, "90mm-135tpi")
    person.enter()
    assert (session.profile.name, session.profile.disk) == ("130mm-96tpi", "90mm-135tpi")
    person.window.tick()
    words = person.window.top_bar.words
    assert "class 130mm-96tpi" in words
    assert "disk 90mm-135tpi" in words
    assert f"{session.profile.scale_um:g} µm at balance 1, uncalibrated" in words


def test_the_class_comes_back_with_the_source(qtbot, person, session, settings):
    person.pick(person.page._class, "90mm-135tpi")
    person.enter()
    after = FakeSession(listed=FOUND)
    window = MainWindow(after, LIGHT, settings=Settings(settings._path))
    qtbot.addWidget(window)
    with qtbot.waitActive(window):
        window.show()
    Person(qtbot, window, at_sources=True).choose("again: sim:")
    press(KEY.Key_Return)
    assert after.profile.name == "90mm-135tpi"


def test_a_broken_settings_file_is_said_in_the_top_bar(qtbot, session, tmp_path):
    path = tmp_path / "window.json"
    path.write_text("{")
    path.chmod(0o600)
    window = MainWindow(session, LIGHT, settings=Settings(path))
    qtbot.addWidget(window)
    window.tick()
    assert "it is damaged; delete it to begin afresh" in window.top_bar.words


def test_a_capture_at_its_end_is_opened_again(qtbot, window, session):
    window.open_choice(Choice(Opening("file:/a.wav"), "130mm-48tpi"))
    session.now = View(phase=Phase.ENDED, source="file:/a.wav")
    session.calls.clear()
    Person(qtbot, window, at_sources=True).enter()
    assert opened(session) == [("open", "file:/a.wav", None)]
