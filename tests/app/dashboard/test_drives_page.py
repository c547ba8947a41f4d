"""The drives' page reads the book beside the window, and takes any text for what it is."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QLabel, QListWidget

from app.book.model import Drive, DriveSummary
from app.book.store import Book
from app.dashboard.drives_page import DrivesPage
from app.dashboard.style import DARK, Sizes
from app.job.model import CheckName
from app.job.plan import Plan
from tests.app.book.jobs import DRIVE, HEAD, calibrate, filled, outcome, standing

PROFILES = ("130mm-48tpi", "90mm-135tpi")


@pytest.fixture
def path(tmp_path):
    return tmp_path / "book.sqlite3"


@pytest.fixture
def page(qtbot, path):
    made = DrivesPage(path, PROFILES)
    qtbot.addWidget(made)
    made.resize(1200, 700)
    made.apply_theme(DARK, Sizes.of(1200, 700, 4.0))
    return made


def settled(qtbot, page):
    def quiet():
        page.refresh()
        assert not page._worker.busy

    qtbot.waitUntil(quiet)


def test_drives_are_listed_searched_and_chosen(qtbot, page, path):
    with Book(path) as book:
        filled(book)
        book.add_drive(Drive("TM-0044", "90mm-135tpi", "spare, hall 5"))
    page.activate()
    settled(qtbot, page)
    assert page.identities == [DRIVE.identity, "TM-0044"]
    assert page.past.list.count() == 1
    assert "Too few jobs" in page.past.chart.words
    page._search.setText("HALL 5")
    settled(qtbot, page)
    assert page.identities == ["TM-0044"]
    assert page.past.list.count() == 0
    page._search.setText("nothing has this")
    settled(qtbot, page)
    assert page.identities == []
    assert "No drive in the book has that" in page.status


@pytest.mark.qt_log_ignore("propagateSizeHints", extend=True)
def test_where_the_first_drive_is_typed_is_seen_in_a_small_window_too(qtbot, page):
    page.resize(480, 230)
    with qtbot.waitActive(page):
        page.show()
    page.activate()
    settled(qtbot, page)
    assert page._identity.hasFocus()
    qtbot.waitUntil(lambda: page._identity.visibleRegion().boundingRect() == page._identity.rect())


@pytest.mark.qt_log_ignore("propagateSizeHints", extend=True)
def test_what_enter_does_is_marked_as_next(qtbot, page, path):
    with qtbot.waitActive(page):
        page.show()
    page.activate()
    settled(qtbot, page)
    # With no drive yet the first one's name is asked for.
    page.refresh()
    assert page._identity.hasFocus()
    assert (page._add.property("next"), page._on.property("next")) == (True, False)
    page._identity.setText("TM-0044")
    page._plan.setFocus()
    page.refresh()
    assert (page._add.property("next"), page._on.property("next")) == (True, False)
    qtbot.keyClick(page._identity, Qt.Key.Key_Return)
    settled(qtbot, page)
    page.refresh()
    assert (page._add.property("next"), page._on.property("next")) == (False, True)
    with Book(path) as book:
        book.open_job("TM-0044", HEAD)
    page.activate()
    settled(qtbot, page)
    page.past.list.setFocus()
    page.refresh()
    report = page._of_jobs[-1]
    assert (report.property("next"), page._on.property("next")) == (True, False)


@pytest.mark.qt_log_ignore("propagateSizeHints", extend=True)
def test_the_chosen_drive_is_seen_when_the_list_has_the_keys(qtbot, page):
    page.resize(480, 230)
    with qtbot.waitActive(page):
        page.show()
    page.activate()
    settled(qtbot, page)
    qtbot.keyClicks(page._identity, "TM-0044")
    qtbot.keyClick(page._identity, Qt.Key.Key_Return)
    settled(qtbot, page)
    assert page._list.hasFocus()

    def is_seen():
        row = page._list.visualItemRect(page._list.item(0))
        return page._list.viewport().visibleRegion().contains(row)

    qtbot.waitUntil(is_seen)
    # Coming back leads there again from wherever the page was left.
    page._disk.setFocus()
    page._content_area.ensureWidgetVisible(page._disk)
    assert not is_seen()
    page.activate()
    settled(qtbot, page)
    qtbot.waitUntil(is_seen)


@pytest.mark.qt_log_ignore("propagateSizeHints", extend=True)
def test_enter_in_a_choice_does_what_is_marked(qtbot, page, path):
    with Book(path) as book:
        book.add_drive(Drive("TM-0044", "90mm-135tpi"))
    with qtbot.waitActive(page):
        page.show()
    page.activate()
    settled(qtbot, page)
    page.refresh()
    for choice in (page._plan, page._disk):
        choice.setFocus()
        with qtbot.waitSignal(page.begin_job) as asked:
            qtbot.keyClick(QApplication.focusWidget(), Qt.Key.Key_Return)
        assert asked.args == ["TM-0044", "90mm-135tpi", Plan.FULL, ""]
    page._identity.setText("TM-0045")
    page._profile.setFocus()
    page.refresh()
    qtbot.keyClick(page._profile, Qt.Key.Key_Return)
    settled(qtbot, page)
    assert page.identities == ["TM-0044", "TM-0045"]


@pytest.mark.qt_log_ignore("propagateSizeHints", extend=True)
def test_tab_goes_through_the_form_as_the_eye_does(qtbot, page):
    with qtbot.waitActive(page):
        page.show()
    page.activate()
    settled(qtbot, page)
    told = []
    for _ in range(7):
        told.append(QApplication.focusWidget().accessibleName())
        qtbot.keyClick(QApplication.focusWidget(), Qt.Key.Key_Tab)
    form = ["New drive", "Class of the new drive", "Note", "Plan", "Alignment disk", "Add"]
    assert told == [*form, "Name the first drive"]


def test_enter_begins_a_job_and_the_report_is_asked_for(qtbot, page, path):
    with Book(path) as book:
        number = filled(book)
        book.close_job(number, "2026-03-02T11:00:00+01:00", 3)
    page.activate()
    settled(qtbot, page)
    asked = []
    page.begin_job.connect(lambda *words: asked.append(words))
    qtbot.keyClick(page.findChild(QListWidget), Qt.Key.Key_Return)
    assert asked == [(DRIVE.identity, DRIVE.profile, Plan.FULL, "")]  # once
    with qtbot.waitSignal(page.show_report) as shown:
        page.report()
    assert shown.args == [DRIVE.identity, number]


def test_an_open_job_is_offered_before_a_new_one(qtbot, page, path):
    with Book(path) as book:
        number = filled(book)
        book.keep(number, standing())
        book.add_drive(Drive("TM-0044", "90mm-135tpi"))
    page.activate()
    settled(qtbot, page)
    assert page._on.accessibleName() == f"Go on with job {number}"
    asked, begun = [], []
    page.resume.connect(asked.append)
    page.begin_job.connect(lambda *words: begun.append(words))
    qtbot.keyClick(page.findChild(QListWidget), Qt.Key.Key_Return)
    settled(qtbot, page)
    assert [(left.number, left.standing) for left in asked] == [(number, standing())]
    assert not begun
    page._anew.click()
    assert begun == [(DRIVE.identity, DRIVE.profile, Plan.FULL, "")]
    page._plan.setCurrentText("Check only")
    page._anew.click()
    page._disk.setEditText("AD 9")
    page._anew.click()
    assert begun[-1][-2:] == (Plan.CHECK, "AD 9")
    assert {page._plan.itemData(row) for row in range(page._plan.count())} == set(Plan)
    page._list.setCurrentRow(1)
    assert page._on.accessibleName() == "Begin a job"
    assert page._anew.isHidden()


def test_the_open_job_that_is_chosen_is_gone_on_with(qtbot, page, path):
    with Book(path) as book:
        first = filled(book)
        book.keep(first, standing())
        second = book.open_job(DRIVE.identity, HEAD)
        book.keep(second, standing())
        third = book.open_job(DRIVE.identity, HEAD)
        book.close_job(third, "2026-03-02T11:00:00+01:00", 3)
    page.activate()
    settled(qtbot, page)
    assert page._on.accessibleName() == f"Go on with job {second}"
    page.past.list.setCurrentRow(2)
    assert page._on.accessibleName() == f"Go on with job {first}"
    asked = []
    page.resume.connect(asked.append)
    page.go_on()
    settled(qtbot, page)
    assert [left.number for left in asked] == [first]


def test_why_a_job_is_not_gone_on_with_is_said(qtbot, page, path):
    with Book(path) as book:
        filled(book)
    page.activate()
    settled(qtbot, page)
    page.resume.connect(lambda left: pytest.fail("taken up"))
    page.go_on()
    settled(qtbot, page)
    assert "older Evenlobe" in page.status


def test_the_drive_of_the_job_in_hand_is_chosen(qtbot, page, path):
    with Book(path) as book:
        filled(book)
        book.add_drive(Drive("TM-0044", "90mm-135tpi"))
    page.activate("TM-0044")
    settled(qtbot, page)
    assert page._chosen().drive.identity == "TM-0044"
    page._list.setCurrentRow(0)
    page._look()
    settled(qtbot, page)
    assert page._chosen().drive.identity == DRIVE.identity


def test_a_report_is_never_of_the_drive_chosen_before(qtbot, page, path):
    with Book(path) as book:
        filled(book)
        book.add_drive(Drive("TM-0044", "90mm-135tpi"))
        number = book.open_job("TM-0044", HEAD)
    page.activate()
    settled(qtbot, page)
    page.past.list.setCurrentRow(0)
    page._list.setCurrentRow(1)
    with qtbot.waitSignal(page.show_report) as shown:
        page.report()  # before the book has answered
    assert shown.args == ["TM-0044", number]


HOSTILE = [
    "<b>bold</b>",
    "a'; DROP TABLE drives; --",
    "\u202eright\u202c",
    "x" * 2000,
    "\u05d0\u05d1",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_a_drive_of_any_name_is_added_and_chosen(qtbot, page, path, text):
    with Book(path) as book:
        filled(book)
    page.activate()
    settled(qtbot, page)
    page._identity.setText(text)
    page._note.setText(text)
    page.add()
    settled(qtbot, page)
    settled(qtbot, page)
    assert page._chosen().drive.identity == text
    with Book(path) as book:
        assert book.drive(text).note == text
    assert page._identity.text() == ""


def test_what_the_book_refuses_is_said_and_stays_in_the_form(qtbot, page, path):
    with Book(path) as book:
        filled(book)
    page.activate()
    page._identity.setText(DRIVE.identity)
    page.add()
    settled(qtbot, page)
    assert "already" in page.status
    assert page._identity.text() == DRIVE.identity


def test_what_the_book_refuses_is_not_told_over_by_a_later_answer(page):
    page._worker.refresh = lambda: "this drive is in the book already"
    page.refresh()
    page._fill((DriveSummary(DRIVE, 0, None),))
    assert "already" in page.status


def test_a_book_that_is_none_is_one_line(qtbot, page, path):
    path.write_text("not a book " * 100)
    page.activate()
    settled(qtbot, page)
    assert "not a job book" in page.status
    page.begin()
    page.report()


def test_the_chart_shows_each_number_with_its_drift(qtbot, page, path):
    with Book(path) as book:
        filled(book)
        for month in (4, 6, 8):
            head = HEAD.__class__(**{**_fields(HEAD), "opened_at": f"2026-{month:02d}-02T09:00:00"})
            number = book.open_job(DRIVE.identity, head)
            book.keep(number, outcome(2.0 + month))
    page.activate()
    settled(qtbot, page)
    assert "Offset" in page.past.chart.words
    assert "a year" in page.past.chart.words
    assert "Since last time" in page.past.chart.words
    page.past.next_number()
    assert "Hysteresis: no job has measured it yet" in page.past.chart.words
    page.grab()


def _fields(thing):
    return {name: getattr(thing, name) for name in thing.__dataclass_fields__}


def test_a_name_from_right_to_left_tears_no_word_beside_it(qtbot, page, path):
    name = "\u05de\u05e9\u05e8\u05d3-31"
    with Book(path) as book:
        book.add_drive(Drive(name, "130mm-48tpi"))
    page.activate()
    settled(qtbot, page)
    # UAX #9: what stands between FSI and PDI does not change the order of what is around it.
    assert page._list.item(0).text() == f"\u2068{name}\u2069    130mm-48tpi"


def test_the_chart_of_the_drive_before_is_not_left_standing(qtbot, page, path):
    with Book(path) as book:
        filled(book)
        book.add_drive(Drive("TM-0044", "90mm-135tpi"))
    page.activate()
    settled(qtbot, page)
    assert page.past.chart.words
    page._list.setCurrentRow(1)
    path.unlink()  # so that no answer ever comes of that drive
    assert page.past.chart.words == ""
    settled(qtbot, page)
    page.next_chart()
    assert "no chart" in page.status


def test_disks_that_were_calibrated_are_offered(qtbot, page, path):
    with Book(path) as book:
        book.add_drive(DRIVE)
        for disk in ("AD 8", "AD 7", "AD 8"):
            calibrate(book, CheckName.SCALE, 181.5, 1.5, disk=disk)
    page._disk.setEditText("AD 9")
    page.activate()
    settled(qtbot, page)
    offered = [page._disk.itemText(row) for row in range(page._disk.count())]
    assert (offered, page._disk.currentText()) == (["", "AD 7", "AD 8"], "AD 9")


def test_before_the_first_job_it_is_told_what_will_be_there_and_how_it_begins(qtbot, page, path):
    page.activate()
    settled(qtbot, page)
    first = page.past.first
    assert not first.isHidden()
    assert page.past.list.isHidden()
    told = [label.text() for label in first.findChildren(QLabel)]
    assert told[0] == "No drive yet"
    assert any("chart of how offset, hysteresis and speed change" in each for each in told)
    first.button.click()
    assert page.focusWidget() is page._identity
    page._identity.setText("TM-0044")
    page.add()
    settled(qtbot, page)
    settled(qtbot, page)
    assert first._heading.text() == "TM-0044 has no job yet"
    begun = []
    page.begin_job.connect(lambda *words: begun.append(words))
    first.button.click()
    assert begun == [("TM-0044", PROFILES[0], Plan.FULL, "")]
    with Book(path) as book:
        book.open_job("TM-0044", HEAD)
    page.activate()
    settled(qtbot, page)
    assert first.isHidden()
    assert not page.past.list.isHidden()
