"""How each page is laid out, in words: what stands where, and what takes the room that is left."""

from inspect import cleandoc

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtWidgets import QLabel, QSizePolicy, QWidget

from app.book.codec import MAX_TEXT
from app.dashboard.forms import Hint
from app.dashboard.source_page.form import SourceForm
from app.dashboard.style import DARK, LIGHT, Sizes
from app.dashboard.widgets import FlowRow
from app.dashboard.window import MainWindow
from app.job.model import DESCRIPTIONS
from app.live.opening import KINDS
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.app.dashboard.outlines import outline
from tests.app.dashboard.whole import kinds_of_sources

OUTLINES = {
    "window": """
    TopBar
    PageStack *1
    """,
    "top bar": """
    row
      column *1
        room *1
        Open source
        Drive class and alignment disk
        room *1
      Source
      Drives
      µm / mil
      Picture
      Help
      Menu
    row
      Remark *1
      Folder
      Put away
    """,
    "needle": """
    PromptLine
    row *1
      column *70
        row *66
          Needle meter *68
          Ratio, difference and offset *32
        QWidget
        row *34
          Envelope of one turn *40
          Balance of the last minute *26
          State of the source *34
      JobPanel *30
    """,
    "line above": """
    What to do next *1
    Show the side
    Use an index
    Outward
    Inward
    Cancel
    """,
    "bar below": """
    FlowRow
      Freeze
      Hold turn
      Zero
    Hands at the virtual drive *1
    """,
    "hands": """
    FlowRow
      ◀◀ 25 µm
      ◀ 5 µm
      5 µm ▶
      25 µm ▶▶
      Step in
      Step out
      Reseat
    """,
    "job": """
    Drive and job
    CardView *50
    grid
      Virtual hand at 0,0
      Back at 0,1
      Leave out at 1,0
      Close job at 1,1
      Aim at 2,0
    Checks of the job *50
    """,
    "card": """
    Check in hand *3
    What is asked *9
    Parts of the uncertainty
    Next nudge *5
    How far it is *5
    Measured so far
    Remark *5
    Answer
    row
    Go on
    """,
    "sources": """
    QScrollArea *1
      Where does the signal come from?
      FlowRow
      QLabel
      row *1
        Sources *2
        column *3
          grid
            Address at 0,0
            Address at 0,1
            sim:   sound:   file:capture.wav   visa:TCPIP::192.0.2.7::5025::SOCKET at 1,1
          column
            SourceForm
          room *1
    FlowRow
      Open
      Open anew
      Show that window
      Open a file
      Look again
      Back
    """,
    "drives": """
    QScrollArea *1
      Drives in the job book
      row *1
        column *1
          Search
          Part of a name, class or note
          Drives *1
          QLabel
          grid
            New drive at 0,0
            New drive at 0,1
            Your own name or number at 1,1
            Class at 2,0
            Class of the new drive at 2,1
            Note at 3,0
            Note at 3,1
            What else is to be known of it at 4,1
            Plan of a new job at 5,0
            Plan at 5,1
            Alignment disk at 6,0
            Alignment disk at 6,1
            As its calibration names it at 7,1
            Add at 0,2
        PastJobs *1
    FlowRow
      Begin a job
      New job
      Next chart
      Report
      Back
    """,
    "jobs of a drive": """
    FirstJob *5
    History of the drive *3
    Jobs of the drive *2
    """,
    "history": """
    QLabel
    StillPlot *1
    room
    """,
    "report": """
    The report, as it will be written
    Pages of the report *1
    QLabel
    QWidget
    FlowRow
      Write PDF
      Write HTML
      Describe
      Back
    """,
    "file of the report": """
    File
    File, without its ending *1
    Paper
    """,
    "help": """
    Find
    Words to be found on this page; Enter goes from place to place
    QLabel
    What the tool cannot do, cautions, keys and wiring *1
    To do next
    FlowRow
      Choose a source
      Find
      To the needle
    """,
}


