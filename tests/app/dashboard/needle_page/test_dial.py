"""The dial's scale: where limits lie, and that all of it can be seen."""

from dataclasses import replace

import numpy as np
import pytest
from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QFontMetricsF, QPainter, QPixmap

from app.dashboard.needle_page.dial import (
    REST,
    DialGeometry,
    Limits,
    balance_of,
    deflection,
    paint_dial,
    place_of_best,
    terms_of_dial,
    words_below,
)
from app.dashboard.style import FIGURE_CAP, LIGHT, Sizes, font_of_cap
from app.dashboard.text import Face
from app.handbook import Term

WINDOWS = [(1024, 640), (1366, 768), (1920, 1080), (2560, 1440), (3840, 2160)]


@pytest.mark.parametrize(
    ("difference", "balance"),
    # Limits of the lobes' difference, common practice: 15 % when setting, 30 % when checking.
    # Worked from r = (1 − b)/(1 + b): r = 0.85 is b = 0.0811, r = 0.70 is b = 0.1765.
    [(0.15, 0.0811), (0.30, 0.1765), (0.0, 0.0), (1.0, 1.0)],
)
def test_limits_in_balance(difference, balance):
    assert balance_of(difference) == pytest.approx(balance, abs=5e-5)


def test_scale_is_odd_rising_and_ends_at_one():
    balances = np.linspace(-1, 1, 401)
    places = np.array([deflection(b) for b in balances])
    assert np.all(np.diff(places) > 0)
    np.testing.assert_allclose(places, -places[::-1], atol=1e-12)
    assert deflection(1.0) == pytest.approx(1.0)
    assert deflection(7.0) == pytest.approx(1.0)


def test_no_balance_has_no_place():
    assert np.isnan(deflection(float("nan")))


def test_scale_is_widest_about_the_middle():
    assert deflection(0.01) - deflection(0.0) > 5 * (deflection(0.5) - deflection(0.49))


def test_rest_is_beyond_the_scale():
    assert deflection(-1.0) - REST > 0.1


@pytest.mark.parametrize("width", range(240, 480, 20))
def test_the_word_at_the_rest_is_whole_on_a_narrow_dial(qapp, width):
    sizes = Sizes.of(480, 320)
    dial = DialGeometry.of(width, 200, sizes)
    terms = terms_of_dial(dial, Limits(0.15, 0.30), zeroed=False)
    (box,) = (box for term, box in terms if term is Term.REST)
    word = QFontMetricsF(font_of_cap(sizes.print_px(13))).horizontalAdvance("rest")
    # The frame that it has while the keys go to it is 3 pixels broad.
    assert box.center().x() - word / 2 >= 3


@pytest.mark.parametrize("window", WINDOWS)
def test_scale_figures_and_rest_lie_within_the_widget(window):
    sizes = Sizes.of(*window)
    width, height = window[0] * 0.66, window[1] * 0.5
    dial = DialGeometry.of(width, height, sizes)
    for at in (-1.0, 0.0, 1.0):
        figure = dial.point(at, dial.radius + sizes.px(18 + FIGURE_CAP))
        assert 0 < figure.x() < width
        assert 0 < figure.y() < dial.cover_top
        assert dial.point(at, dial.radius - dial.band).y() < dial.cover_top
    rest = dial.point(REST, dial.radius)
    assert 0 < rest.x() < width
    assert rest.y() < dial.cover_top


@pytest.mark.parametrize("window", WINDOWS)
def test_the_legend_and_the_words_of_the_limits_keep_clear_of_each_other(qapp, window):
    # A job beside it leaves the needle some four ninths of the window.
    full = Sizes.of(*window)
    sizes = replace(full, unit=0.72 * full.unit)
    dial = DialGeometry.of(window[0] * 0.46, window[1] * 0.53, sizes)
    limits = Limits(0.15, 0.30)
    for zeroed in (False, True):
        boxes = [box for _, box in words_below(dial, limits, zeroed=zeroed)]
        assert len(boxes) == 5
        for number, box in enumerate(boxes):
            clear = box.adjusted(-2, -2, 2, 2)
            assert not any(clear.intersects(other) for other in boxes[number + 1 :])


