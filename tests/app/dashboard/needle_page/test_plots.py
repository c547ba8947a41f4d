"""The envelope of one turn, and the strip of the last minute."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetricsF

from app.analysis.results import Trace
from app.dashboard.needle_page.dial import Limits, deflection
from app.dashboard.needle_page.plots import StripView, TraceView
from app.dashboard.style import DARK, LIGHT, Sizes
from tests.app.dashboard.fakes import trace
from tests.app.dashboard.painting import painted, texts
from tests.app.dashboard.pictures import different, pixels


@pytest.fixture
def shown(qtbot):
    made = TraceView()
    qtbot.addWidget(made)
    made.resize(800, 300)
    made.apply_theme(LIGHT, Sizes.of(1920, 1080))
    return made


def inks(view):
    return [line.ink.name() for line in view.picture.lines]


def points(curve):
    x, y = curve.getData()
    return (0, None) if x is None else (len(x), y)


def names(view):
    return [top.words for top in view.tops if top.words]


def front(view, place=-1):
    """The heights of a line in front."""
    return view.picture.lines[place].curve.heights_v


def behind(view):
    """The heights of the turns behind, oldest first."""
    return [curve.heights_v for (curve,) in view.picture.past]


def test_newest_turn_stands_in_front_and_the_last_ones_behind(shown):
    for number in range(8):
        shown.show_trace(trace(0.1, number), 300.0, current=True, named=True)
    assert shown.shown.number == 7
    np.testing.assert_array_equal(front(shown), trace(0.1, 7).envelope_v)
    for curve, number in zip(behind(shown), range(7), strict=True):
        np.testing.assert_array_equal(curve, trace(0.1, number).envelope_v)
    assert shown.picture.decay == 4  # that many of them are seen


def test_same_turn_is_taken_once(shown):
    for _ in range(5):
        shown.show_trace(trace(0.1, 3), 300.0, current=True, named=True)
    assert not behind(shown)


def test_lobes_are_marked_with_name_and_height(shown):
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    assert names(shown) == ["first 0.6 V", "second 0.4 V"]
    assert [top.rank for top in shown.tops] == [0, 1]
    assert [top.at[0] for top in shown.tops] == [0.25, 0.75]


def test_lobes_have_no_rank_while_the_side_is_not_known(shown):
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=False)
    assert names(shown) == ["lobe 0.6 V", "lobe 0.4 V"]


def test_no_height_is_written_without_a_reading(shown):
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    shown.show_trace(trace(0.2, 1), 300.0, current=False, named=True)
    assert not names(shown)
    assert inks(shown) == [LIGHT.parked]
    assert "no reading goes with it" in shown.accessibleDescription()


def test_frozen_stands_still(shown):
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    shown.set_frozen(True)
    shown.show_trace(trace(0.1, 2), 300.0, current=True, named=True)
    assert shown.shown.number == 1
    assert "FROZEN" in shown.accessibleDescription()
    shown.set_frozen(False)
    shown.show_trace(trace(0.1, 2), 300.0, current=True, named=True)
    assert shown.shown.number == 2


def test_held_turn_stays(shown):
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    shown.hold(True)
    shown.show_trace(trace(0.0, 2), 300.0, current=True, named=True)
    np.testing.assert_array_equal(front(shown, 0), trace(0.2, 1).envelope_v)
    assert [line.dashed for line in shown.picture.lines] == [True, False]
    shown.hold(False)
    assert [line.dashed for line in shown.picture.lines] == [False]
    assert shown.held is None


def test_full_scale_stays_while_the_lobes_fit(shown):
    scales = []
    for height in (0.50, 0.55, 0.60, 0.55, 0.50):
        turn = trace(0.0, len(scales))
        grown = type(turn)(
            turn.turns,
            (turn.envelope_v * 2 * height).astype(np.float32),
            turn.tops_turns,
            turn.tops_v,
            len(scales),
        )
        shown.show_trace(grown, 300.0, current=True, named=True)
        scales.append(shown._top_v)
    assert len(set(scales)) == 1


@pytest.mark.parametrize("height", [1e-6, 3e-3, 0.99, 40.0])
def test_full_scale_holds_the_lobes(shown, height):
    turn = trace(0.0, 1)
    envelope = (turn.envelope_v / turn.envelope_v.max() * height).astype(np.float32)
    scaled = type(turn)(turn.turns, envelope, (0.25, 0.75), (height, height), 1)
    shown.show_trace(scaled, 300.0, current=True, named=True)
    assert height < shown._top_v <= 4 * height


def with_gap(gap, number=1):
    """A turn without samples where `gap` says, and the top of its first lobe not known there."""
    turn = trace(0.0, number)
    envelope_v = turn.envelope_v.copy()
    envelope_v[gap] = np.nan
    tops_v = tuple(
        float("nan") if np.isnan(envelope_v[round(at * envelope_v.size)]) else top
        for at, top in zip(turn.tops_turns, turn.tops_v, strict=True)
    )
    return replace(turn, envelope_v=envelope_v, tops_v=tops_v)


def inked(shown, low, high):
    """Whether the newest curve leaves ink between two places in the turn."""
    empty = shown.grab().toImage()
    box = shown._plot.plot_item.getViewBox().sceneBoundingRect().translated(shown._plot.pos())
    at = [box.left() + box.width() * (0.02 + place) / 1.04 for place in (low, high)]
    shown.picture.setVisible(False)
    changed = np.any(pixels(shown.grab().toImage()) != pixels(empty), axis=2)
    shown.picture.setVisible(True)
    return bool(changed[:, round(at[0]) + 2 : round(at[1]) - 2].any())


def test_lost_samples_are_a_gap_in_the_turn(shown):
    shown.show_trace(with_gap(slice(200, 300)), 300.0, current=True, named=True)
    assert inked(shown, 0.05, 0.19)
    assert not inked(shown, 0.2, 0.3)
    assert inked(shown, 0.31, 0.95)
    assert names(shown) == ["second 0.5 V"]
    assert [top.at[0] for top in shown.tops] == [0.75]
    assert 0.5 < shown._top_v <= 2.0
    shown.hold(True)
    shown.show_trace(trace(0.0, 2), 300.0, current=True, named=True)
    shown.grab()


@pytest.mark.parametrize("points", [1000, 0], ids=["all lost", "empty"])
def test_a_turn_of_which_nothing_is_known_draws_nothing_and_keeps_the_scale(shown, points):
    shown.show_trace(trace(0.0, 1), 300.0, current=True, named=True)
    scale_v = shown._top_v
    lost = with_gap(slice(None), 2)
    lost = replace(lost, turns=lost.turns[:points], envelope_v=lost.envelope_v[:points])
    shown.show_trace(lost, 300.0, current=True, named=True)
    shown.picture.forget_past()
    assert not inked(shown, 0.0, 1.0)
    assert not names(shown)
    assert shown._top_v == scale_v
    shown.clear()
    shown.show_trace(lost, 300.0, current=True, named=True)
    shown.grab()


@pytest.mark.parametrize(
    ("width", "written"),
    [
        (900, ["0.25 · 50 ms", "0.5 · 100 ms"]),
        (450, ["0.25", "0.5 · 100 ms"]),
        (300, ["0.25", "0.5"]),
    ],
)
def test_the_words_of_the_axis_keep_clear_of_each_other(shown, width, written):
    shown.resize(width, 220)
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    shown.grab()  # lays it out
    words = shown._axis.tickStrings([0.0, 0.25, 0.5, 0.75, 1.0], 1, 0.25)
    assert words[1:3] == written
    metrics = QFontMetricsF(shown._axis.style["tickFont"])
    quarter = shown._plot.plot_item.getViewBox().width() / 4.0
    for left, right in pairwise(words):
        apart = quarter - metrics.horizontalAdvance(left) / 2 - metrics.horizontalAdvance(right) / 2
        assert apart > 0


@pytest.mark.parametrize(("more_px", "all_timed"), [(0.0, False), (1.0, True)])
def test_times_that_would_touch_are_not_all_written(shown, more_px, all_timed):
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    shown.grab()  # lays it out
    word_px = QFontMetricsF(shown._axis.style["tickFont"]).horizontalAdvance("0.75 · 150 ms")
    shown._axis.resize(4.0 * (word_px + more_px), 20.0)
    words = shown._axis.tickStrings([0.25, 0.5, 0.75], 1, 0.25)
    assert ("0.75 · 150 ms" in words) == all_timed


def test_what_a_title_says_makes_its_plot_no_wider(shown):
    before = shown.minimumSizeHint().width()
    shown._set_title("One turn: envelope in V   ·   " + "and what else there is to say " * 5)
    assert shown.minimumSizeHint().width() == before


def test_axis_tells_part_of_the_turn_and_time(shown):
    # 300 rpm: a turn takes 60 s / 300 = 200 ms.
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    shown.grab()  # lays it out
    assert shown._axis.tickStrings([0.0, 0.25, 1.0], 1, 0.25) == ["0", "0.25 · 50 ms", "1"]
    shown.show_trace(trace(0.2, 2), None, current=True, named=True)
    assert shown._axis.tickStrings([0.0, 0.25, 1.0], 1, 0.25) == ["0", "0.25", "1"]


def test_forgets_all_but_what_is_held_of_another_source(shown):
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    shown.hold(True)
    shown.set_frozen(True)
    shown.clear()
    assert shown.shown is None
    assert shown.held.number == 1  # to be compared with the other source's
    assert not shown.frozen
    assert not names(shown)


@pytest.fixture
def strip(qtbot):
    made = StripView(Limits(0.15, 0.30))
    qtbot.addWidget(made)
    made.resize(600, 300)
    made.apply_theme(LIGHT, Sizes.of(1920, 1080))
    return made


def test_strip_is_on_the_dials_scale_and_keeps_gaps(strip):
    times = np.array([940.0, 970.0, 980.0, 1000.0])
    balances = np.array([0.1, np.nan, -0.5, 0.0])
    strip.show_strip(times, balances, 1000.0, mirrored=False)
    x, y = strip._curve.getData()
    np.testing.assert_allclose(x, [-60, -30, -20, 0])
    np.testing.assert_allclose(y[[0, 2, 3]], [deflection(0.1), deflection(-0.5), 0.0])
    assert strip._curve.opts["connect"].tolist() == [False, False, True, False]


def test_strip_that_begins_with_nothing_known_draws_nothing_there(strip):
    """Most of all no line from the scale's end, and no warning: both were seen."""
    times = np.linspace(941.0, 1000.0, 60)
    balances = np.concatenate([np.full(30, np.nan), np.full(30, 0.2)])
    strip.show_strip(times, np.full(60, np.nan), 1000.0, mirrored=False)
    empty = strip.grab().toImage()
    strip.show_strip(times, balances, 1000.0, mirrored=False)
    drawn = different(strip.grab().toImage(), empty)
    assert drawn.left() > strip.width() / 2
    assert drawn.height() < 6