@pytest.fixture
def window(qtbot):
    made = MainWindow(FakeSession(view(0.12), FakeControls()), LIGHT)
    qtbot.addWidget(made)
    made.stop()
    made.resize(1280, 800)
    pages = (made.source_page, made.drives_page, made.report_page, made.describe_page)
    for page in (*pages, made.needle_page):
        made._pages.setCurrentWidget(page)
        made.grab()  # lays it out
    return made


@pytest.fixture
def parts(window):
    needle, drives = window.needle_page, window.drives_page
    return {
        "window": window,
        "top bar": window.top_bar,
        "needle": needle._roomy,
        "line above": needle.prompt,
        "bar below": needle._bar,
        "hands": needle.hands,
        "job": needle.job,
        "card": needle.job._view,
        "sources": window.source_page,
        "drives": drives,
        "jobs of a drive": drives.past,
        "history": drives.past.chart,
        "report": window.report_page,
        "file of the report": window.report_page._file,
        "help": window.help_page,
    }


def test_what_stands_where(parts):
    for name, words in OUTLINES.items():
        assert outline(parts[name].layout()) == cleandoc(words).splitlines(), name


FLUSH = {
    "help",
    "report",
    "file of the report",
    "sources",
    "drives",
    "top bar",
    "needle",
    "line above",
    "bar below",
    "hands",
    "card",
    "jobs of a drive",
}


def test_parts_within_a_page_have_no_margins_of_their_own(parts):
    flush = {n for n, p in parts.items() if p.layout().getContentsMargins() == (0, 0, 0, 0)}
    assert flush == FLUSH | {"history"}


PAGES = ("source", "drives", "help", "practice", "debrief", "report", "describe", "recheck")


@pytest.mark.parametrize("name", PAGES)
def test_all_of_a_page_begins_where_the_bar_above_it_does(window, name):
    page = getattr(window, f"{name}_page")
    window._pages.setCurrentWidget(page)
    window.grab()  # lays it out
    bar = window.top_bar.geometry()
    shown = [page._title, *page.findChildren(FlowRow)[-1:]]
    lefts = {part.mapTo(window, QPoint()).x() for part in shown if part.isVisibleTo(window)}
    assert lefts == {bar.left()}


SPACES = {2.0: (20, 16, 24, 12), 1.0: (10, 8, 12, 6), 0.25: (4, 4, 6, 3)}
"""By the unit of the window: its margin, its gaps, the job's margin, the job's gaps."""


def test_gaps_follow_the_window(monkeypatch, window):
    page = window.needle_page
    job = page.job
    for unit, (margin, gap, job_margin, job_gap) in SPACES.items():
        with monkeypatch.context() as patched:
            patched.setattr("app.dashboard.window.Sizes.of", lambda *_, u=unit: Sizes(u))
            window._apply_theme()
        assert window.layout().getContentsMargins() == (margin,) * 4
        assert window.layout().spacing() == gap
        assert [row.spacing() for row in page._rows] == [gap] * 9
        assert job.layout().getContentsMargins() == (job_margin,) * 4
        inner = (job.layout(), job._grid, job._view._column, job._view._choice_row)
        assert [each.spacing() for each in inner] == [job_gap] * 4


def test_the_window_is_named_and_never_too_small(window):
    assert window.windowTitle() == "Evenlobe"
    assert window.objectName() == "bench"
    assert window.minimumSize().toTuple() == (480, 300)
    for page in (window.source_page, window.drives_page, window.report_page, window.help_page):
        assert page.objectName() == "page"


def test_what_comes_from_outside_is_never_taken_for_markup(window):
    plain = Qt.TextFormat.PlainText
    pages = (window.source_page, window.drives_page, window.report_page)
    labels = [window.top_bar._source, window.needle_page.job._head, *(p._status for p in pages)]
    assert {label.textFormat() for label in labels} == {plain}