SMALL = [(446, high) for high in range(90, 180, 20)]
"""Of the far view's dial in a window of 480 by 320, by the lines of words below it."""


@pytest.mark.parametrize("size", [*SMALL, (480, 240), (840, 480)])
@pytest.mark.parametrize("zeroed", [False, True])
@pytest.mark.parametrize("balance", [0.0, 0.02, -0.08, 0.5])
def test_the_word_at_the_best_so_far_stands_over_no_other(qapp, monkeypatch, size, zeroed, balance):
    full = Sizes.of(480, 320) if size in SMALL else Sizes.of(2 * size[0], 2 * size[1])
    sizes = replace(full, unit=1.2 * full.unit)
    dial = DialGeometry.of(*size, sizes, below_px=24.0)
    limits = Limits(0.15, 0.30)
    painted = []
    monkeypatch.setattr(
        "app.dashboard.needle_page.dial._centred",
        lambda painter, where, words: painted.append((words, where)),
    )
    picture = QPixmap(*size)
    with QPainter(picture) as painter:
        paint_dial(painter, dial, LIGHT, limits, Face(zeroed=zeroed), balance)
    mark = place_of_best(dial, limits, balance, zeroed=zeroed)
    below = {words: box for (words, *_), box in words_below(dial, limits, zeroed=zeroed)}
    places = [(words, where) for words, where in painted if words in below]
    boxes = [box for _, box in words_below(dial, limits, zeroed=zeroed)]
    shown = [box for box in boxes if box.center() in [where for _, where in places]]
    assert len(shown) >= 4
    if mark.word is None:
        assert (size in SMALL, balance) == (True, 0.5), "near the aim it always has room"
        return
    assert mark.word.bottom() <= dial.cover_top
    assert not any(mark.word.intersects(box) for box in shown)


@pytest.mark.parametrize("window", WINDOWS)
def test_no_word_on_a_dial_is_smaller_than_running_text(qapp, window):
    sizes = Sizes.of(*window)
    # Beside a job the dial is smaller than the window would have it.
    sizes = replace(sizes, unit=0.72 * sizes.unit)
    dial = DialGeometry.of(window[0] * 0.46, window[1] * 0.5, sizes)
    for (_, cap_px, bold), _ in words_below(dial, Limits(0.15, 0.30), zeroed=False):
        assert font_of_cap(cap_px, bold=bold).pixelSize() >= 12


@pytest.mark.parametrize("window", WINDOWS)
def test_what_stands_on_a_dial_is_explained_where_it_stands(qapp, window):
    dial = DialGeometry.of(window[0] * 0.46, window[1] * 0.53, Sizes.of(*window))
    limits, wide, px = Limits(0.15, 0.30), dial.size.width(), dial.sizes.px
    boxes = {}
    for term, box in terms_of_dial(dial, limits, zeroed=False):
        boxes.setdefault(term, []).append(box)
    (needle,), (rest,), (difference,) = (
        boxes[each] for each in (Term.NEEDLE, Term.REST, Term.DIFFERENCE)
    )
    assert needle == QRectF(0, 0, wide, dial.cover_top)
    assert rest.contains(dial.point(REST, dial.radius + px(22)))
    # Left and right are mirror images; each side's word stands in its corner of the top.
    inward, outward = boxes[Term.SIDE]
    assert (inward.topLeft(), outward.top()) == (QPointF(0, 0), 0)
    assert outward.right() == pytest.approx(wide)
    assert outward.left() - inward.right() == pytest.approx(2 * px(FIGURE_CAP))
    for left, right in (boxes[Term.SIDE], boxes[Term.LIMITS][:2], boxes[Term.LIMITS][2:]):
        assert left.center().x() + right.center().x() == pytest.approx(wide)
    legend, *names = (box for _, box in words_below(dial, limits, zeroed=False))
    assert difference.contains(legend)
    assert all(map(QRectF.contains, boxes[Term.LIMITS], names))
