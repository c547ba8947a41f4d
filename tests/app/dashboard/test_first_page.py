"""The first page: what to do next with what is there, and words found in the handbook."""

import json
from dataclasses import replace

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from app.book.exchange import export_json, import_json
from app.book.model import Drive, JobSummary
from app.book.store import Book
from app.dashboard.next_list import Bare, CaptureInDialog, NewestReport, OpenJob, things_of
from app.dashboard.settings import Choice, Settings
from app.dashboard.style import LIGHT
from app.dashboard.window import MainWindow
from app.handbook import MEANINGS, Term
from app.job import messages
from app.job.model import Summary
from app.live.opening import Opening
from app.live.view import Phase, View
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.app.dashboard.keys import CONTROL, KEY, press
from tests.app.dashboard.person import Person

CLASS = "130mm-48tpi"
CARD = "sound:Card a, ALSA"
SCOPE = "visa:TCPIP::192.0.2.7::5025::SOCKET"
FOUND = [("sim:", "Virtual drive"), (CARD, "Card a"), (SCOPE, "Scope")]


@pytest.fixture
def session():
    return FakeSession(View(), FakeControls(), FOUND)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "book.sqlite3"


@pytest.fixture
def open_first(qtbot, session, path):
    """Show a window with a book and settings, as the program does."""
    shown = []

    def open_one(*recent):
        settings = Settings()
        settings.recent = recent
        window = MainWindow(session, LIGHT, book=path, settings=settings)
        qtbot.addWidget(window)
        window.stop()
        window.resize(1280, 800)
        with qtbot.waitActive(window):
            window.show()
        settle(qtbot, window)
        shown.append(window)
        return window

    yield open_one
    for window in shown:
        window.controller.end(5.0)


def settle(qtbot, window):
    listed = window.help_page.list

    def answered():
        window.tick()
        return not (listed._worker.busy or listed.looking)

    qtbot.waitUntil(answered, timeout=20_000)


def rows(window):
    listed = window.help_page.list
    return [listed.item(row).text() for row in range(listed.count())]


def begin_and_leave_open(open_first, session, source="sim:seed=3"):
    """Begin a job of a drive in a window, and close the window over it."""
    session.now = view(0.1, source=source, virtual=source.startswith("sim:"))
    window = open_first()
    window.begin_job("machine 7", CLASS)
    assert window.controller.job.ask.message == messages.MAINS
    press(KEY.Key_Return)
    window.controller.end(5.0)
    window.controller.leave()
    session.now = View()
    session.calls.clear()


@pytest.fixture(params=["nothing", "the virtual drive"])
def behind(request, session):
    """What runs behind the first page: as the program begins, the virtual drive."""
    if request.param == "the virtual drive":
        session.now = view(0.1, source="sim:")


@pytest.mark.usefixtures("behind")
def test_whoever_comes_for_the_first_time_is_offered_all_that_there_is(open_first, path):
    window = open_first()
    assert rows(window) == [
        "Open the virtual drive, to try it",
        "Tour of the window in five cards",
        "Practice on a virtual drive with a hidden fault",
        "Open a capture …",
        f"Open: Card a    {CARD}",
        f"Open: Scope    {SCOPE}",
    ]
    # A book is made by the first job, and not by looking.
    assert not path.exists()


def opened(session):
    return [call for call in session.calls if call[0] == "open"]


@pytest.mark.usefixtures("behind")
def test_the_virtual_drive_takes_one_action_from_nothing(qtbot, open_first, session):
    person = Person(qtbot, open_first())
    person.enter()
    # What runs behind the page goes on.
    calls = [] if session.now.phase is Phase.RUNNING else [("open", "sim:", None)]
    assert (person.actions, opened(session)) == (1, calls)
    assert person.window.page is person.window.needle_page


@pytest.mark.usefixtures("behind")
def test_a_card_takes_three_actions_from_nothing(qtbot, open_first, session):
    person = Person(qtbot, open_first())
    person.touch(CARD)
    person.pick(person.page._form.roles.wiring, "the differential and the index")
    person.enter()
    assert (person.actions, opened(session)) == (3, [("open", CARD, "differential,index")])
    assert person.window.page is person.window.needle_page


