"""The picture of turns: which pixels a line inks, how turns fade, and that a zoom loses none."""

import math

import numpy as np
import pyqtgraph as pg
import pytest
from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor, QImage, QPainter, QPen, QPolygonF

from app.dashboard.needle_page.turns_picture import (
    LEAST_ALPHA,
    MOST_TURNS,
    Curve,
    LineInFront,
    TurnsPicture,
    covered,
    spans,
)
from tests.app.dashboard.pictures import pixels

TURNS = np.linspace(0.0, 1.0, 201)


def test_a_line_goes_through_each_column_from_its_lowest_to_its_highest_point():
    # From (0, 0) up to (2.5, 5) and down again: columns by hand.
    least, most = spans(np.array([0.0, 2.5, 5.0]), np.array([0.0, 5.0, 0.0]), 5)
    np.testing.assert_allclose(least, [0, 2, 4, 2, 0])
    np.testing.assert_allclose(most, [2, 4, 5, 4, 2])


def test_a_gap_and_what_lies_beside_the_line_have_no_pixels():
    x = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    y = np.array([1.0, 1.0, np.nan, 1.0, 1.0, 1.0])
    least, most = spans(x, y, 8)
    # Where one end alone is known, the point itself is.
    np.testing.assert_array_equal(np.isnan(least), [1, 0, 0, 1, 0, 0, 0, 1])
    np.testing.assert_array_equal(np.isnan(least), np.isnan(most))
    assert np.isnan(spans(np.array([]), np.array([]), 3)[0]).all()


def test_pixels_are_covered_by_as_much_of_them_as_lies_between():
    places, part = covered(np.array([0.25, np.nan]), np.array([2.5, np.nan]), 4)
    assert places.tolist() == [0, 2, 4]  # rows 0, 1 and 2 of the first of two columns
    np.testing.assert_allclose(part, [0.75, 1.0, 0.5])
    places, part = covered(np.array([-3.0, 9.0]), np.array([1.0, 12.0]), 4)
    assert places.tolist() == [0]
    np.testing.assert_allclose(part, [1.0])


@pytest.fixture
def shown(qtbot):
    """A picture that fills a plot of 300 by 200 pixels, a turn by 1 V."""
    view = pg.GraphicsView()
    qtbot.addWidget(view)
    view.resize(300, 200)
    box = pg.ViewBox(enableMenu=False, defaultPadding=0.0)
    view.setCentralItem(box)
    view.setBackground("w")
    box.setRange(xRange=(0.0, 1.0), yRange=(0.0, 1.0), padding=0.0)
    picture = TurnsPicture(box)
    box.addItem(picture, ignoreBounds=True)
    view.grab()
    picture.view = view
    picture.view_box = box
    return picture


def look(picture):
    return pixels(picture.view.grab().toImage())


def level(height_v):
    return Curve(TURNS, np.full(TURNS.size, height_v))


@pytest.mark.parametrize("ratio", [1, 2, 3])
def test_a_line_is_as_broad_on_a_screen_of_finer_pixels(shown, ratio):
    shown.show_lines([LineInFront(level(0.5), QColor("black"), 2.0)])
    shot = QImage(300 * ratio, 200 * ratio, QImage.Format.Format_RGB32)
    shot.setDevicePixelRatio(ratio)
    shot.fill(QColor("white"))
    with QPainter(shot) as painter:
        shown.view.render(painter, QRectF(0, 0, 300, 200))
    inked = (255 - pixels(shot)[:, 150 * ratio, 0]) / 255
    assert inked.sum() == pytest.approx(2 * ratio, abs=0.2)


def wave(height_v):
    return Curve(TURNS, height_v * np.abs(np.sin(2 * math.pi * TURNS)))


