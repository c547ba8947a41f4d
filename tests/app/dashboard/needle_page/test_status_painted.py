"""The panel of the source's state: where its lines, notes and settings are painted."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QFont, QFontMetrics, QFontMetricsF
from PySide6.QtWidgets import QSizePolicy

from app.dashboard.job_panel.panel import ProgressBar
from app.dashboard.lettering import LEFT, height_of, size_that_fits
from app.dashboard.needle_page.status import Grade, StatusLine, StatusView
from app.dashboard.style import LIGHT, Sizes
from tests.app.dashboard.painting import painted_by, texts

LINES = tuple(StatusLine(f"name {grade}", f"words {grade}", grade) for grade in Grade)
INKS = {
    Grade.PLAIN: LIGHT.ink,
    Grade.GOOD: LIGHT.ink,
    Grade.CAUTION: LIGHT.caution,
    Grade.FAULT: LIGHT.fault,
}


@pytest.fixture
def panel(qtbot):
    made = StatusView()
    qtbot.addWidget(made)
    made.resize(400, 300)
    made.apply_theme(LIGHT, Sizes(1.0))
    made.show()
    return made


def painted(panel, monkeypatch, *shown):
    panel.show_lines(*shown)
    return painted_by(panel, monkeypatch)


@pytest.mark.parametrize(("unit", "high"), [(1.0, 300), (2.0, 300), (1.0, 140)])
def test_each_line_has_a_mark_a_name_and_words(panel, monkeypatch, unit, high):
    panel.apply_theme(LIGHT, Sizes(unit))
    panel.resize(round(400 * unit), high)
    pad, text = max(6.0, 12 * unit), Sizes(unit).text_px
    step = min((high - 2 * pad) / 4, 2.0 * text)
    marks = painted(panel, monkeypatch, LINES, ())
    written = texts(marks)
    font = QFont(panel.font())
    font.setPixelSize(max(12, min(text, int(step / 1.2))))
    names = max(QFontMetricsF(font).horizontalAdvance(line.name) for line in LINES)
    for rank, line in enumerate(LINES):
        top = pad + rank * step
        left = pad + 0.8 * step
        name, words = written[line.name], written[line.words]
        right = 400 * unit - pad
        assert name.shape == pytest.approx((left, top, right - left, step))
        assert (name.pen, name.font_px, name.align) == (LIGHT.faint, font.pixelSize(), LEFT)
        left += names + pad
        # Its first line stands beside the name, others below it.
        above = (step - QFontMetrics(font).height()) / 2
        assert words.shape == pytest.approx((left, top + above, right - left, step - above))
        assert (words.pen, words.align) == (INKS[line.grade], Qt.AlignmentFlag.AlignLeft)
        assert words.font_px <= font.pixelSize()
        assert words.smooth
    at = [(pad + step / 4, pad + (rank + 0.5) * step) for rank in range(4)]
    check_marks([mark for mark in marks if mark.kind not in ("Text", "Rounded")], at, step / 4)


def check_marks(marks, at, half):
    """A bar, a circle, a triangle and a cross, each in its colour about its place."""
    bar, circle, triangle, *cross = marks
    (x, y), reach = at[0], 0.6 * half
    assert bar.shape == pytest.approx((x - reach, y - 1, 2 * reach, 2))
    assert (bar.kind, bar.brush, bar.pen) == ("Rect", LIGHT.line, "")
    assert circle.shape == pytest.approx((*at[1], 0.8 * half, 0.8 * half))
    assert (circle.kind, circle.brush, circle.pen) == ("Ellipse", LIGHT.good, "")
    (x, y) = at[2]
    corners = (x, y - half, x + half, y + half, x - half, y + half)
    assert triangle.shape == pytest.approx(corners)
    assert (triangle.kind, triangle.brush, triangle.pen) == ("Polygon", LIGHT.caution, "")
    (x, y), reach = at[3], 0.8 * half
    for stroke, slope in zip(cross, (1, -1), strict=True):
        ends = (x - reach, y - slope * reach, x + reach, y + slope * reach)
        assert stroke.shape == pytest.approx(ends)
        assert (stroke.kind, stroke.pen) == ("Line", LIGHT.fault)
        assert stroke.width == pytest.approx(max(2.0, 2 * half * 0.28))


def test_notes_stand_below_the_lines_and_settings_between(panel, monkeypatch):
    marks = painted(panel, monkeypatch, LINES, ("One note.", "Another."), "record 600 ms")
    written = texts(marks)
    notes, settings = written["▲ One note.\n▲ Another."], written["record 600 ms"]
    room = 300 - 24
    text = Sizes(1.0).text_px
    high = height_of(notes.words, 376, 0.2 * room, text)
    assert notes.shape == pytest.approx((12, 288 - high, 376, high))
    low = height_of(settings.words, 376, 0.2 * room, text)
    assert settings.shape == pytest.approx((12, 288 - high - low, 376, low))
    assert (notes.pen, settings.pen) == (LIGHT.caution, LIGHT.ink)
    assert notes.font_px == size_that_fits(notes.words, 376, high, text, False)
    step = min((room - high - low) / 4, 36.0)
    assert written["name plain"].shape[3] == pytest.approx(step)


@pytest.mark.parametrize("settings", ["", "a setting of many words " * 20])
def test_what_stands_below_takes_two_fifths_at_the_most(panel, monkeypatch, settings):
    note = "a note of many words " * 20
    marks = painted(panel, monkeypatch, (), (note,), settings)
    written = texts(marks)
    most = 0.4 * 276 / (2 if settings else 1)
    assert written[f"▲ {note}"].shape[3] == pytest.approx(most)
    if settings:
        assert written[settings].shape[3] == pytest.approx(most)
    alone = texts(painted(panel, monkeypatch, (), (), settings or note))
    assert alone[settings or note].shape[3] == pytest.approx(0.4 * 276)


def test_only_what_is_new_is_painted_and_told(panel, monkeypatch):
    asked = []
    monkeypatch.setattr(StatusView, "update", lambda self, *_: asked.append(True))
    for shown in ((LINES, ()), (LINES[:1], ()), (LINES[:1], ("x",)), (LINES[:1], ("x",), "y")):
        panel.show_lines(*shown)
        panel.show_lines(*shown)
    assert len(asked) == 4
    assert panel.lines == LINES[:1]
    assert panel.accessibleDescription() == "name plain: words plain; y; x"


def test_the_panel_takes_the_height_there_is(panel):
    policy = QSizePolicy.Policy
    assert panel.sizePolicy() == QSizePolicy(policy.Preferred, policy.Expanding)
    assert panel.minimumSize().toTuple() == (200, 120)
    assert panel.accessibleName() == "State of the source"


@pytest.mark.parametrize(("unit", "high"), [(1.0, 14), (2.0, 28), (0.4, 8)])
def test_the_bar_of_a_measurement_is_as_long_as_its_part(qtbot, monkeypatch, unit, high):
    bar = ProgressBar()
    qtbot.addWidget(bar)
    bar.apply_theme(LIGHT, Sizes(unit))
    bar.resize(201, high)
    bar.show()
    assert (bar.minimumHeight(), bar.maximumHeight()) == (high, high)
    for part, told in ((0.25, "25 %"), (1.0, "100 %")):
        bar.show_part(part)
        ground, done = painted_by(bar, monkeypatch)
        assert ground.shape == (0.5, 0.5, 200, high - 1)
        assert (ground.pen, ground.width, ground.brush) == (LIGHT.line, 1, LIGHT.face)
        assert done.shape == (0.5, 0.5, 200 * part, high - 1)
        assert (done.kind, done.brush) == ("Fill", LIGHT.second)
        assert bar.accessibleDescription() == told
    asked = []
    monkeypatch.setattr(ProgressBar, "update", lambda self: asked.append(True))
    bar.show_part(1.0)
    assert not asked
    bar.show_part(0.5)
    assert asked
    assert bar.accessibleName() == "Measured so far"