@pytest.mark.usefixtures("behind")
def test_a_scope_takes_two_actions_from_nothing(qtbot, open_first, session):
    person = Person(qtbot, open_first())
    person.touch(SCOPE)
    person.enter()
    assert (person.actions, opened(session)) == (2, [("open", SCOPE, None)])
    assert person.window.page is person.window.needle_page


@pytest.mark.qt_log_ignore("propagateSizeHints", extend=True)  # the plug-in without a screen
@pytest.mark.usefixtures("behind")
def test_a_capture_takes_two_actions_from_nothing(qtbot, open_first, session, tmp_path):
    capture = tmp_path / "found.wav"
    capture.touch()
    QApplication.setAttribute(Qt.ApplicationAttribute.AA_DontUseNativeDialogs)
    person = Person(qtbot, open_first())
    person.touch("Open a capture …")
    person.choose_file(capture)
    assert (person.actions, opened(session)) == (2, [("open", f"file:{capture}", None)])
    assert person.window.page is person.window.needle_page


@pytest.mark.parametrize("address", ["sim:", CARD, SCOPE, "file:/found.wav"])
@pytest.mark.usefixtures("behind")
@pytest.mark.few(8)
def test_the_second_time_each_takes_one_action(qtbot, open_first, session, address):
    others = [Choice(Opening(each), CLASS) for each in ("sim:seed=3", "sound:b")]
    last = Choice(Opening(address), CLASS)
    behind = session.now
    calls = [] if behind.source == address else [("open", address, None)]
    person = Person(qtbot, open_first(last, *others))
    person.enter()
    assert (person.actions, opened(session)) == (1, calls)
    assert person.window.page is person.window.needle_page
    session.now = behind
    session.calls.clear()
    # Nor does it take more where others were used since.
    person = Person(qtbot, open_first(*others, last))
    person.touch(f"Open again: {last.opening.command}")
    assert (person.actions, opened(session)) == (1, calls)
    assert person.window.page is person.window.needle_page


def test_what_is_attached_is_looked_for_only_where_nothing_is_open(open_first, session):
    session.now = view(0.1, source="sim:seed=3")
    window = open_first()
    assert rows(window) == [
        "Tour of the window in five cards",
        "Practice on a virtual drive with a hidden fault",
    ]
    press(KEY.Key_Return)
    assert window.page is window.source_page


def test_what_cannot_be_listed_leaves_the_rest(open_first, session):
    def fail():
        raise OSError("no bus")

    session.listed = fail
    assert rows(open_first())[-1] == "Open a capture …"