def test_strip_without_balances_is_empty(strip):
    strip.show_strip(np.array([1.0]), np.array([0.1]), 2.0, mirrored=False)
    strip.show_strip(None, None, 2.0, mirrored=False)
    assert points(strip._curve)[0] == 0


def test_strip_says_that_the_side_is_not_known(strip):
    strip.show_strip(np.array([1.0]), np.array([0.1]), 2.0, mirrored=True)
    assert "side not known" in strip.accessibleDescription()
    strip.show_strip(np.array([1.0]), np.array([0.1]), 2.0, mirrored=False)
    assert "outward up" in strip.accessibleDescription()


def test_the_held_turn_is_dashed_below_the_newest(shown):
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    shown.hold(True)
    for unit in (1.0, 2.0):
        shown.apply_theme(LIGHT, Sizes(unit))
        held, newest = shown.picture.lines
        assert (held.ink.name(), held.width_px, held.dashed) == (LIGHT.second, 2 * unit, True)
        assert (newest.ink.name(), newest.width_px, newest.dashed) == (
            LIGHT.needle,
            2 * unit,
            False,
        )
    assert shown.picture.zValue() < shown._tops.zValue()
    assert {each.scene() for each in (shown.picture, shown._tops)} == {shown._plot.scene()}


@pytest.mark.parametrize("unit", [0.4, 2.0])
def test_tops_are_told_by_shape_and_colour_and_named_above(shown, unit, monkeypatch):
    shown.apply_theme(LIGHT, Sizes(unit))
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    shown.grab()  # lays it out
    marks = painted(lambda painter: shown._tops.paint(painter, None))
    first, second = (mark for mark in marks if mark.kind == "Polygon")
    size = max(8.0, 13 * unit)
    for mark, corners, ink, at in (
        (first, 3, LIGHT.needle, (0.25, 0.6)),
        (second, 5, LIGHT.second, (0.75, 0.4)),
    ):
        across, down = mark.shape[::2], mark.shape[1::2]
        assert len(across) == corners
        assert max(across) - min(across) == max(down) - min(down) == pytest.approx(size)
        assert (mark.brush, mark.pen) == (ink, LIGHT.face)
        middle = (max(across) + min(across)) / 2, (max(down) + min(down)) / 2
        assert middle == pytest.approx(at, abs=1e-5)
    written = texts(marks)
    for words, polygon in (("first 0.6 V", first), ("second 0.4 V", second)):
        mark = written[words]
        assert (mark.font_px, mark.bold, mark.pen) == (Sizes(unit).text_px, True, LIGHT.ink)
        left, top, wide, high = mark.shape
        assert left + wide / 2 == pytest.approx(sum(polygon.shape[:2:2]) / 1, abs=size)
        assert top + high <= min(polygon.shape[1::2])


