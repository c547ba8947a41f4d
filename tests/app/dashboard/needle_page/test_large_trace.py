"""The trace over the whole window: what is drawn, what cursors tell, and what is kept."""

import csv
import math
from dataclasses import replace
from datetime import datetime
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QImage, QWheelEvent
from PySide6.QtWidgets import QApplication

from app.analysis.results import Measurand, Measurement, Trace
from app.dashboard.needle_page.large_trace import (
    MOST_TURNS,
    Fold,
    LargeTrace,
    Seen,
    cursor_words,
)
from app.dashboard.style import DARK, LIGHT, Sizes
from app.dashboard.widgets import TouchButton
from app.job.model import CheckName, Stage
from app.job.plan import Step
from app.live.measurement import MeasurementProgress
from app.live.past import KEPT_S, SAMPLED_TURNS, Past
from instruments.source import Block
from tests.app.bench import end_lines_as_windows
from tests.app.dashboard.fakes import FakeControls, FakeSession, trace, view
from tests.app.dashboard.keys import KEY, SHIFT, press
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


def test_it_takes_on_colours(large):
    feed(large, 2)
    for theme in (DARK, LIGHT):
        large.apply_theme(theme, Sizes.of(1920, 1080))
        assert large.picture.lines[0].ink.name() == theme.needle


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


def test_the_mean_is_of_as_many_turns_as_it_says_whatever_their_lengths(large):
    """The speed sways, so hardly two turns have as many bins."""
    for number, (balance, points) in enumerate([(0.0, 990), (0.2, 1000), (0.4, 1013)]):
        large.show_trace(trace(balance, number, points), 300.0)
    large.mean.click()
    assert "mean of 3 turns" in large.title
    shown = large.shown
    assert shown.envelope_v.size == 1013
    heights_v = np.interp((0.25, 0.75), shown.turns, shown.envelope_v)
    # The mean balance is 0.2: 0.6 V and 0.4 V, within the ripple of 4 mV.
    assert heights_v == pytest.approx((0.6, 0.4), abs=0.006)


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


def test_a_cursor_in_a_gap_tells_no_height():
    words = cursor_words((0.25, 0.5), (0.1, math.nan), 200.0)
    assert words == "1: 0.1 V   +50.000 ms   +90.00°"


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
    with pytest.raises(FileNotFoundError):
        large.write_picture(tmp_path / "none" / "t.png")


class Still(datetime):
    """A clock that stands."""

    @classmethod
    def now(cls, tz=None):
        return cls(2031, 4, 12, 10, 5, tzinfo=tz)


def test_end_shows_it_and_escape_leaves_it(open_window, tmp_path, monkeypatch):
    monkeypatch.setattr(
        "app.dashboard.keeping.QStandardPaths.writableLocation", lambda _: str(tmp_path / "kept")
    )
    monkeypatch.setattr("app.dashboard.keeping.datetime", Still)
    window = open_window(FakeSession(lambda: view(0.12), FakeControls()), ticking=False)
    window.show_needle()
    window.tick()
    page = window.needle_page
    press(KEY.Key_End)
    assert page.large.isVisible()
    assert not page.meter.isVisible()
    assert page.large.shown.number == 1
    window.keeper.keep_trace()
    assert {path.suffix for path in (tmp_path / "kept").iterdir()} == {".png", ".svg", ".csv"}
    # Another within the same second, or by a clock that was put back, takes the place of none.
    window.keeper.keep_trace()
    assert len(list((tmp_path / "kept").iterdir())) == 6
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


RATE_HZ = 20_000.0
TURN = 4000
ROLES = ("plus", "minus", "index")


def sampled_turn(number):
    """A turn's samples: two lobes of 0.6 V and 0.4 V, half of each in either phase, and a pulse."""
    at = (np.arange(TURN) + 0.5) / TURN
    shape = np.cos(2 * math.pi * (at - 0.25))
    carrier_v = np.where(shape > 0, 0.6 * shape, -0.4 * shape) * np.sin(2 * math.pi * 440 * at)
    index_v = np.where(at < 0.02, 5.0, 0.0)
    samples_v = np.stack([carrier_v / 2, -carrier_v / 2, index_v], axis=1).astype(np.float32)
    return Block(samples_v, RATE_HZ, number * TURN, number * TURN / RATE_HZ)