@pytest.mark.parametrize(("row", "page"), [(1, "needle_page"), (2, "practice_page")])
def test_a_touch_does_what_the_row_says(qtbot, open_first, row, page):
    window = open_first()
    listed = window.help_page.list
    place = listed.visualItemRect(listed.item(row)).center()
    QTest.mouseClick(listed.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert window.page is getattr(window, page)


def test_the_last_source_is_opened_again_with_one_key(open_first, session):
    last = Choice(Opening("sound:a", "plus,minus"), CLASS)
    window = open_first(last, Choice(Opening("sim:"), CLASS))
    assert rows(window)[0] == f"Open again: {last.opening.command}"
    press(KEY.Key_Return)
    assert session.calls[0][:3] == ("open", "sound:a", "plus,minus")
    assert window.page is window.needle_page


def test_an_open_source_is_not_offered_again(open_first, session):
    session.now = view(0.1, source="sound:a")
    window = open_first(Choice(Opening("sound:a"), CLASS))
    window.show_help()
    assert not [row for row in rows(window) if row.startswith("Open again")]


def test_a_source_that_begins_to_run_meanwhile_is_offered_no_more(open_first, session):
    window = open_first(Choice(Opening("sound:a"), CLASS))
    assert rows(window)[0].startswith("Open again")
    session.now = view(0.1, source="sound:a")
    window.tick()
    assert not [row for row in rows(window) if row.startswith("Open again")]
    # Enter does what the button says.
    assert window.help_page._on.hasFocus()


def test_a_row_that_is_chosen_stays_so_when_the_list_grows_or_shrinks(open_first, session):
    window = open_first(Choice(Opening("sound:a"), CLASS))
    listed = window.help_page.list
    press(KEY.Key_End)
    while not listed.currentItem().text().startswith("Practice"):
        press(KEY.Key_Up)
    for now in (view(0.1, source="sound:a"), View(), view(0.1, source="sound:a")):
        session.now = now
        window.tick()
        assert listed.hasFocus()
        assert listed.currentItem().text().startswith("Practice")
    press(KEY.Key_Return)
    assert window.page is window.practice_page


def test_a_low_page_shows_whole_rows_of_its_list(open_first):
    listed = open_first(Choice(Opening("sound:a"), CLASS)).help_page.list
    row = listed.sizeHintForRow(0)
    for high in range(2 * row, 8 * row, 7):
        listed.fit(high)
        rows_shown, rest = divmod(listed.height() - 2 * listed.frameWidth(), row)
        assert (rows_shown, rest) == (max(1, min(listed.count(), 2 * high // (5 * row))), 0)


def test_the_button_is_marked_as_next_where_enter_presses_it_alone(open_first):
    window = open_first(Choice(Opening("sound:a"), CLASS))

    def is_next():
        window.tick()
        button = window.help_page._on
        # It tells the key that presses it.
        assert button.text().endswith("⏎" if button.property("next") else "F2")
        return button.property("next")

    assert not is_next()  # the list's first row is chosen
    press(KEY.Key_Tab)
    assert is_next()
    press(KEY.Key_F, modifier=CONTROL)
    assert not is_next()


def test_the_virtual_drive_that_runs_behind_the_page_is_in_nobodys_way(qtbot, open_first, session):
    begin_and_leave_open(open_first, session, "sound:b")
    session.now = view(0.1, source="sim:")
    window = open_first(Choice(Opening("sound:b", "plus,minus"), CLASS))
    assert [row.split(":")[0] for row in rows(window)[:2]] == [
        "Go on with job 1 of machine 7",
        "Open again",
    ]
    press(KEY.Key_Return)
    settle(qtbot, window)
    assert session.calls[0][:3] == ("open", "sound:b", "plus,minus")
    session.now = view(0.1, source="sound:b", virtual=False)
    window.tick()
    assert window.controller.number == 1


def test_an_open_job_is_gone_on_with_by_one_key_once_its_source_runs(
    qtbot, open_first, session, path
):
    begin_and_leave_open(open_first, session)
    window = open_first(Choice(Opening("sim:seed=3"), CLASS))
    assert rows(window)[0] == "Go on with job 1 of machine 7"
    press(KEY.Key_Return)
    settle(qtbot, window)
    assert session.calls[0][:2] == ("open", "sim:seed=3")
    assert window.controller.job is None
    session.now = view(0.1, source="sim:seed=3")
    window.tick()
    assert window.controller.number == 1
    assert window.page is window.needle_page
    # With a job in hand none is offered: a key pressed by habit would put it away.
    window.show_help()
    settle(qtbot, window)
    assert not [row for row in rows(window) if row.startswith("Go on")]


def test_a_job_whose_source_is_not_known_leads_to_the_sources(qtbot, open_first, session):
    begin_and_leave_open(open_first, session, "sound:b")
    window = open_first()
    press(KEY.Key_Return)
    settle(qtbot, window)
    assert window.page is window.source_page
    assert window.source_page._address.text() == "sound:b"
    assert "job 1" in window.source_page.status


@pytest.mark.parametrize("virtual", [False, True])
@pytest.mark.parametrize("source", ["run:touch x", "pipe:", "visa:ASRL1::INSTR"])
def test_a_book_of_others_opens_nothing(qtbot, open_first, session, path, source, virtual):
    begin_and_leave_open(open_first, session)
    export, received = path.with_name("book.json"), path.with_name("received.sqlite3")
    with Book(path) as book:
        export_json(book, export)
    said = json.loads(export.read_text(encoding="utf-8"))
    # What a file claims of itself proves nothing.
    said["jobs"][0]["head"] |= {"source": source, "virtual": virtual}
    export.write_text(json.dumps(said), encoding="utf-8")
    with Book(received) as book:
        import_json(book, export)
    path.unlink()
    received.rename(path)
    window = open_first()
    assert rows(window)[0] == "Go on with job 1 of machine 7"
    press(KEY.Key_Return)
    settle(qtbot, window)
    assert opened(session) == []
    assert window.page is window.source_page
    assert source in window.source_page.status
    # Not even the next key starts a program that a file has named.
    assert window.source_page._address.text() == (source if source.startswith("visa:") else "sim:")


def test_a_source_that_fails_takes_up_no_job_later(qtbot, open_first, session):
    begin_and_leave_open(open_first, session)
    window = open_first(Choice(Opening("sim:seed=3"), CLASS))
    press(KEY.Key_Return)
    settle(qtbot, window)
    session.now = View(phase=Phase.FAILED, source="sim:seed=3")
    window.tick()
    session.now = view(0.1, source="sim:seed=3")
    window.tick()
    assert window.controller.job is None


def test_the_newest_report_and_three_open_jobs_are_offered(path):
    with Book(path) as book:
        for number in range(1, 6):
            book.add_drive(Drive(f"machine {number}", CLASS))
        drives = book.drives()
    open_jobs = [_with(each, number, closed="") for number, each in enumerate(drives[:4], 1)]
    done = [_with(drives[4], 9, closed="2026-11-20T10:00:00+00:00")]
    things = things_of([*open_jobs, *done], (), "", at_work=False)
    assert [each for _, each in things] == [
        OpenJob(4),
        OpenJob(3),
        OpenJob(2),
        NewestReport("machine 5", 9),
        Choice(Opening("sim:")),
        Bare(is_tour=True),
        Bare(is_tour=False),
        CaptureInDialog(),
    ]
    assert things[3][0] == "Report of job 9 of machine 5, closed 2026-11-20"


def _with(drive, number, closed):
    last = JobSummary(number, "2026-11-19T10:00:00+00:00", closed, False, Summary(), Summary(), 0)
    return replace(drive, jobs=1, last=last, open_job=None if closed else number)


def found(window):
    text = window.help_page._text
    return text.textCursor().selectedText(), text.viewport().rect().contains(text.cursorRect())


def test_words_are_found_in_the_handbook_one_place_after_the_other(qtbot, open_first):
    window = open_first()
    press(KEY.Key_F, modifier=CONTROL)
    field = QApplication.focusWidget()
    qtbot.keyClicks(field, "guard band")
    places = []
    for _ in range(3):
        press(KEY.Key_Return)
        assert found(window) == ("guard band", True)
        places.append(window.help_page._text.textCursor().position())
    assert QApplication.focusWidget() is field
    assert "2" in window.help_page.status
    # After the last place it is the first one's turn again.
    assert places[0] == places[2] != places[1]
    assert MEANINGS[Term.VERDICT].count("guard band") == 1


def test_what_is_not_there_is_said(qtbot, open_first):
    window = open_first()
    window.find_in_help()
    qtbot.keyClicks(QApplication.focusWidget(), "xyzzy")
    press(KEY.Key_Return)
    assert "xyzzy" in window.help_page.status
    assert found(window)[0] == ""


def test_enter_does_nothing_before_it_is_known_what_there_is_to_do(qtbot, open_first, path):
    with Book(path) as book:
        book.add_drive(Drive("machine 7", CLASS))
    window = open_first(Choice(Opening("sound:a"), CLASS))
    window.show_help()
    listed = window.help_page.list
    assert listed._worker.busy
    press(KEY.Key_Return)
    assert window.page is window.help_page
    settle(qtbot, window)
    press(KEY.Key_Return)
    assert window.page is window.needle_page
    # Nothing is chosen by now that the next press would do.
    assert (listed.count() > 1, listed.currentRow()) == (True, -1)


def test_a_book_that_cannot_be_read_is_told_and_the_rest_is_offered(open_first, path):
    path.write_bytes(b"no book" * 1000)
    window = open_first(Choice(Opening("sound:a"), CLASS))
    assert str(path) in window.help_page.status
    press(KEY.Key_Return)
    assert window.page is window.needle_page


@pytest.mark.parametrize("phase", [Phase.RUNNING, Phase.ENDED, Phase.LOST, Phase.FAILED])
def test_what_could_not_be_opened_is_not_offered_again(open_first, session, phase):
    window = open_first(Choice(Opening(CARD)))
    typed = Choice(Opening("sound:Card b, ALSA"))
    session.now = replace(view(), source=typed.opening.address, phase=Phase.OPENING)
    window.open_choice(typed)
    window.tick()
    session.now = replace(session.now, phase=phase)
    window.tick()
    offered = [each.opening.address for each in window._settings.recent]
    assert offered == [typed.opening.address, CARD][phase is Phase.FAILED :]
