"""The needle meter's picture: where the needle is painted, and what stands beside it."""

import pytest
from PySide6.QtGui import QColor

from app.dashboard.needle_page.dial import REST, Limits, balance_of, deflection
from app.dashboard.needle_page.figures import FiguresView
from app.dashboard.needle_page.meter import Meter
from app.dashboard.style import DARK, FIGURE_CAP, LIGHT, Sizes
from app.dashboard.text import Face, FigureText
from tests.app.dashboard.pictures import different, near

FRAME_S = 0.016


@pytest.fixture
def meter(qtbot):
    made = Meter(Limits(0.15, 0.30))
    qtbot.addWidget(made)
    made.resize(1260, 560)
    made.apply_theme(LIGHT, Sizes.of(1920, 1080))
    return made


def settle(meter, face, frames=30):
    for _ in range(frames):
        meter.show_face(face, FRAME_S)
    return meter.grab().toImage()


def along(meter, at, part=0.75):
    """A point on the needle when it stands at a deflection."""
    dial = meter.dial
    shown = (dial.cover_top - dial.pivot.y()) / -dial.radius
    return dial.point(at, dial.radius * (shown + (1 - shown) * part))


@pytest.mark.parametrize("theme", [LIGHT, DARK])
@pytest.mark.parametrize("balance", [-0.9, -0.1765, -0.05, 0.0, 0.0811, 0.4, 1.0])
def test_needle_is_painted_at_the_balance(meter, theme, balance):
    meter.apply_theme(theme, Sizes.of(1920, 1080))
    picture = settle(meter, Face(balance=balance, expanded_u=0.002))
    assert near(picture, along(meter, deflection(balance)), theme.needle)
    for away in (-0.15, 0.15):
        assert not near(picture, along(meter, deflection(balance) + away), theme.needle)


def test_needle_of_an_unknown_side_is_hollow_and_on_both(meter):
    picture = settle(meter, Face(balance=0.2, mirrored=True))
    for side in (-1, 1):
        at = along(meter, side * deflection(0.2), 0.3)
        assert near(picture, at, LIGHT.face)
        beside = [near(picture, at, LIGHT.needle, reach=reach) for reach in (4, 6, 8, 10)]
        assert any(beside)


def test_parked_needle_rests_beyond_the_scale_and_dimmed(meter):
    picture = settle(meter, Face(headline="No reading", detail="No carrier."))
    assert meter.painted_deflection == pytest.approx(REST, abs=1e-3)
    tip = meter.dial.point(REST, meter.dial.radius - meter.dial.sizes.px(8))
    assert near(picture, tip, LIGHT.parked, reach=6, tolerance=40)
    for balance in (-1.0, -0.3, 0.0, 0.3, 1.0):
        assert not near(picture, along(meter, deflection(balance)), LIGHT.needle)


def test_needle_is_dimmed_at_once_when_the_reading_fails(meter):
    settle(meter, Face(balance=0.3))
    meter.show_face(Face(headline="No reading"), FRAME_S)
    picture = meter.grab().toImage()
    red = QColor(LIGHT.needle)
    shown = [
        picture.pixelColor(x, y) == red
        for x in range(0, picture.width(), 3)
        for y in range(0, int(meter.dial.cover_top), 3)
    ]
    assert not any(shown)


def test_painted_step_overshoots_by_no_more_than_a_fifth(meter):
    settle(meter, Face(balance=0.0))
    places = []
    for _ in range(30):
        meter.show_face(Face(balance=0.3), FRAME_S / 4)
        meter.grab()
        places.append(meter.painted_deflection)
    assert max(places) <= 1.2 * deflection(0.3)
    assert places[-1] == pytest.approx(deflection(0.3), abs=0.01)


def places(meter, balances):
    """Where the needle is painted, frame by frame, with a reading every sixth frame."""
    found = []
    for balance in balances:
        for _ in range(6):
            meter.show_face(Face(balance=balance), FRAME_S)
            meter.grab()
            found.append(meter.painted_deflection)
    return found


def test_the_needle_stands_at_its_readings_and_nowhere_between(meter):
    balances = (0.3, -0.2, 0.01)
    meter.jumps = True
    assert set(places(meter, balances)) == {deflection(each) for each in balances}
    meter.show_face(Face(headline="No reading"), FRAME_S)
    meter.grab()
    assert meter.painted_deflection == REST
    meter.jumps = False
    assert len(set(places(meter, balances))) > 9