def past_of(turns, lost=()):
    past = Past(TURN / RATE_HZ)
    for number in range(turns):
        block = sampled_turn(number)
        past.take(block)
        if number not in lost:
            frames = float(number * TURN), float((number + 1) * TURN)
            past.add(replace(trace(0.2, number + 1), frames=frames), block)
    return past


def said_of(large, past, roles, seen):
    """What the title says of what is not there to be drawn."""
    large.seen.setCurrentIndex(large.seen.findData(seen))
    large._looked_at_s = float("-inf")
    large.show_past(past, roles, 0.0)
    return large.title.partition("   ·   ")[0]


def test_what_is_missing_of_what_was_chosen_is_said_with_what_to_do(large):
    for seen in Seen:
        assert said_of(large, None, (), seen) == "no source is open: F2 opens one"
    assert said_of(large, Past(0.2), ROLES, Seen.ENVELOPE).startswith("no turn followed yet")
    for seen in (Seen.CARRIER, Seen.CHANNELS):
        assert said_of(large, Past(0.2), ROLES, seen) == "no samples have come yet"
    # An envelope has no carrier; as a channel it has its lane.
    past = past_of(2)
    assert said_of(large, past, ("envelope", "index"), Seen.CARRIER).startswith("no carrier: ")
    assert said_of(large, past, ("envelope", "index"), Seen.CHANNELS).startswith("Every channel")
    assert said_of(large, past, ROLES, Seen.CARRIER).startswith("Carrier and envelope")
    extremes = Past(0.2)
    extremes.take(replace(sampled_turn(0), min_max=True))
    assert said_of(large, extremes, ROLES, Seen.CARRIER).startswith("lowest and highest samples")


def looking(large, past, turns, seen=Seen.ENVELOPE):
    large.seen.setCurrentIndex(large.seen.findData(seen))
    large.show_past(past, ROLES, 0.0)
    large.show_trace(trace(0.2, turns), 300.0)
    return large


def test_choosing_what_was_chosen_before_shows_that_again(large):
    feed(large, 1)
    for fold, right in ((Fold.LOBE, 0.5), (Fold.TURN, 1.0)):
        large.fold.setCurrentIndex(large.fold.findData(fold))
        assert large._box.viewRect().right() == pytest.approx(right, rel=0.05)


def test_the_carrier_is_what_the_phases_make_and_the_envelope_is_over_it(large):
    looking(large, past_of(3), 3, Seen.CARRIER)
    carrier, envelope = large.picture.lines
    assert carrier.solid
    assert not envelope.solid
    heights_v = carrier.curve.heights_v
    assert (heights_v.min(), heights_v.max()) == pytest.approx((-0.6, 0.6), abs=0.01)
    second = heights_v[carrier.curve.turns > 0.55]
    assert second.max() == pytest.approx(0.4, abs=0.01)
    # Drawn as the lowest and the highest of each column, both ends of each stand there.
    assert heights_v.size == pytest.approx(2 * large._box.width(), rel=0.05)
    view = large._box.viewRect()
    assert view.top() < -0.6
    assert view.bottom() > 0.6


def test_each_channel_has_a_lane_of_its_own_beside_the_envelope(large):
    looking(large, past_of(3), 3, Seen.CHANNELS)
    index, minus, plus, envelope = large.picture.lines
    for lane, line in enumerate((index, minus, plus, envelope)):
        assert lane < line.curve.heights_v.min()
        assert line.curve.heights_v.max() < lane + 1
    # 5 V for the first fiftieth of the turn; at the lane's middle, 0 V, after that.
    high = index.curve.turns[index.curve.heights_v > 0.6]
    assert high.max() == pytest.approx(0.02, abs=0.002)
    named = dict(large._plot.plot_item.getAxis("left")._tickLevels[0])
    assert set(named.values()) >= {"plus", "minus", "index", "envelope", "10 V"}
    large.seen.setCurrentIndex(large.seen.findData(Seen.ENVELOPE))
    assert large._plot.plot_item.getAxis("left")._tickLevels is None


