"""What moves over the dial and what stands below it, as the painter is asked for it."""

import math

import pytest
from PySide6.QtCore import QEvent, QPointF, QRectF, Qt
from PySide6.QtGui import QFocusEvent, QFontMetricsF
from PySide6.QtWidgets import QSizePolicy

from app.dashboard.lettering import size_that_fits
from app.dashboard.needle_page.dial import REST, Limits, place_of_best
from app.dashboard.needle_page.figures import FiguresView
from app.dashboard.needle_page.meter import Ballistics, Meter
from app.dashboard.style import DARK, FIGURE_CAP, LIGHT, Sizes, font_of_cap
from app.dashboard.text import Face, FigureText
from tests.app.dashboard.needle_page.test_dial_painted import LEAST_CAP, at, centre
from tests.app.dashboard.painting import painted_by, texts

BAND = 38.0


def place(balance):
    """The dial's scale by its formula."""
    return math.asinh(balance / 0.1) / math.asinh(10.0)


@pytest.fixture(params=[1.0, 0.4], ids=["full HD", "small"])
def unit(request):
    return request.param


@pytest.fixture
def meter(qtbot, unit):
    made = Meter(Limits(0.15, 0.30))
    qtbot.addWidget(made)
    made.resize(round(1260 * unit), round(560 * unit))
    made.apply_theme(LIGHT, Sizes(unit))
    made.show()  # else it is laid out anew for each picture
    return made


@pytest.fixture
def shown(meter, monkeypatch):
    """The marks of a face on which the needle has come to rest, without those of the dial."""

    def show(face):
        for _ in range(40):
            meter.show_face(face, 0.016)
        meter.grab()  # with the dial, which is kept
        return painted_by(meter, monkeypatch)

    return show


def of_kind(marks, kind):
    return [mark for mark in marks if mark.kind == kind]


def corners(mark):
    return list(zip(mark.shape[::2], mark.shape[1::2], strict=True))


@pytest.mark.parametrize("balance", [-0.9, 0.0, 0.2])
def test_the_needle_points_from_the_pivot_to_the_balance_and_tapers(shown, meter, unit, balance):
    marks = shown(Face(balance=balance, expanded_u=0.01))
    (needle,) = of_kind(marks, "Polygon")
    foot_a, tip_a, tip_b, foot_b = corners(needle)
    dial = meter.dial

    def middle(one, other):
        return tuple((a + b) / 2 for a, b in zip(one, other, strict=True))

    tip = at(dial, place(balance), dial.radius - 4 * unit)
    assert middle(tip_a, tip_b) == pytest.approx(tip, abs=1e-2)
    half_tip = max(0.8, 3.2 * unit)
    assert math.dist(tip_a, tip_b) == pytest.approx(2 * half_tip)
    # It comes out from under the words' line, 8 below it where it stands upright.
    length, reach = dial.radius - 4 * unit, math.dist(middle(foot_a, foot_b), dial.pivot.toTuple())
    hidden = (dial.pivot.y() - dial.cover_top - 8 * unit) / (dial.pivot.y() - tip[1])
    hidden = min(0.98, hidden)
    assert reach / length == pytest.approx(hidden, abs=1e-3)
    wide = 2 * (half_tip + (10 * unit - half_tip) * (1 - hidden))
    assert math.dist(foot_a, foot_b) == pytest.approx(wide, abs=1e-2)
    # Across its length.
    along = [b - a for a, b in zip(middle(foot_a, foot_b), tip, strict=True)]
    across = [b - a for a, b in zip(foot_a, foot_b, strict=True)]
    assert along[0] * across[0] + along[1] * across[1] == pytest.approx(0.0, abs=0.1)
    assert (needle.pen, needle.brush, needle.smooth) == ("", LIGHT.needle, True)
    width, cover = meter.width(), dial.cover_top
    left, top, right, bottom = needle.clip
    assert (left, top, right, bottom) == pytest.approx((2, 2, width - 4, cover - 2), abs=1)


def test_an_unknown_side_has_two_hollow_needles_and_sectors(shown, meter, unit):
    marks = shown(Face(balance=0.2, expanded_u=0.02, mirrored=True))
    needles = of_kind(marks, "Polygon")
    for side, needle in zip((-1, 1), needles, strict=True):
        assert needle.brush == LIGHT.face
        assert (needle.pen, needle.width) == (LIGHT.needle, max(1.0, 2 * unit))
        (x, _) = corners(needle)[1]
        assert (x > meter.dial.pivot.x()) == (side > 0)
    paths = of_kind(marks, "Path")
    assert len(paths) == 4
    for path in paths[:2]:
        holds(path, meter, unit, -0.22, -0.18, 1.0 if path is paths[0] else 0.6)
    for path in paths[2:]:
        holds(path, meter, unit, 0.18, 0.22, 1.0 if path is paths[2] else 0.6)


