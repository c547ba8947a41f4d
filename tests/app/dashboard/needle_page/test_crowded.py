"""No word of the needle's page lies over another, or is too small, in a window that is low."""

from dataclasses import replace
from itertools import combinations

import pytest
from PySide6.QtCore import QPoint, QRectF, Qt
from PySide6.QtGui import QFont, QFontMetricsF
from PySide6.QtWidgets import QApplication

from app.analysis import messages
from app.analysis.results import Message, Sign
from app.dashboard.needle_page.dial import Limits, numerals_of, words_below
from app.dashboard.translation import Translation
from app.language import languages
from app.live.view import NO_LEVEL
from tests.app.dashboard.fakes import FakeControls, FakeSession, parked, reading, view
from tests.app.dashboard.painting import painted_by

LOW = ((1024, 572), (960, 600), (1024, 640), (1280, 720), (1366, 768), (1920, 1080), (3840, 2160))
RUNNING_PX = 12
NOTES = tuple(Message(f"A note of quite some words, the {n}.") for n in ("first", "second"))
STATES = {
    "plain": view(0.12),
    "side not known": view(reading=reading(0.1, sign=Sign.UNKNOWN), roles=("plus", "minus")),
    "noted": view(reading=reading(0.12, notes=NOTES), settings=(("record", "600 ms"),)),
}


@pytest.fixture
def language(request, qapp):
    spoken = Translation(request.param)
    qapp.installTranslator(spoken)
    yield
    qapp.removeTranslator(spoken)


@pytest.fixture
def window(open_window, language, tmp_path):
    session = FakeSession(view(0.12), FakeControls())
    made = open_window(session, tmp_path / "book.sqlite3", ticking=False)
    made.show_needle()
    return made


def show(window, size, state):
    window._session.now = STATES[state]
    window.resize(*size)
    for _ in range(3):
        QApplication.processEvents()
        window.needle_page._slow_at_s = float("-inf")
        window.tick()


def tight(mark):
    """Where the letters of a painted text are."""
    font = QFont()
    font.setPixelSize(mark.font_px)
    font.setBold(mark.bold)
    metrics, box = QFontMetricsF(font), QRectF(*mark.shape)
    flags = int(mark.align) | int(Qt.TextFlag.TextWordWrap)
    placed = metrics.boundingRect(box, flags, mark.words)
    # Ascent and descent are more than the letters have.
    inside = (
        metrics.tightBoundingRect(mark.words).height()
        if placed.height() < 2 * (metrics.height())
        else placed.height()
    )
    spare = (placed.height() - inside) / 2
    return placed.adjusted(0, spare, 0, -spare)


@pytest.mark.parametrize("size", LOW)
@pytest.mark.parametrize("at_work", [False, True])
@pytest.mark.parametrize("language", languages(), indirect=True)
@pytest.mark.few(3)
def test_no_word_lies_over_another_or_is_too_small(window, monkeypatch, size, at_work):
    if at_work:
        window.begin_job("machine 7", "130mm-48tpi")
    page = window.needle_page
    for state in STATES:
        show(window, size, state)
        for part in (page.figures, page.status):
            marks = [each for each in painted_by(part, monkeypatch) if each.kind == "Text"]
            marks = [each for each in marks if each.words]
            assert len(marks) > 5
            over = [
                (one.words, other.words)
                for one, other in combinations(marks, 2)
                if tight(one).intersects(tight(other))
            ]
            assert over == [], (state, type(part).__name__)
            small = [each.words for each in marks if each.font_px < RUNNING_PX]
            assert small == [], (state, type(part).__name__)
        dial = page.meter.dial
        profile = window._session.profile
        limits = Limits(profile.set_limit, profile.check_limit)
        _, numerals = numerals_of(dial, limits)
        assert len(numerals) == 9
        boxes = [box for _, box in numerals]
        boxes += [box for _, box in words_below(dial, limits, zeroed=False)]
        assert not any(one.intersects(other) for one, other in combinations(boxes, 2)), state
        assert all(box.bottom() <= dial.cover_top for box in boxes), state


@pytest.mark.parametrize("remark", ["", "The source went away, and was kept."])
@pytest.mark.parametrize("language", languages(), indirect=True)
def test_long_notes_are_whole_and_no_smaller_than_running_text(window, monkeypatch, remark):
    notes = [
        "The volts are relative to the sound input's full scale; give full_scale_v, the volts at "
        "which it clips, for true heights.",
        messages.RESOLVES_UNCHECKED.text,
    ]
    of_reading = (messages.UNCALIBRATED, messages.SIGN_UNKNOWN)
    silent = replace(parked(messages.NO_SIGNAL.text), notes=of_reading)
    STATES["silent"] = view(reading=silent, notes=tuple(notes), advice=(NO_LEVEL,))
    window.top_bar.remark(remark)
    try:
        for _ in range(2):
            show(window, (1024, 640), "silent")
    finally:
        del STATES["silent"]
    page = window.needle_page
    assert page._ways.currentWidget() is page._roomy
    marks = [each for each in painted_by(page.status, monkeypatch) if each.words]
    assert any("\n" in each.words for each in marks), "notes stand there"
    assert [each.words for each in marks if each.font_px < RUNNING_PX] == []
    assert page.rect().contains(
        page.status.geometry().translated(page.status.parentWidget().mapTo(page, QPoint()))
    )
    # Another source begins with a state as narrow as ever.
    page.forget()
    assert page._below.stretch(page._below.indexOf(page.status)) == 34