def test_turn_goes_from_left_to_right_with_quarters(shown):
    low, high = shown._plot.plot_item.getViewBox().viewRange()[0]
    assert (low, high) == pytest.approx((-0.02, 1.02))
    levels = shown._axis.tickSpacing(0.0, 1.0, 600)
    assert {spacing for spacing, _ in levels} == {0.25}
    assert shown.accessibleName() == "Envelope of one turn"


@pytest.mark.parametrize(
    ("peak_v", "top_v"),
    # A peak with three tenths of room above it, to the next of 1, 2 and 5.
    [(0.5, 1.0), (0.76, 1.0), (0.78, 2.0), (1.5, 2.0), (1.6, 5.0), (3.9, 10.0), (0.07, 0.1)],
)
def test_full_scale_is_the_next_round_one(shown, peak_v, top_v):
    shown.show_trace(flat(peak_v, 1), 300.0, current=True, named=True)
    assert shown._plot.plot_item.getViewBox().viewRange()[1] == pytest.approx([0.0, top_v])


def flat(peak_v, number):
    turns = np.linspace(0, 1, 5, dtype=np.float32)
    heights = np.full(5, peak_v, dtype=np.float32)
    return Trace(turns, heights, (0.25, 0.75), (peak_v, peak_v), number)


@pytest.mark.parametrize(
    ("next_v", "top_v"),
    [(0.768, 1.0), (0.771, 2.0), (0.271, 1.0), (0.268, 0.5)],
    ids=["just fits", "too high", "just high enough", "too low"],
)
def test_full_scale_changes_only_when_the_lobes_no_longer_fit(shown, next_v, top_v):
    shown.show_trace(flat(0.7, 1), 300.0, current=True, named=True)
    shown.show_trace(flat(next_v, 2), 300.0, current=True, named=True)
    assert shown._top_v == top_v