def test_lobe_over_lobe_the_second_is_an_outline_of_its_samples(large):
    looking(large, past_of(3), 3, Seen.CARRIER)
    large.fold.setCurrentIndex(large.fold.findData(Fold.LOBE))
    first, lowest, highest = large.picture.lines[:3]
    assert first.solid
    assert first.curve.heights_v.max() == pytest.approx(0.6, abs=0.01)
    assert lowest.curve.heights_v.min() == pytest.approx(-0.4, abs=0.01)
    assert highest.curve.heights_v.max() == pytest.approx(0.4, abs=0.01)
    for line in large.picture.lines:
        assert -0.01 < line.curve.turns.min() < line.curve.turns.max() < 0.51


def test_lobe_over_lobe_no_lane_has_both_in_one_colour(large):
    looking(large, past_of(3), 3, Seen.CHANNELS)
    large.fold.setCurrentIndex(large.fold.findData(Fold.LOBE))
    for lane in range(4):
        lines = [
            each for each in large.picture.lines if lane < each.curve.heights_v.mean() < lane + 1
        ]
        assert len({each.ink.name() for each in lines}) == 2, lane


def test_zoomed_in_each_sample_is_drawn(large):
    looking(large, past_of(3), 3, Seen.CARRIER)
    large.zoom(12)
    view = large._box.viewRect()
    curve = large.picture.lines[0].curve
    drawn = curve.turns[(curve.turns > view.left()) & (curve.turns < view.right())]
    assert np.diff(drawn) == pytest.approx(1 / TURN)


def test_lost_samples_are_a_gap(large):
    past = past_of(2)
    whole = sampled_turn(2)
    for part in (whole.part(0, 1000), replace(whole.part(2000), gap_before=True)):
        past.take(part)
    frames = float(2 * TURN), float(3 * TURN)
    past.add(replace(trace(0.2, 3), frames=frames), whole)
    looking(large, past, 3, Seen.CARRIER)
    curve = large.picture.lines[0].curve
    assert np.isnan(curve.heights_v).any()
    gap = curve.turns[np.isnan(curve.heights_v)]
    assert (gap.min(), gap.max()) == pytest.approx((0.25, 0.5), abs=0.01)
    known = curve.turns[np.isfinite(curve.heights_v)]
    assert not ((known > 0.26) & (known < 0.49)).any()


def test_samples_that_no_turn_was_found_in_are_shown_without_an_envelope(large):
    looking(large, past_of(9, lost=range(5, 9)), 5, Seen.CARRIER)
    assert "no turn was followed here" in large.title
    (carrier,) = large.picture.lines
    assert carrier.curve.heights_v.max() == pytest.approx(0.6, abs=0.01)


def test_it_scrolls_back_turn_by_turn_and_says_how_far(large):
    past = past_of(30)
    looking(large, past, 30)
    large.scroll_by(-1)
    large.scroll_by(-1)
    assert large.shown.number == 28
    assert large.title.startswith("0.5 s BACK")
    # What comes goes on behind it, and is there again at once.
    large.show_trace(trace(0.2, 31), 300.0)
    assert large.shown.number == 28
    large.show_now()
    assert large.shown.number == 31
    assert "BACK" not in large.title
    assert large._now.isHidden()


def test_the_age_of_what_is_shown_grows_while_it_stands(large):
    past = past_of(30)
    looking(large, past, 30)
    large.scroll_long(-1)
    first = large.back_s
    for number in range(30, 40):
        past.take(sampled_turn(number))
    large.show_past(past, ROLES, 10.0)
    assert large.back_s == pytest.approx(first + 10 * TURN / RATE_HZ)


def test_beyond_the_last_turns_the_envelope_alone_is_kept_and_that_is_said(large):
    looking(large, past_of(60), 60, Seen.CARRIER)
    large.show_back(10.0)
    assert f"samples are kept of the last {SAMPLED_TURNS} turns alone" in large.title
    (envelope,) = large.picture.lines
    assert not envelope.solid