def holds(path, meter, unit, low, high, part):
    """That a sector holds what lies between two balances, or the middle part of it."""
    dial, middle, half = meter.dial, (low + high) / 2, part * (high - low) / 2
    # It ends one pixel within the scale, and 150 below the band.
    outer, inner = dial.radius - 1, dial.radius - 1 - (BAND + 150) * unit
    for away, inside in ((-1.03, False), (-0.97, True), (0.97, True), (1.03, False)):
        for radius, within in ((outer + 1, 0), (outer - 1, 1), (inner + 1, 1), (inner - 1, 0)):
            point = QPointF(*at(dial, place(middle + away * half), radius))
            assert path.path.contains(point) == (inside and bool(within))


@pytest.mark.parametrize("balance", [0.1, -0.3])
def test_the_sector_is_what_the_balance_may_be(shown, meter, unit, balance):
    marks = shown(Face(balance=balance, expanded_u=0.04))
    whole, middle = of_kind(marks, "Path")
    holds(whole, meter, unit, balance - 0.04, balance + 0.04, 1.0)
    holds(middle, meter, unit, balance - 0.04, balance + 0.04, 0.6)
    for path in (whole, middle):
        assert (path.brush, path.pen) == (LIGHT.needle, "")
        assert path.alpha == pytest.approx(0.2, abs=1e-3)


def test_a_parked_needle_is_hollow_and_has_no_sector(shown, meter, unit):
    marks = shown(Face(headline="No reading", detail="No carrier.", expanded_u=0.1))
    (needle,) = of_kind(marks, "Polygon")
    assert (needle.pen, needle.brush) == (LIGHT.parked, LIGHT.face)
    assert not of_kind(marks, "Path")
    (x, _) = corners(needle)[1]
    assert x == pytest.approx(at(meter.dial, REST, meter.dial.radius - 4 * unit)[0], abs=8 * unit)


@pytest.mark.parametrize("parked", [False, True])
def test_the_words_stand_below_a_line_under_the_dial(shown, meter, unit, parked):
    words = {"headline": "Head", "detail": "Set limit", "pace": "1 record"}
    marks = shown(Face(balance=None if parked else 0.1, **words))
    top, width = meter.dial.cover_top, 1260 * unit
    (line,) = of_kind(marks, "Line")
    assert line.shape == pytest.approx((16 * unit, top, width - 16 * unit, top))
    assert (line.pen, line.width) == (LIGHT.line, max(1.0, 2 * unit))
    written = texts(marks)
    wide = width - 32 * unit
    # That there is no reading takes less room, and leaves it to why.
    high = 52 if parked else 76
    boxes = {
        "Head": (16 * unit, top + 8 * unit, wide, high * unit),
        "Set limit": (16 * unit, top + (8 + high) * unit, wide, (136 - high) * unit),
        "1 record": (width / 2, top - 44 * unit, width / 2 - 20 * unit, 34 * unit),
    }
    inks = {"Head": LIGHT.faint if parked else LIGHT.ink, "Set limit": LIGHT.ink}
    caps = {"Head": FIGURE_CAP, "Set limit": 26 if parked else 20, "1 record": 15}
    for each, box in boxes.items():
        assert written[each].shape == pytest.approx(box)
        assert written[each].pen == inks.get(each, LIGHT.faint)
        assert written[each].bold == (each == "Head")
        largest = font_of_cap(max(LEAST_CAP, caps[each] * unit), bold=each == "Head").pixelSize()
        fits = size_that_fits(each, box[2], box[3], largest, each == "Head")
        assert written[each].font_px == fits
    assert written["1 record"].align & Qt.AlignmentFlag.AlignRight
    assert written["Head"].align & Qt.AlignmentFlag.AlignHCenter


