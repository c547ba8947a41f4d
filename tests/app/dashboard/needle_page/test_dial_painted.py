"""What of the dial stands still: each part where the scale and the sizes of the window put it."""

import math

import pytest
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QFontMetricsF

from app.dashboard.needle_page.dial import REST, DialGeometry, Limits, paint_dial, words_below
from app.dashboard.style import DARK, FIGURE_CAP, LIGHT, Sizes, font_of_cap
from app.dashboard.text import Face
from tests.app.dashboard.painting import FLAT, painted, texts

LIMITS = Limits(0.15, 0.30)
BAND = 38.0
LEAST_CAP = 9.0
"""Of capitals: below it small print is smaller than the smallest running text, of 12 pixels."""
HALF_ANGLE = math.radians(50.0)
FAR = 1.16
"""As far as the needle's rest, and its swing about it, need room."""


def place(difference):
    """The scale by its formula: asinh(b/0.1)/asinh(1/0.1), b = d/(2 − d)."""
    return math.asinh(10.0 * difference / (2.0 - difference)) / math.asinh(10.0)


def at(dial, where, radius):
    return (
        dial.pivot.x() + radius * math.sin(where * HALF_ANGLE),
        dial.pivot.y() - radius * math.cos(where * HALF_ANGLE),
    )


@pytest.fixture(params=[1.0, 0.4], ids=["full HD", "small"])
def unit(request, qapp):
    return request.param


@pytest.fixture
def dial(unit):
    return DialGeometry.of(1260.0 * unit, 560.0 * unit, Sizes(unit))


@pytest.fixture
def marks(dial):
    return painted(lambda painter: paint_dial(painter, dial, LIGHT, LIMITS, Face()))


@pytest.mark.parametrize("unit", [1.0, 0.5])
def test_a_low_dial_fills_the_height_between_figures_and_words(unit):
    dial = DialGeometry.of(3000 * unit, 560 * unit, Sizes(unit))
    assert dial.cover_top == pytest.approx((560 - 152) * unit)
    # Its top leaves room for a figure and the names of the ends, its ends 24 above the words.
    assert dial.pivot.y() - dial.radius == pytest.approx((FIGURE_CAP + 52) * unit)
    assert dial.cover_top - at(dial, FAR, dial.radius)[1] == pytest.approx(24 * unit)
    assert dial.pivot.x() == 1500 * unit
    assert dial.size.toTuple() == (3000 * unit, 560 * unit)
    assert dial.band == BAND * unit


@pytest.mark.parametrize("unit", [1.0, 0.5])
def test_a_narrow_dial_leaves_room_for_the_last_figure(unit):
    dial = DialGeometry.of(600 * unit, 560 * unit, Sizes(unit))
    figure = dial.pivot.x() + (dial.radius + 67 * unit) * math.sin(HALF_ANGLE)
    assert 600 * unit - figure == pytest.approx(84 * unit)
    # Its pivot is below the words' line, else the needle would stand in the air.
    assert dial.pivot.y() - dial.cover_top == pytest.approx(12 * unit)


@pytest.mark.parametrize("unit", [1.0, 0.5])
def test_a_tall_and_wide_dial_leaves_room_for_the_resting_needle(unit):
    dial = DialGeometry.of(2400 * unit, 3000 * unit, Sizes(unit))
    assert 2400 * unit - at(dial, FAR, dial.radius)[0] == pytest.approx(24 * unit)


def test_points_lie_on_the_arc(dial):
    for where in (-1.16, -1.0, -0.3, 0.0, 0.5, 1.0):
        for radius in (1.0, dial.radius):
            assert dial.point(where, radius).toTuple() == pytest.approx(at(dial, where, radius))


@pytest.mark.parametrize(("low", "high"), [(-0.4, 0.7), (-1.0, -0.2), (0.1, 0.15)])
def test_a_sector_holds_what_lies_between_its_edges(dial, low, high):
    inner, outer = 0.6 * dial.radius, 0.8 * dial.radius
    path = dial.sector(low, high, inner, outer)
    step = (high - low) / 50
    for where in (low - step, low + step, (low + high) / 2, high - step, high + step):
        for radius in (inner - 2, inner + 2, 0.7 * dial.radius, outer - 2, outer + 2):
            within = low < where < high and inner < radius < outer
            assert path.contains(QPointF(*at(dial, where, radius))) == within


def ends(mark):
    return mark.shape[:2], mark.shape[2:]


