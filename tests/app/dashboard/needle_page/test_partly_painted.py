"""What is asked to be painted again is all that has changed, and only a part of the widget."""

from dataclasses import replace

import pytest
from PySide6.QtCore import QRect

from app.dashboard.needle_page.dial import Limits
from app.dashboard.needle_page.far_view import FarView, FarWords
from app.dashboard.needle_page.meter import Meter
from app.dashboard.needle_page.status import Grade, StatusLine, StatusView
from app.dashboard.style import LIGHT, Sizes
from app.dashboard.text import Face
from tests.app.dashboard.pictures import different

LINES = (
    StatusLine("source", "running", Grade.GOOD),
    StatusLine("speed", "300.1 rpm"),
    StatusLine("reading", "0.1 s old", Grade.GOOD),
)
WORDS = FarWords("move inward", "24.3 µm", "turn by 0.4°", "Turn the stepper's body.")


def asked_by(widget, monkeypatch, change):
    """The part that a change asks for, and where the pictures before and after it differ."""
    asked = []

    def note(*part):
        asked.append(QRect(*part) if part else widget.rect())

    before = widget.grab().toImage()
    monkeypatch.setattr(widget, "update", note)
    change()
    monkeypatch.undo()
    part = QRect()
    for each in asked:
        part = part.united(each)
    return part, different(before, widget.grab().toImage())


@pytest.mark.parametrize("rank", range(3))
def test_of_the_state_only_the_line_that_is_new(qtbot, monkeypatch, rank):
    panel = StatusView()
    qtbot.addWidget(panel)
    panel.resize(500, 300)
    panel.apply_theme(LIGHT, Sizes(1.0))
    panel.show_lines(LINES, ("a note",))
    panel.show()
    new = tuple(
        replace(line, words="NEW WORDS", grade=Grade.FAULT) if place == rank else line
        for place, line in enumerate(LINES)
    )
    part, changed = asked_by(panel, monkeypatch, lambda: panel.show_lines(new, ("a note",)))
    assert not changed.isEmpty()
    assert part.contains(changed)
    assert part.height() < panel.height() / 4


def test_of_the_far_words_only_the_line_that_is_new(qtbot, monkeypatch):
    far = FarView(Limits(0.15, 0.30))
    qtbot.addWidget(far)
    far.resize(1280, 720)
    far.apply_theme(LIGHT, Sizes.of(1280, 720), far=True)
    far.grab()  # lays it out
    far.show_face(Face(balance=0.1), WORDS, 0.016)
    lines = far._lines
    new = replace(WORDS, figure="22.9 µm")
    part, changed = asked_by(
        lines, monkeypatch, lambda: far.show_face(Face(balance=0.1), new, 0.016)
    )
    assert not changed.isEmpty()
    assert part.contains(changed)
    assert part.height() < lines.height() / 2


def test_where_only_the_needle_moves_the_words_below_it_stay(qtbot, monkeypatch):
    meter = Meter(Limits(0.15, 0.30))
    qtbot.addWidget(meter)
    meter.resize(900, 500)
    meter.apply_theme(LIGHT, Sizes(0.5))
    meter.show()
    face = Face(balance=0.3, headline="Head is outward", detail="words", pace="10 a second")
    meter.show_face(face, 0.0)
    part, changed = asked_by(meter, monkeypatch, lambda: meter.show_face(face, 0.02))
    assert not changed.isEmpty()
    assert part.contains(changed)
    assert part.bottom() <= meter.dial.cover_top + 1