def test_persistence_is_of_the_turns_before_the_one_that_is_shown(large):
    large.decay.setCurrentIndex(large.decay.findData(16))
    looking(large, past_of(30), 30)
    for _ in range(5):
        large.scroll_by(-1)
    assert large.shown.number == 25
    assert len(large.picture.past) == 24


def test_turns_behind_are_the_same_picture_however_they_came_there(large):
    large.decay.setCurrentIndex(large.decay.findData(16))
    past = past_of(30)
    looking(large, past, 30)
    for _ in range(6):
        large.scroll_by(-1)
        large._plot.grab()  # makes the picture, from which what was found is taken
    stepped = pixels(large._plot.grab().toImage()).copy()
    large.picture.forget_past()
    large._lay_behind()
    assert (pixels(large._plot.grab().toImage()) == stepped).all()
    # One that was not seen meanwhile is not taken for what is seen later.
    large.decay.setCurrentIndex(large.decay.findData(0))
    large.scroll_by(-10)
    large.scroll_by(10)
    large.decay.setCurrentIndex(large.decay.findData(16))
    assert (pixels(large._plot.grab().toImage()) == stepped).all()


def test_in_the_smallest_window_every_button_has_its_place_while_it_looks_back(open_window):
    session = FakeSession(lambda: view(0.12, trace=trace(0.12, 30)), FakeControls())
    session.past = past_of(30)
    window = open_window(session, ticking=False)
    window.resize(480, 320)
    window.show_needle()
    page = window.needle_page
    page.toggle_large()
    window.tick()
    page.scroll_by(-1)
    for _ in range(3):
        QApplication.processEvents()
    buttons = [each for each in page.large.findChildren(TouchButton) if each.isVisible()]
    assert page.large._now in buttons
    for button in buttons:
        assert button.mapTo(window, button.rect().bottomLeft()).y() < window.height()


def test_another_source_has_no_past_of_this_one(large):
    looking(large, past_of(30), 30)
    large.scroll_by(-5)
    large.show_past(past_of(0), (), 10.0)
    assert large.back_s == 0.0
    assert "BACK" not in large.title
    large.scroll_by(-1)
    assert large.back_s == 0.0


def test_the_bar_asks_for_the_moment_that_is_pressed(large, qtbot):
    looking(large, past_of(300), 300)
    width = large.bar.width()
    at = large.bar.rect().center()
    at.setX(round(width * (1 - 30.0 / KEPT_S)))
    qtbot.mouseClick(large.bar, Qt.MouseButton.LeftButton, pos=at)
    assert large.back_s == pytest.approx(30.0, abs=1.5 * KEPT_S / width)
    assert large.bar.accessibleDescription() == large.title.split("   ·   ")[0]


