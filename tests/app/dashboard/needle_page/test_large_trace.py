"""The trace over the whole window: what is drawn, what cursors tell, and what is kept."""

import csv
import math
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QApplication

from app.dashboard.needle_page.large_trace import MOST_TURNS, Fold, LargeTrace, cursor_words
from app.dashboard.style import LIGHT, Sizes
from tests.app.bench import end_lines_as_windows
from tests.app.dashboard.fakes import FakeControls, FakeSession, trace, view
from tests.app.dashboard.keys import KEY, press
from tests.app.dashboard.pictures import pixels


@pytest.fixture
def large(qtbot):
    made = LargeTrace()
    qtbot.addWidget(made)
    made.resize(1200, 700)
    made.apply_theme(LIGHT, Sizes.of(1920, 1080))
    made.grab()  # lays it out
    return made


def feed(large, count, balance=0.1):
    for number in range(count):
        large.show_trace(trace(balance, number), 300.0)


def test_so_many_turns_are_kept_and_no_more(large):
    feed(large, MOST_TURNS + 20)
    assert len(large._turns) == len(large.picture.past) == MOST_TURNS
    assert large.shown.number == MOST_TURNS + 19


def test_the_same_turn_is_taken_once(large):
    for _ in range(5):
        large.show_trace(trace(0.1, 3), 300.0)
    assert len(large._turns) == 1


def ink(large):
    """How far the picture is from its ground, all in all."""
    picture = pixels(large._plot.grab().toImage()).astype(int)
    return int(np.abs(picture - picture[5, 5]).sum())


def test_turns_behind_are_seen_only_with_persistence(large):
    feed(large, 10)
    alone = ink(large)
    large.decay.setCurrentIndex(large.decay.findData(16))
    behind = ink(large)
    assert behind > 1.05 * alone
    large.decay.setCurrentIndex(large.decay.findData(0))
    assert ink(large) == alone


def test_a_turn_far_behind_has_faded(large):
    large.decay.setCurrentIndex(large.decay.findData(4))
    large.show_trace(trace(0.8, 0), 300.0)
    large.fit()
    large.show_trace(trace(0.0, 1), 300.0)
    large._plot.grab()  # makes the picture, to which the next ones are added
    before = ink(large)
    for number in range(2, 30):
        large.show_trace(trace(0.0, number), 300.0)
    assert ink(large) < before


def test_gaps_are_not_drawn_over(large):
    turn = trace(0.0, 1)
    holed = turn.envelope_v.copy()
    holed[300:400] = np.nan
    large.decay.setCurrentIndex(large.decay.findData(4))
    large.show_trace(replace(turn, envelope_v=holed), 300.0)
    large.show_trace(trace(0.0, 2), 300.0)
    large._plot.grab()
    large.mean.setChecked(True)
    assert np.isfinite(large.shown.envelope_v).all()


def test_the_mean_is_the_mean_of_the_turns_kept(large):
    feed(large, 12)
    large.mean.click()
    expected = np.mean([trace(0.1, number).envelope_v for number in range(12)], axis=0)
    np.testing.assert_allclose(large.shown.envelope_v, expected, rtol=1e-5)
    assert "mean of 12 turns" in large.title
    # Averaged, the noise that each turn has for itself falls with the root of their number.
    noise = [np.std(each.envelope_v - expected) for each in large._turns]
    assert np.mean(noise) > 0.0


def test_lobes_lie_over_each_other(large):
    feed(large, 1, balance=0.2)
    large.fold.setCurrentIndex(large.fold.findData(Fold.LOBE))
    second, first = (line.curve for line in large.picture.lines)
    assert first.turns.max() <= 0.5
    assert second.turns.max() <= 0.5
    # A − B over A + B is the balance: 0.6 V and 0.4 V.
    tops_v = first.heights_v.max(), second.heights_v.max()
    assert tops_v == pytest.approx((0.6, 0.4), abs=0.01)


def test_cursors_tell_volts_time_and_degrees(large):
    large.show_trace(trace(0.2, 1), 300.0)
    large.cursors.click()
    for cursor, at in zip(large._cursors, (0.25, 0.75), strict=True):
        cursor.setValue(at)
    shown = large.shown
    heights_v = np.interp((0.25, 0.75), shown.turns, shown.envelope_v)
    # Half a turn at 300 rpm is 100 ms.
    assert "+100.000 ms   +180.00°" in large.title
    assert f"2 − 1: −{heights_v[0] - heights_v[1]:.4g} V" in large.title