@pytest.mark.parametrize("balance", [-0.05, 0.3])
def test_the_best_so_far_is_a_pointer_below_the_scale(meter, unit, monkeypatch, balance):
    assert not [mark for mark in painted_by(meter, monkeypatch) if mark.words == "best so far"]
    meter.hold_best(balance)
    marks = painted_by(meter, monkeypatch)
    dial, inner = meter.dial, meter.dial.radius - BAND * unit
    pointer = of_kind(marks, "Polygon")[0]
    tip, one, other = corners(pointer)
    assert tip == pytest.approx(at(dial, place(balance), inner - 2 * unit))
    half = 10 * unit / dial.radius
    for side, corner in ((-1, one), (1, other)):
        assert corner == pytest.approx(at(dial, place(balance) + side * half, inner - 28 * unit))
    assert (pointer.pen, pointer.brush) == (LIGHT.second, LIGHT.second)
    assert pointer.width == max(1.0, 2 * unit)
    foot = at(dial, place(balance), inner - 84 * unit)
    (stem,) = [mark for mark in of_kind(marks, "Line") if mark.pen == LIGHT.second]
    base = at(dial, place(balance), inner - 28 * unit)
    # Lower where the words of the scale would stand over its own.
    mark = place_of_best(dial, Limits(0.15, 0.30), balance, zeroed=False)
    foot = foot[0], foot[1] + max(0.0, mark.foot.y() - foot[1])
    assert stem.shape == pytest.approx((*base, *foot))
    word = texts([mark for mark in marks if mark.words == "best so far"])["best so far"]
    assert centre(word)[0] == pytest.approx(foot[0])
    assert word.shape[1] == pytest.approx(foot[1] + 2 * unit)
    assert word.shape[2:] == pytest.approx((400, 34 * unit))
    assert (word.font_px, word.bold) == (
        font_of_cap(max(LEAST_CAP, 17 * unit), bold=True).pixelSize(),
        True,
    )
    assert word.align == Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignTop
    meter.hold_best(None)
    assert not [mark for mark in painted_by(meter, monkeypatch) if mark.words == "best so far"]


def test_a_dial_is_painted_anew_for_other_limits_sizes_and_zeros_alone(meter, unit, monkeypatch):
    def dial_is_painted():
        return any(mark.words == "rest" for mark in painted_by(meter, monkeypatch))

    meter.grab()
    meter.show_face(Face(balance=0.1), 0.016)
    meter.judge_by(Limits(0.15, 0.30))
    meter.hold_best(None)
    assert not dial_is_painted()
    for change in (
        lambda: meter.judge_by(Limits(0.10, 0.30)),
        lambda: meter.hold_best(0.1),
        lambda: meter.show_face(Face(balance=0.1, virtual=True), 0.016),
        lambda: meter.show_face(Face(balance=0.1, virtual=True, zeroed=True), 0.016),
        lambda: meter.apply_theme(DARK, Sizes(unit)),
        lambda: meter.resize(meter.width() - 10, meter.height()),
    ):
        change()
        assert dial_is_painted()
        assert not dial_is_painted()


def test_focus_is_a_frame(qtbot, meter, unit, monkeypatch):
    meter.grab()
    meter.clearFocus()
    assert not of_kind(painted_by(meter, monkeypatch), "Rounded")
    with monkeypatch.context() as patched:
        patched.setattr(Meter, "hasFocus", lambda self: True)
        frames = of_kind(painted_by(meter, patched), "Rounded")
    (frame,) = frames
    assert frame.shape[:4] == pytest.approx((2, 2, meter.width() - 4, meter.height() - 4))
    assert frame.shape[4:] == pytest.approx((10 * unit, 10 * unit))
    assert (frame.pen, frame.width, frame.brush) == (LIGHT.second, 3, "")


def test_a_needle_that_moves_less_than_a_fifth_of_a_pixel_asks_for_no_paint(meter, monkeypatch):
    asked = []
    face = Face(balance=0.1)
    for _ in range(100):
        meter.show_face(face, 0.016)
    meter.grab()
    monkeypatch.setattr(meter, "update", lambda *_: asked.append(True))
    where = meter.painted_deflection
    for away_px, paints in ((0.19, False), (0.21, True), (-0.19, False), (-0.21, True)):
        asked.clear()
        meter._needle = Ballistics(position=where + away_px / meter.dial.radius)
        meter.show_face(face, 0.0)
        assert bool(asked) == paints
    meter._needle = Ballistics(position=where)
    asked.clear()
    meter.show_face(Face(balance=0.1, detail="x"), 0.0)
    assert asked


def test_a_needle_that_has_the_keys_tells_no_number_of_its_own_accord(meter, monkeypatch):
    def told(**changes):
        meter.show_face(Face(**changes), 0.016)
        return meter.accessibleDescription() == meter.face.spoken

    monkeypatch.setattr(Meter, "hasFocus", lambda self: False)
    assert told(balance=0.1, headline="Outward", detail="3 µm")
    assert told(balance=0.1, headline="Outward", detail="4 µm")
    # A screen reader speaks each change of what has the keys.
    monkeypatch.setattr(Meter, "hasFocus", lambda self: True)
    assert not told(balance=0.1, headline="Outward", detail="5 µm")
    assert told(balance=-0.1, headline="Inward", detail="5 µm")
    assert told(headline="No reading", detail="stale: 1 s old")
    assert not told(headline="No reading", detail="stale: 2 s old")
    assert told(headline="No reading", detail="late by 1 s")
    # With the keys comes how it stands now.
    assert not told(headline="No reading", detail="late by 2 s")
    meter.focusInEvent(QFocusEvent(QEvent.Type.FocusIn))
    assert meter.accessibleDescription() == meter.face.spoken