def test_it_does_not_swing_on_from_a_jump(meter):
    places(meter, (0.0,))
    meter.show_face(Face(balance=0.5), FRAME_S)
    meter.jumps = True
    meter.show_face(Face(balance=0.1), FRAME_S)
    meter.jumps = False
    meter.show_face(Face(balance=0.1), FRAME_S)
    meter.grab()
    assert meter.painted_deflection == pytest.approx(deflection(0.1), abs=1e-12)


def test_sector_is_as_wide_as_the_expanded_uncertainty(meter):
    narrow = settle(meter, Face(balance=0.1, expanded_u=0.01))
    wide = settle(meter, Face(balance=0.1, expanded_u=0.06))
    inside = meter.dial.point(deflection(0.15), meter.dial.radius - meter.dial.band - 60)
    outside = meter.dial.point(deflection(0.17), meter.dial.radius - meter.dial.band - 60)
    assert near(narrow, inside, LIGHT.face)
    assert not near(wide, inside, LIGHT.face)
    assert near(wide, outside, LIGHT.face)


def test_bands_differ_by_hatch_as_well_as_by_colour(meter):
    picture = settle(meter, Face())

    def inked(low, high):
        dial = meter.dial
        low, high = deflection(balance_of(low)), deflection(balance_of(high))
        places = [
            dial.point(low + (high - low) * along / 40, dial.radius - dial.band * across / 20)
            for along in range(6, 35)
            for across in range(3, 18)
        ]
        tones = [picture.pixelColor(place.toPoint()).lightness() for place in places]
        return sum(tone < 128 for tone in tones) / len(tones)

    assert inked(0.01, 0.04) == 0.0
    assert 0.05 < inked(0.26, 0.29) < 0.5


def test_virtual_drive_stands_across_the_dial(meter):
    real = settle(meter, Face(balance=0.1))
    virtual = settle(meter, Face(balance=0.1, virtual=True))
    changed = different(real, virtual)
    assert changed.width() > 0.4 * meter.width()
    assert changed.height() > 0.08 * meter.height()


def test_screen_reader_is_told(meter):
    settle(meter, Face(balance=0.1, headline="Head is outward: move it inward", detail="x"))
    assert meter.accessibleName()
    assert meter.accessibleDescription().startswith("Head is outward")


def test_long_reason_stays_within_the_words_room(meter):
    short = settle(meter, Face(headline="No reading", detail="No carrier."))
    long = settle(meter, Face(headline="No reading", detail="far too many words " * 30))
    changed = different(short, long)
    assert changed.top() > meter.dial.cover_top
    assert changed.bottom() < meter.height() - 2
    assert changed.left() > 2
    assert changed.right() < meter.width() - 2


@pytest.mark.parametrize("window", [(1024, 640), (1920, 1080), (3840, 2160)])
def test_figures_are_painted_at_their_height(qtbot, window):
    sizes = Sizes.of(*window)
    figures = FiguresView()
    qtbot.addWidget(figures)
    figures.resize(int(window[0] * 0.31), int(window[1] * 0.53))
    figures.apply_theme(LIGHT, sizes)
    figures.show_face(Face())
    empty = figures.grab().toImage()
    for changed in (
        Face(ratio=FigureText("1")),
        Face(difference=FigureText("1")),
        Face(offset=FigureText("1")),
    ):
        figures.show_face(Face())
        figures.show_face(changed)
        tall = different(empty, figures.grab().toImage()).height()
        # 47 pixels of a 24-inch full-HD screen are 13 mm.
        assert tall >= FIGURE_CAP * sizes.unit


def test_widest_figures_fit(qtbot):
    figures = FiguresView()
    qtbot.addWidget(figures)
    figures.resize(int(1024 * 0.31), int(640 * 0.47))
    figures.apply_theme(LIGHT, Sizes.of(1024, 640))
    figures.show_face(Face(offset=FigureText("")))
    empty = figures.grab().toImage()
    wide = FigureText("−178.0 µm", "± 178.0 µm, side not known, uncalibrated")
    figures.show_face(Face(offset=wide))
    changed = different(empty, figures.grab().toImage())
    assert changed.left() > 4
    assert changed.right() < figures.width() - 4