def test_a_line_is_drawn_where_the_painter_draws_it(shown):
    """Beside Qt's own line, smoothed: the reference for where ink belongs."""
    curve = wave(0.8)
    shown.show_lines([LineInFront(curve, QColor("black"), 2.0)])
    mine = 255 - look(shown)[..., 0]
    place = shown.view_box.mapRectToScene(shown.view_box.rect())
    drawn = QImage(shown.view.size(), QImage.Format.Format_RGB32)
    drawn.fill(QColor("white"))
    with QPainter(drawn) as painter:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor("black"), 2.0))
        x = place.left() + curve.turns * place.width()
        y = place.bottom() - curve.heights_v * place.height()
        painter.drawPolyline(QPolygonF([QPointF(*at) for at in zip(x, y, strict=True)]))
    wanted = 255 - pixels(drawn)[..., 0]
    # Column by column the ink's middle is the same within half a pixel.
    rows = np.arange(200)[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        middles = [(each * rows).sum(axis=0) / each.sum(axis=0) for each in (mine, wanted)]
    inner = slice(4, -4)
    assert np.nanmax(np.abs(middles[0] - middles[1])[inner]) < 0.5
    assert mine.sum() == pytest.approx(wanted.sum(), rel=0.25)


def test_turns_fade_as_they_go_and_the_oldest_seen_is_faint(shown):
    shown.set_past(QColor("black"), 4)
    heights_v = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6)
    for height_v in heights_v:
        shown.add_past([level(height_v)])
    picture, place = look(shown), shown.view_box.mapRectToScene(shown.view_box.rect())
    rows = [math.floor(place.bottom() - each * place.height()) for each in heights_v]
    inks = [255 - picture[row - 1 : row + 2, 150, 0].min() for row in rows]
    assert inks[:2] == [0, 0]
    alphas = [0.6 * LEAST_ALPHA ** (rank / 4) for rank in (3, 2, 1, 0)]
    assert inks[2:] == pytest.approx([255 * alpha for alpha in alphas], abs=2)


def test_after_a_zoom_and_back_the_picture_is_the_same(shown):
    shown.set_past(QColor("black"), 60)
    for number in range(MOST_TURNS + 15):
        shown.add_past([wave(0.3 + 0.005 * number)])
    shown.show_lines([LineInFront(wave(0.9), QColor("red"), 2.0)])
    one_by_one = look(shown)
    shown.view_box.setRange(xRange=(0.2, 0.4), padding=0.0)
    zoomed = look(shown)
    shown.view_box.setRange(xRange=(0.0, 1.0), padding=0.0)
    assert (zoomed != one_by_one).any()
    np.testing.assert_array_equal(look(shown), one_by_one)
    assert len(shown.past) == MOST_TURNS


def test_turns_shown_anew_look_as_they_did_when_they_came(shown):
    shown.set_past(QColor("black"), 16)
    curves = [wave(0.3 + 0.02 * number) for number in range(30)]
    for curve in curves[:20]:
        shown.add_past([curve])
    one_by_one = look(shown)
    asked = []

    def show(first, end):
        def curves_of(place):
            asked.append(first + place)
            return [curves[first + place]]

        shown.show_past(range(first, end), curves_of)
        return look(shown)

    assert (show(5, 30) != one_by_one).any()
    np.testing.assert_array_equal(show(0, 20), one_by_one)
    # A turn that was shown just before is known.
    assert asked == [*range(5, 30), *range(5)]
    shown.set_past(QColor("black"), 0)
    assert (look(shown) == 255).all()


def test_what_is_shown_no_more_leaves_no_ink(shown):
    blank = look(shown)
    shown.set_past(QColor("black"), 16)
    shown.add_past([wave(0.4)])
    shown.show_lines([LineInFront(wave(0.8), QColor("red"), 3.0, dashed=True)])
    assert (look(shown) != blank).any()
    shown.forget_past()
    shown.show_lines([])
    np.testing.assert_array_equal(look(shown), blank)


def test_a_dashed_line_has_gaps_of_its_own(shown):
    shown.show_lines([LineInFront(level(0.5), QColor("black"), 2.0, dashed=True)])
    row = look(shown)[100, :, 0] < 128
    assert 0.4 < row.mean() < 0.6
