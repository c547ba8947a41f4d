"""What a screen reader is told: by the accessibility tree that Qt hands to it, page by page."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QAccessible
from PySide6.QtWidgets import QAbstractScrollArea, QComboBox, QWidget

from app.live.opening import KINDS
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.app.dashboard.whole import kinds_of_sources


def told(widget, part=QAccessible.Text.Name):
    return QAccessible.queryAccessibleInterface(widget).text(part)


def reached(page):
    """What the keyboard reaches on a page, without what Qt itself puts inside of it."""
    areas = page.findChildren(QAbstractScrollArea)
    inner = {area.viewport() for area in areas}
    for picker in page.findChildren(QComboBox):
        inner |= {picker.view(), picker.view().parentWidget()}
        inner |= set(picker.view().findChildren(QWidget))
    found = page.findChildren(QWidget)
    return [
        each for each in found if each.focusPolicy() & Qt.FocusPolicy.TabFocus and each not in inner
    ]


@pytest.fixture
def window(open_window):
    window = open_window(FakeSession(lambda: view(0.1), FakeControls()), ticking=False)
    window.show_needle()
    window.tick()
    return window


PAGES = (
    "help_page",
    "needle_page",
    "source_page",
    "drives_page",
    "report_page",
    "describe_page",
    "probe_page",
    "recheck_page",
    "practice_page",
    "debrief_page",
    "top_bar",
    "callout",
)


def test_all_that_the_keyboard_reaches_has_a_name(window):
    assert list(kinds_of_sources(window)) == list(KINDS)
    controls = {page: reached(getattr(window, page)) for page in PAGES}
    assert all(controls.values())
    assert [
        (page, type(each).__name__, each.parent().metaObject().className())
        for page, found in controls.items()
        for each in found
        if not told(each).strip()
    ] == []


def test_needle_figures_and_state_are_told_in_words(window):
    page = window.needle_page
    description = QAccessible.Text.Description
    assert told(page.meter) == "Needle meter"
    assert told(page.meter, description) == page.face.spoken
    assert page.face.offset.text in told(page.figures, description)
    assert "speed: 300.10 rpm" in told(page.status, description)