def test_ticks_stand_at_their_differences_on_both_sides(marks, dial, unit):
    minor = (5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 90, 100)
    wanted = [(0, 14, 6)]
    wanted += [(side * each, 0, 2) for each in minor for side in (-1, 1)]
    wanted += [(side * each, 10, 4) for each in (15, 30, 50, 100) for side in (-1, 1)]
    expected = []
    for percent, longer, width in wanted:
        where = math.copysign(place(abs(percent) / 100), percent)
        start = at(dial, where, dial.radius - BAND * unit)
        end = at(dial, where, dial.radius + longer * unit)
        least = 1.0 if width == 2 else 2.0
        expected.append((*start, *end, max(least, width * unit)))
    lines = [mark for mark in marks if mark.kind == "Line"]
    drawn = sorted((*mark.shape, mark.width) for mark in lines)
    for one, other in zip(drawn, sorted(expected), strict=True):
        assert one == pytest.approx(other)
    assert {(mark.pen, mark.cap, mark.smooth) for mark in lines} == {(LIGHT.ink, FLAT, True)}


def centre(mark):
    left, top, width, height = mark.shape
    return left + width / 2, top + height / 2


def test_figures_stand_upright_beyond_their_ticks(marks, dial, unit):
    figures = [mark for mark in marks if mark.words.isdigit()]
    assert [mark.words for mark in figures] == [
        "0",
        "15",
        "15",
        "30",
        "30",
        "50",
        "50",
        "100",
        "100",
    ]
    for mark in figures:
        where = place(int(mark.words) / 100)
        away = (18 + FIGURE_CAP / 2 + 34 * math.sin(where * HALF_ANGLE)) * unit
        sides = [at(dial, side * where, dial.radius + away) for side in (-1, 1)]
        assert any(centre(mark) == pytest.approx(side) for side in sides)
        assert mark.font_px == font_of_cap(FIGURE_CAP * unit, bold=True).pixelSize()
        assert mark.bold
        assert mark.pen == LIGHT.ink
        assert mark.align == Qt.AlignmentFlag.AlignCenter
    assert len({centre(mark) for mark in figures}) == 9


@pytest.mark.parametrize(
    ("limits", "figures"),
    [
        (Limits(0.15, 0.30), "0 15 30 50 100"),
        # What there is room for: 0.155 of the half scale. A check limit next to that for setting
        # has its tick alone, for its numeral would lie over the other.
        (Limits(0.20, 0.22), "0 20 50 100"),
        (Limits(0.30, 0.45), "0 30 45 100"),
        (Limits(0.15, 0.15), "0 15 50 100"),
        (Limits(0.40, 0.60), "0 40 60 100"),
    ],
)
def test_limits_are_named_and_others_where_there_is_room(dial, limits, figures):
    marks = painted(lambda painter: paint_dial(painter, dial, LIGHT, limits, Face()))
    named = sorted(int(mark.words) for mark in marks if mark.words.isdigit())
    nought, *others = (int(each) for each in figures.split())
    # Each once on either side.
    assert named == sorted([nought, *others, *others])


def test_a_limit_that_is_no_whole_number_is_written_so(dial):
    odd = Limits(0.125, 0.3)
    marks = painted(lambda painter: paint_dial(painter, dial, LIGHT, odd, Face()))
    assert sum(mark.words == "12.5" for mark in marks) == 2


def test_bands_end_at_the_limits_and_the_outer_ones_are_hatched(marks, dial, unit):
    at_set, at_check = place(0.15), place(0.30)
    hatched, plain = Qt.BrushStyle.BDiagPattern, Qt.BrushStyle.SolidPattern
    paths = [mark for mark in marks if mark.kind == "Path"]
    bands = [(-at_set, at_set, LIGHT.good_band, plain, "")]
    for low, high in ((-at_check, -at_set), (at_set, at_check)):
        bands += [(low, high, LIGHT.caution_band, plain, ""), (low, high, LIGHT.ink, hatched, "")]
    bands.append((-1.0, 1.0, "", Qt.BrushStyle.NoBrush, LIGHT.ink))
    for mark, (low, high, *look) in zip(paths, bands, strict=True):
        assert [mark.brush, mark.hatch, mark.pen] == look
        for where, inside in ((low - 1e-3, 0), (low + 1e-3, 1), (high - 1e-3, 1), (high + 1e-3, 0)):
            for radius, within in ((-1, 0), (1, 1), (BAND * unit - 1, 1), (BAND * unit + 1, 0)):
                point = QPointF(*at(dial, where, dial.radius - radius))
                assert mark.path.contains(point) == bool(inside and within)
    assert paths[-1].width == max(1.0, 1.5 * unit)