def test_words_of_any_length_never_widen_the_window(window):
    for label in (window.top_bar._source, window.needle_page.job._head):
        assert label.sizePolicy().horizontalPolicy() == QSizePolicy.Policy.Ignored
    assert window.needle_page.job._head.sizePolicy().verticalPolicy() == QSizePolicy.Policy.Fixed
    preferred = QSizePolicy.Policy.Preferred
    assert window.top_bar._source.sizePolicy().verticalPolicy() == preferred
    assert window.drives_page.past.chart._words.wordWrap()


def test_quiet_words_and_the_source_have_their_style(window):
    quiet = {label for label in window.findChildren(QLabel) if label.property("quiet")}
    hints = set(window.findChildren(Hint))
    assert hints
    assert quiet - hints == {
        window.needle_page.job._head,
        window.source_page._status,
        window.drives_page._status,
    }
    assert window.top_bar._source.objectName() == "source"
    assert window.help_page._text.objectName() == "read"
    assert window.help_page._text.document().documentMargin() == 16
    assert window.report_page._sheets.objectName() == "page"
    assert window.report_page._area.widgetResizable()


NEXT = {"Choose a source", "Open", "Begin a job", "Write PDF", "Keep", "Go on", "Show the side"}
NEXT |= {"Play and look", "To the needle", "Next", "Now"}


def test_each_page_has_one_next_thing_to_do(window):
    marked = {b.accessibleName() for b in window.findChildren(QWidget) if b.property("next")}
    assert marked == NEXT


def test_fields_tell_what_they_are_for_and_take_what_the_book_takes(window):
    drives = window.drives_page
    for field in (drives._search, drives._identity, drives._note):
        assert field.placeholderText() == field.accessibleDescription()
        assert field.maxLength() == MAX_TEXT
    assert window.needle_page.job.entry.maxLength() == 2000
    assert window.source_page._address.placeholderText().startswith("sim:   sound:")


def test_every_label_of_a_field_leads_to_it(window):
    assert list(kinds_of_sources(window)) == list(KINDS)
    forms = window.source_page.findChildren(SourceForm)
    assert len(forms) == len(KINDS)
    of_forms = {label for form in forms for label in form.findChildren(QLabel)}
    of_forms -= set(window.findChildren(Hint))
    assert all(label.buddy().accessibleName() for label in of_forms)
    labels = [label for label in window.findChildren(QLabel) if label.buddy()]
    labels = [label for label in labels if label not in of_forms]
    assert {(label.text(), label.buddy().accessibleName()) for label in labels} == {
        ("Address", "Address"),
        ("Drive class", "Drive class"),
        ("Alignment disk", "Alignment disk"),
        ("New drive", "New drive"),
        ("Class", "Class of the new drive"),
        ("Plan of a new job", "Plan"),
        ("Note", "Note"),
        ("File", "File, without its ending"),
        *((name.capitalize(), name.capitalize()) for name, _ in DESCRIPTIONS),
    }


def test_the_chart_and_what_may_not_be_done_yet_are_hidden(window):
    assert window.drives_page.past.chart._plot.isHidden()
    assert window.needle_page._zero.isHidden()
    assert window.needle_page._zero.isCheckable()
    assert window.needle_page.job.isHidden()


def test_each_part_takes_on_the_windows_colours(window):
    for theme in (DARK, LIGHT):
        window._fixed_theme = theme
        window.apply_system_theme()
        page = window.needle_page
        assert window.theme is theme
        for show in (window.show_drives, window.show_needle):
            show()
            for shown in (window.top_bar, window.callout, window.page):
                assert theme.bench in shown.styleSheet()
        parts = (page.meter, page.figures, page.status, page.job, page.job._view._progress)
        assert {part._theme for part in parts} == {theme}
        plots = (page.trace._plot, page.strip._plot, window.drives_page.past.chart._plot)
        assert {plot._theme for plot in plots} == {theme}
        assert page.job.list._painter.theme is theme
        assert window.palette().window().color().name() == theme.bench