def turn_wheel(widget, modifiers, notches=(0, 1)):
    at = QPointF(widget.rect().center())
    event = QWheelEvent(
        at,
        widget.mapToGlobal(at),
        QPoint(),
        120 * QPoint(*notches),
        Qt.MouseButton.NoButton,
        modifiers,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(widget, event)


def test_the_wheel_goes_back_over_the_bar_and_with_shift_over_the_trace(large):
    looking(large, past_of(30), 30)
    turn_wheel(large.bar, Qt.KeyboardModifier.NoModifier)
    assert large.shown.number == 29
    turn_wheel(large._plot.viewport(), SHIFT)
    assert large.shown.number == 28


def test_a_wheel_turned_sidewise_goes_back_and_any_other_zooms(large):
    looking(large, past_of(30), 30)
    plain = Qt.KeyboardModifier.NoModifier
    for notches in ((0, 1), (1, 1)):
        before = large._plot.viewRange()[0]
        turn_wheel(large._plot.viewport(), plain, notches)
        after = large._plot.viewRange()[0]
        assert large.shown.number == 30
        assert after[1] - after[0] < before[1] - before[0]
    turn_wheel(large._plot.viewport(), plain, (1, 0))
    assert large.shown.number == 29


def test_keys_go_back_and_to_now_while_the_needle_goes_on(open_window):
    past = past_of(300)
    session = FakeSession(lambda: view(0.12, trace=trace(0.12, 300)), FakeControls())
    session.past = past
    window = open_window(session, ticking=False)
    window.show_needle()
    page, control = window.needle_page, Qt.KeyboardModifier.ControlModifier
    press(KEY.Key_PageUp, modifier=control)
    assert page.large.back_s == 0.0  # not seen, so not gone back
    press(KEY.Key_End)
    window.tick()
    press(KEY.Key_PageUp, modifier=control)
    assert page.large.shown.number == 299
    press(KEY.Key_PageUp, modifier=control | SHIFT)
    assert page.large.back_s == pytest.approx(10.3, abs=0.3)
    session.now = lambda: view(-0.3)
    window.tick()
    assert page.face.balance == pytest.approx(-0.3)
    assert page.large.back_s > 10.0
    press(KEY.Key_End, modifier=control)
    assert page.large.back_s == 0.0
    press(KEY.Key_PageUp, modifier=control)
    press(KEY.Key_End)
    assert page.large.back_s == 0.0


def test_samples_that_are_seen_are_kept_as_a_table(large, tmp_path):
    looking(large, past_of(3), 3, Seen.CHANNELS)
    large.write_csv(tmp_path / "t.csv")
    with open(tmp_path / "t.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == TURN
    samples_v = sampled_turn(2).samples_v
    kept_v = [[float(row[f"{role}_v"]) for role in ROLES] for row in rows]
    np.testing.assert_allclose(kept_v, samples_v, rtol=1e-5, atol=1e-9)
    # 300 rpm: 200 ms a turn.
    assert float(rows[-1]["ms"]) == pytest.approx(200.0, rel=1e-3)


BURSTS = Trace(
    (np.arange(200, dtype=np.float32) + 0.5) / 200,
    np.full(200, 0.3, np.float32),
    (0.2, 0.4),
    (0.31, 0.22),
    0,
)


def test_what_a_check_has_measured_lies_over_the_turn_with_its_bursts(large):
    feed(large, 1)
    large.show_measured(BURSTS, "Azimuth")
    measured, newest = large.picture.lines
    assert measured.dashed
    assert not newest.dashed
    np.testing.assert_allclose(measured.curve.heights_v, 0.3, rtol=1e-6)
    assert [(top.at, top.rank, top.words) for top in large._marks.tops] == [
        ((0.2, 0.31), 0, "0.31 V"),
        ((0.4, 0.22), 1, "0.22 V"),
    ]
    assert "dashed, with its bursts: Azimuth" in large.title
    # A second half over the first has no place for it.
    large.fold.setCurrentIndex(large.fold.findData(Fold.LOBE))
    assert not large._marks.tops
    large.fold.setCurrentIndex(large.fold.findData(Fold.TURN))
    large.show_measured(None, "")
    assert len(large.picture.lines) == 1
    assert not large._marks.tops


@pytest.mark.few(2)
@pytest.mark.parametrize(
    ("measurand", "shown"),
    [(each, each in ["azimuth", "index", "output"]) for each in Measurand],
)
def test_the_large_trace_has_what_a_check_of_bursts_or_output_measured(
    open_window, measurand, shown
):
    window = open_window(FakeSession(lambda: view(0.12), FakeControls()), ticking=False)
    controller = window.controller
    step = Step(CheckName.AZIMUTH, Stage.AS_FOUND)
    found = Measurement(measurand, trace=BURSTS)
    runner = SimpleNamespace(
        job=SimpleNamespace(step=step, profile=SimpleNamespace(sides=1)),
        poll=lambda: MeasurementProgress(measurement=found),
        follows=False,
    )
    controller._poll(runner)
    window.show_needle()
    window.tick()
    assert (window.needle_page.large._measured is BURSTS) is shown
    controller.leave()
    window.needle_page._slow_at_s = -math.inf
    window.tick()
    assert window.needle_page.large._measured is None