@pytest.mark.parametrize("zeroed", [False, True])
def test_words_stand_below_the_scale(dial, unit, zeroed):
    face = Face(zeroed=zeroed)
    marks = painted(lambda painter: paint_dial(painter, dial, LIGHT, LIMITS, face))
    legend = "away from the MIDDLE, in %" if zeroed else "difference of the lobes in %"
    inner = dial.radius - BAND * unit
    # Lower where its letters are larger than the window would have them.
    below = 62 + 5 * (max(LEAST_CAP / unit, 13) - 13)
    wanted = [(legend, 0.0, below, 13, False, LIGHT.faint)]
    for words, limit in (("set", 0.15), ("check", 0.30)):
        for side in (-1, 1):
            wanted.append((words, side * place(limit), 24, 15, True, LIGHT.ink))
    words = {each[0] for each in wanted}
    drawn = [mark for mark in marks if mark.words in words]
    boxes = [box for _, box in words_below(dial, LIMITS, zeroed=zeroed)]
    for mark, box, (written, where, below, cap, bold, ink) in zip(
        drawn, boxes, wanted, strict=True
    ):
        assert mark.words == written
        across_px, down_px = at(dial, where, inner - below * unit)
        if written == "check" and unit < 1.0:
            # Its letters, larger than the window would have them, are a quarter of one lower: clear
            # of the scale.
            down_px += LEAST_CAP / 4.0
        assert centre(mark) == pytest.approx((across_px, down_px))
        assert centre(mark) == pytest.approx(box.center().toTuple())
        font = font_of_cap(max(LEAST_CAP, cap * unit), bold=bold)
        assert (mark.font_px, mark.bold, mark.pen) == (font.pixelSize(), bold, ink)
        tight = QFontMetricsF(font).tightBoundingRect(written)
        assert box.size().toTuple() == pytest.approx(tight.size().toTuple())


def test_the_ends_of_the_scale_and_the_rest_have_names(marks, unit, dial):
    inward, outward, rest = (
        texts([mark for mark in marks if mark.words == words])[words]
        for words in ("◀ head inward", "head outward ▶", "rest")
    )
    align = Qt.AlignmentFlag
    for mark, side in ((inward, align.AlignLeft), (outward, align.AlignRight)):
        box = (24 * unit, 16 * unit, (1260 - 48) * unit, 80 * unit)
        assert mark.shape == pytest.approx(box)
        assert mark.align == side | align.AlignTop
        assert (mark.font_px, mark.bold) == (
            font_of_cap(max(LEAST_CAP, 22 * unit), bold=True).pixelSize(),
            True,
        )
        assert mark.pen == LIGHT.ink
    assert centre(rest) == pytest.approx(at(dial, REST, dial.radius + 22 * unit))
    assert (rest.font_px, rest.bold) == (font_of_cap(max(LEAST_CAP, 13 * unit)).pixelSize(), False)
    assert rest.pen == LIGHT.faint


def test_the_rest_is_a_seventh_beyond_the_scale():
    assert pytest.approx(-1.14) == REST


@pytest.mark.parametrize(("theme", "alpha"), [(LIGHT, 0.15), (DARK, 0.20)])
def test_virtual_drive_is_written_across_between_scale_and_words(dial, unit, theme, alpha):
    face = Face(virtual=True)
    marks = painted(lambda painter: paint_dial(painter, dial, theme, LIMITS, face))
    words = texts([mark for mark in marks if mark.words == "virtual drive"])["virtual drive"]
    top = dial.pivot.y() - dial.radius + (BAND + 84) * unit
    assert words.shape == pytest.approx((0, top, 1260 * unit, dial.cover_top - top))
    assert words.pen == theme.ink
    assert words.alpha == pytest.approx(alpha, abs=1e-3)
    cap = min(0.42 * (dial.cover_top - top), 96 * unit)
    assert (words.font_px, words.bold) == (font_of_cap(cap, bold=True).pixelSize(), True)
    assert words.align == Qt.AlignmentFlag.AlignCenter


def test_the_dial_lies_on_a_panel(marks, unit, dial):
    panel = marks[0]
    width, height = 1260 * unit, 560 * unit
    assert panel.kind == "Rounded"
    assert panel.shape == pytest.approx((1, 1, width - 2, height - 2, 10 * unit, 10 * unit))
    assert (panel.pen, panel.brush, panel.smooth) == (LIGHT.line, LIGHT.face, True)
    assert panel.width == max(1.0, 1.5 * unit)