def test_a_held_turn_and_a_frozen_picture_are_told(shown):
    def told():
        return shown.accessibleDescription().split("   ·   ")

    assert told() == ["One turn: envelope in V"]
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    shown.hold(True)
    assert told()[1:] == ["dashed: held turn"]
    assert shown.held is shown.shown
    shown.set_frozen(True)
    assert told()[1:] == ["FROZEN (space: follow again)", "dashed: held turn"]
    shown.clear()
    assert told() == ["One turn: envelope in V", "dashed: held turn"]
    shown.hold(False)
    assert told() == ["One turn: envelope in V"]
    assert not shown.picture.lines
    assert shown.shown is None


def test_a_reading_that_comes_back_brights_the_turn_in_front(shown):
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    assert inks(shown) != [LIGHT.parked]
    shown.show_trace(None, None, current=False, named=True)
    assert inks(shown) == [LIGHT.parked]
    shown.show_trace(None, None, current=True, named=False)
    assert inks(shown) == [LIGHT.needle]
    assert names(shown) == ["lobe 0.6 V", "lobe 0.4 V"]
    assert shown.shown.number == 1


def test_the_axis_is_painted_anew_only_for_another_turn(shown):
    shown.show_trace(trace(0.2, 1), 300.0, current=True, named=True)
    shown._axis.picture = kept = object()
    shown.show_trace(trace(0.2, 2), 300.0, current=True, named=True)
    assert shown._axis.picture is kept
    shown.show_trace(trace(0.2, 3), 360.0, current=True, named=True)
    assert shown._axis.picture is None
    shown.grab()  # lays it out
    # 360 rpm: 167 ms a turn.
    assert shown._axis.tickStrings([0.5], 1, 0.25) == ["0.5 · 84 ms"]