def test_without_a_speed_there_is_no_time():
    words = cursor_words((0.25, 0.5), (0.1, 0.2), None)
    assert words == "1: 0.1 V   2: 0.2 V   2 − 1: +0.1 V   +90.00°"


def test_single_stands_still_with_the_next_turn(large):
    feed(large, 3)
    large.take_single()
    assert "waiting for the next turn" in large.title
    large.show_trace(trace(0.1, 7), 300.0)
    large.show_trace(trace(0.1, 8), 300.0)
    assert large.shown.number == 7
    assert "FROZEN" in large.title


def test_a_held_turn_stays_with_another_source(large):
    feed(large, 2)
    large.hold(large.shown)
    large.clear()
    assert large.shown is None
    (held,) = large.picture.lines
    assert held.dashed
    large.hold(None)
    assert not large.picture.lines


def test_zoom_and_pan_and_the_whole_turn(large):
    feed(large, 1)
    whole = large._box.viewRect().width()
    large.zoom(2)
    assert large._box.viewRect().width() == pytest.approx(whole / 1.25**2)
    left = large._box.viewRect().left()
    large.pan(1)
    assert large._box.viewRect().left() > left
    large.fit()
    assert large._box.viewRect().width() == pytest.approx(whole)


def test_what_is_seen_is_kept_as_a_table_and_pictures(large, tmp_path):
    feed(large, 2, balance=0.2)
    large.hold(trace(0.0, 9))
    large.write_csv(tmp_path / "t.csv")
    with open(tmp_path / "t.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 1000
    row = rows[249]
    assert float(row["degrees"]) == pytest.approx(360 * float(row["turn"]), abs=1e-2)
    assert float(row["ms"]) == pytest.approx(200 * float(row["turn"]), abs=1e-3)
    shown = large.shown
    assert float(row["envelope_v"]) == pytest.approx(shown.envelope_v[249], rel=1e-5)
    assert math.isfinite(float(row["held_v"]))
    for ending in ("png", "svg"):
        large.write_picture(tmp_path / f"t.{ending}")
    assert QImage(str(tmp_path / "t.png")).width() == large._plot.width()
    assert ElementTree.parse(tmp_path / "t.svg").getroot().tag.endswith("svg")


def test_the_table_s_lines_end_alike_on_every_system(large, tmp_path, monkeypatch):
    end_lines_as_windows(monkeypatch)
    feed(large, 1)
    large.write_csv(tmp_path / "t.csv")
    text = (tmp_path / "t.csv").read_bytes()
    # RFC 4180, section 2: CR LF.
    assert text.count(b"\r\n") == text.count(b"\n") == text.count(b"\r") > 1


def test_without_a_turn_there_is_nothing_to_keep(large, tmp_path):
    with pytest.raises(OSError, match="no turn has been seen yet"):
        large.write_csv(tmp_path / "t.csv")
    with pytest.raises(OSError, match="choose another folder"):
        large.write_picture(tmp_path / "none" / "t.png")


def test_end_shows_it_and_escape_leaves_it(open_window, tmp_path, monkeypatch):
    monkeypatch.setattr(
        "app.dashboard.window.QStandardPaths.writableLocation", lambda _: str(tmp_path / "kept")
    )
    window = open_window(FakeSession(lambda: view(0.12), FakeControls()), ticking=False)
    window.show_needle()
    window.tick()
    page = window.needle_page
    press(KEY.Key_End)
    assert page.large.isVisible()
    assert not page.meter.isVisible()
    assert page.large.shown.number == 1
    window.keep_trace()
    assert {path.suffix for path in (tmp_path / "kept").iterdir()} == {".png", ".svg", ".csv"}
    window.tick()
    assert window.top_bar._folder.isVisible()
    press(KEY.Key_Escape)
    QApplication.processEvents()
    assert page.meter.isVisible()


def test_end_leads_back_and_a_job_is_not_hidden_by_it(open_window, tmp_path):
    session = FakeSession(lambda: view(0.12), FakeControls())
    window = open_window(session, tmp_path / "book.sqlite3", ticking=False)
    window.show_needle()
    window.tick()
    page = window.needle_page
    press(KEY.Key_End)
    QApplication.processEvents()
    assert page.large.isVisible()
    press(KEY.Key_End)
    QApplication.processEvents()
    assert not page.large.isVisible()
    press(KEY.Key_End)
    window.begin_job("machine 7", "130mm-48tpi")
    window.tick()
    QApplication.processEvents()
    assert not page.large.isVisible()
    assert page.job.isVisible()
