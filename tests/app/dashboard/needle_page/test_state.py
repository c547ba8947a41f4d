"""The panel of the source's state, each line graded by shape as well as by colour."""

from dataclasses import replace

from app.dashboard.needle_page.status import Grade, StatusLine, StatusView, status_lines
from app.dashboard.style import LIGHT, Sizes
from app.dashboard.text import settings_of
from tests.app.dashboard.fakes import view
from tests.app.dashboard.pictures import different, pixels

NOW_S = 1000.0


def test_marks_differ_in_shape(qtbot):
    shown = StatusView()
    qtbot.addWidget(shown)
    shown.resize(400, 300)
    shown.apply_theme(LIGHT, Sizes.of(1920, 1080))
    shapes = set()
    line = StatusLine("source", "running")
    for grade in Grade:
        shown.show_lines((replace(line, grade=grade),), ())
        mark = pixels(shown.grab().toImage())[15:45, 14:34]
        shapes.add((abs(mark - mark[0, 0]).max(axis=2) > 60).tobytes())
    assert len(shapes) == len(Grade)


def test_all_lines_and_notes_fit_a_small_panel(qtbot):
    shown = StatusView()
    qtbot.addWidget(shown)
    shown.resize(300, 140)
    shown.apply_theme(LIGHT, Sizes.of(1024, 640))
    empty = shown.grab().toImage()
    shown.show_lines(status_lines(view(0.1, NOW_S), NOW_S, 300.0), ("A note of some words. " * 6,))
    changed = different(empty, shown.grab().toImage())
    assert changed.top() > 2
    assert changed.bottom() < shown.height() - 2
    assert "A note" in shown.accessibleDescription()


def test_the_end_of_a_long_line_is_seen_for_it_says_what_is_wrong(qtbot):
    shown = StatusView()
    qtbot.addWidget(shown)
    shown.resize(300, 220)
    shown.apply_theme(LIGHT, Sizes.of(1088, 680))
    pictures = []
    for end in ("not valid", "not cal"):
        words = f"12.6 s old; turns used: 0: {end}"
        shown.show_lines((StatusLine("signal to noise", words, Grade.FAULT),), ())
        pictures.append(shown.grab().toImage())
    assert different(*pictures).width() > 10


def test_a_scope_s_settings_are_told(qtbot):
    settings = (("record", "600 ms"), ("range", "0.08 V/div"))
    shown = view(now_s=NOW_S, settings=settings)
    state = StatusView()
    qtbot.addWidget(state)
    state.show_lines(status_lines(shown, NOW_S, 300.0), (), settings_of(shown))
    assert "record 600 ms   ·   range 0.08 V/div" in state.accessibleDescription()