def place(difference):
    """The dial's scale by its formula, b = d/(2 − d)."""
    return math.asinh(10.0 * difference / (2.0 - difference)) / math.asinh(10.0)


@pytest.mark.parametrize("limits", [Limits(0.15, 0.30), Limits(0.10, 0.22)])
def test_strip_has_the_dials_bands_and_figures(strip, limits):
    strip.judge_by(limits)
    at_set, at_check = place(limits.set_limit), place(limits.check_limit)
    edges = [(-at_check, -at_set), (-at_set, at_set), (at_set, at_check)]
    for band, (low, high) in zip(strip._bands, edges, strict=True):
        assert band.rect().getRect() == pytest.approx((-60, low, 60, high - low))
        assert band.zValue() == -10
        assert band.pen().style() == Qt.PenStyle.NoPen
        assert band.scene() is strip._plot.scene()
    (ticks,) = strip._plot.plot_item.getAxis("left")._tickLevels
    wanted = {(0.0, "0"), (1.0, "100"), (-1.0, "100")}
    for limit in (limits.set_limit, limits.check_limit):
        wanted |= {(side * place(limit), f"{100 * limit:g}") for side in (-1, 1)}
    assert len(ticks) == 7
    for at, words in ticks:
        assert any(words == word and at == pytest.approx(where) for where, word in wanted)


def test_strip_takes_on_colours(strip):
    for theme, unit in ((DARK, 1.0), (LIGHT, 2.0)):
        strip.apply_theme(theme, Sizes(unit))
        brushes = [(b.brush().color().name(), b.brush().style()) for b in strip._bands]
        hatched, plain = Qt.BrushStyle.BDiagPattern, Qt.BrushStyle.SolidPattern
        outer = (theme.caution_band, hatched)
        assert brushes == [outer, (theme.good_band, plain), outer]
        zero, curve = strip._zero.pen, strip._curve.opts["pen"]
        assert (zero.color().name(), zero.widthF()) == (theme.ink, unit)
        assert (curve.color().name(), curve.widthF()) == (theme.needle, 2 * unit)


def test_strip_shows_a_minute_up_to_now(strip):
    (low, high), (bottom, top) = strip._plot.plot_item.getViewBox().viewRange()
    assert (low, high) == pytest.approx((-60.6, 0.6))
    assert (bottom, top) == pytest.approx((-1.05, 1.05))
    (ticks,) = strip._plot.plot_item.getAxis("bottom")._tickLevels
    assert ticks == [(-60, "−60"), (-45, "−45"), (-30, "−30"), (-15, "−15"), (0, "now")]
    assert (strip._zero.value(), strip._zero.angle) == (0.0, 0)
    assert not strip._curve.opts["antialias"]
    assert {each.scene() for each in (strip._zero, strip._curve)} == {strip._plot.scene()}
    assert strip.accessibleName() == "Balance of the last minute"
    assert strip.accessibleDescription().endswith("outward up")
    strip.show_strip(np.array([1.0]), np.array([0.1]), 2.0, mirrored=False)
    strip.show_strip(np.array([]), np.array([]), 2.0, mirrored=False)
    assert points(strip._curve)[0] == 0