def test_the_meter_takes_what_room_there_is_and_the_keys(meter):
    assert meter.minimumSize().toTuple() == (360, 190)
    expands = QSizePolicy.Policy.Expanding
    assert meter.sizePolicy() == QSizePolicy(expands, expands)
    assert meter.focusPolicy() == Qt.FocusPolicy.StrongFocus
    assert meter.testAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
    assert meter.accessibleName() == "Needle meter"


@pytest.fixture
def figures(qtbot, unit):
    made = FiguresView()
    qtbot.addWidget(made)
    made.resize(600 * unit, 560 * unit)
    made.apply_theme(LIGHT, Sizes(unit))
    made.show()  # else it is laid out anew for each picture
    return made


def test_figures_stand_in_three_boxes_each_with_its_name_and_uncertainty(
    figures, unit, monkeypatch
):
    figures.show_face(
        Face(
            ratio=FigureText("0.8", "± 1"),
            difference=FigureText("20 %", "± 2"),
            offset=FigureText("30 µm", "± 3"),
        )
    )
    marks = painted_by(figures, monkeypatch)
    written = texts(marks)
    align = Qt.AlignmentFlag
    for words, top, part, cap in (
        (("ratio", "0.8", "± 1"), 0.0, 0.42, 104),
        (("difference", "20 %", "± 2"), 0.42, 0.29, FIGURE_CAP + 5),
        (("offset", "30 µm", "± 3"), 0.71, 0.29, FIGURE_CAP + 5),
    ):
        box = (20, 560 * top + 12, 560, 560 * part - 22)
        name, figure, spread = (written[each] for each in words)
        for mark, side, height, ink in (
            (name, align.AlignLeft | align.AlignTop, 15, LIGHT.faint),
            (figure, align.AlignRight | align.AlignVCenter, cap, LIGHT.ink),
            (spread, align.AlignRight | align.AlignBottom, 17, LIGHT.ink),
        ):
            assert mark.shape == pytest.approx([unit * each for each in box])
            assert mark.align == side
            assert mark.pen == ink
            assert mark.bold == (mark is figure)
            font = font_of_cap(max(LEAST_CAP, height * unit), bold=mark.bold)
            assert mark.font_px == font.pixelSize()
    lines = of_kind(marks, "Line")
    tops = [560 * unit * top for top in (0.42, 0.71)]
    for line, top in zip(lines, tops, strict=True):
        assert line.shape == pytest.approx((0, top, 600 * unit, top))
        assert (line.pen, line.width) == (LIGHT.line, max(1.0, 1.5 * unit))
    told = "Ratio 0.8 ± 1; difference 20 % ± 2; offset 30 µm ± 3"
    assert figures.accessibleDescription() == told


@pytest.mark.parametrize("proviso", ["uncalibrated", "uncalibrated, unproved"])
@pytest.mark.parametrize("width", [300, 600, 900])
def test_what_a_figure_hangs_on_is_as_large_as_its_uncertainty(
    figures, unit, monkeypatch, width, proviso
):
    figures.resize(round(width * unit), round(560 * unit))
    figures.show_face(
        Face(
            ratio=FigureText("0.8", "± 1"),
            difference=FigureText("20 %", "± 2"),
            offset=FigureText("30 µm", "± 3 µm, outward", proviso),
        )
    )
    written = texts(painted_by(figures, monkeypatch))
    hangs, spread = written[proviso], written["± 3 µm, outward"]
    assert hangs.font_px == spread.font_px
    assert hangs.pen == LIGHT.caution
    # All of it, beside the figure's name and clear of the figure.
    font = font_of_cap(10)
    font.setPixelSize(hangs.font_px)
    assert hangs.font_px >= 12
    wrapped = int(hangs.align) | int(Qt.TextFlag.TextWordWrap) * hangs.wraps
    whole = QFontMetricsF(font).boundingRect(QRectF(*hangs.shape), wrapped, proviso)
    assert whole.width() <= hangs.shape[2]
    figure = written["30 µm"]
    top = figure.shape[1] + figure.shape[3] / 2 - figure.font_px * 0.37
    assert whole.bottom() <= top


def test_figures_ask_for_the_room_of_the_widest_offset(figures, unit):
    assert figures.sizeHint().toTuple() == (round(600 * unit), round(560 * unit))
    figures.apply_theme(LIGHT, Sizes(0.4995))  # 299.7 and 279.72
    assert figures.sizeHint().toTuple() == (300, 280)
    assert figures.minimumSize().toTuple() == (200, 200)
    policy = QSizePolicy.Policy
    assert figures.sizePolicy() == QSizePolicy(policy.Preferred, policy.Expanding)
    assert figures.accessibleName() == "Ratio, difference and offset"
