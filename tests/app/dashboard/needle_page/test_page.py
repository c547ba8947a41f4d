"""The page of the needle: its buttons say what they will do, and views come at two paces."""

import pytest
from PySide6.QtWidgets import QWidget

from app.analysis.results import Side, Sign
from app.dashboard.job_panel.controller import JobController
from app.dashboard.needle_page.page import Hands, NeedlePage
from app.dashboard.style import LIGHT, Sizes
from app.dashboard.text import Unit
from app.dashboard.widgets import TouchButton
from app.live.capture_play import CapturePlay
from app.live.past import Past
from app.profiles import load_profile
from tests.app.dashboard.fakes import FakeControls, FakeSession, reading, view

NOW_S = 1000.0


@pytest.fixture
def session():
    return FakeSession(view(0.12, NOW_S), FakeControls())


@pytest.fixture
def page(qtbot, session):
    made = NeedlePage(session, JobController(session, lambda: "2026-03-02T09:00:00+01:00"))
    qtbot.addWidget(made)
    return made


def test_freeze_and_hold_say_what_they_do_next(page, session):
    page.show_view(session.now, NOW_S, 0.016)
    assert (page._freeze.text(), page._hold.text()) == ("Freeze  Space", "Hold turn  F6")
    page.toggle_frozen()
    page.toggle_held()
    assert (page.trace.frozen, page.trace.held) == (True, session.now.trace)
    assert (page._freeze.text(), page._hold.text()) == ("Follow  Space", "Let turn go  F6")
    page.toggle_frozen()
    page.toggle_held()
    assert (page.trace.frozen, page.trace.held) == (False, None)
    assert (page._freeze.text(), page._hold.text()) == ("Freeze  Space", "Hold turn  F6")
    page.toggle_frozen()
    page.toggle_held()
    page.forget()
    # What is held is there to be compared with another source.
    assert (page._freeze.text(), page._hold.text()) == ("Freeze  Space", "Let turn go  F6")
    assert (page.trace.frozen, page.trace.held, page.trace.shown) == (
        False,
        session.now.trace,
        None,
    )


def test_a_capture_is_paused_and_goes_on_by_turns(page, session):
    play = session.play = CapturePlay()
    page.show_view(view(0.1), 1000.0, 0.1)
    page._slow_at_s = float("-inf")
    page.show_view(view(0.1), 1000.0, 0.1)
    assert page._freeze.accessibleName() == "Pause"
    page.toggle_frozen()
    assert play.paused
    assert not page.trace.frozen
    assert page._freeze.accessibleName() == "Play on"
    assert "PAUSED" in page.large.title
    asked = []
    play.run_ahead = asked.append
    session.past = past = Past(0.2)
    page.toggle_large()
    page.show_view(view(0.1), 1001.0, 0.1)
    page.scroll_by(1)
    page.scroll_long(1)
    # A turn, then ten seconds; back nothing is asked of the capture.
    page.scroll_by(-1)
    page.scroll_long(-1)
    assert asked == [past.turn_s, 10.0]
    page.toggle_frozen()
    assert not play.paused
    assert "PAUSED" not in page.large.title
    # At its end it is as any other source.
    session.play = None
    page.toggle_frozen()
    assert page.trace.frozen
    assert page._freeze.accessibleName() == "Follow"


def test_words_come_ten_times_a_second_and_the_strip_four_times(page, session, monkeypatch):
    words, strips = [], []
    monkeypatch.setattr(page.status, "show_lines", lambda *_: words.append(True))
    monkeypatch.setattr(page.strip, "show_strip", lambda *_: strips.append(True))
    for step in range(65):  # a second in steps of a sixty-fourth, and its end
        page.show_view(session.now, NOW_S + step / 64, 1 / 64)
    # Each seventh step is the first one after a tenth of a second, each sixteenth after a quarter.
    assert (len(words), len(strips)) == (10, 5)


def test_lobes_have_their_names_where_the_side_is_known(page):
    for sign, side, names in (
        (Sign.KNOWN, Side.OUTWARD, ("first", "second")),
        (Sign.UNKNOWN, None, ("lobe", "lobe")),
    ):
        now = view(reading=reading(0.12, sign=sign, side=side), now_s=NOW_S)
        page.show_view(now, NOW_S, 0.016)
        assert tuple(top.words.split()[0] for top in page.trace.tops) == names


def test_a_view_is_shown_in_every_part(page, session):
    page.show_view(session.now, NOW_S, 0.016)
    assert page.meter.face.balance == pytest.approx(0.12)
    assert page.figures._face is page.meter.face
    assert page.trace.shown is session.now.trace
    # 300.1 rpm: 199.93 ms a turn.
    assert page.trace._axis.turn_ms == 200
    assert page.strip._curve.getData()[0] is not None
    assert page.trace._plot._virtual
    assert page.strip._plot._virtual
    assert page.prompt.prompt.words.startswith("Turn the stepper's body")
    assert page.status.lines[0].words == "running"
    assert not page.hands.isHidden()
    assert page.hands.accessibleName() == "Hands at the virtual drive"


def test_another_unit_and_another_class(page, session):
    assert page.unit is Unit.UM
    page.toggle_unit()
    assert page.unit is Unit.MIL
    page.toggle_unit()
    assert page.unit is Unit.UM
    tight = load_profile("130mm-96tpi-13262")
    page.judge_by(tight)
    limits = page.meter._limits
    assert (limits.set_limit, limits.check_limit) == (tight.set_limit, tight.check_limit)


def test_zero_wants_a_known_middle(page):
    page.toggle_zero()
    assert not page._zero.isChecked()
    assert page._controller.remark == "The hysteresis is not known yet: measure it first."


def test_without_a_job_needle_and_figures_have_their_full_size(page):
    page.apply_theme(LIGHT, Sizes(1.0, 4.0))
    for part in (page.meter, page.figures, page.status):
        assert part._sizes == Sizes(1.0, 4.0)
    page._controller = type("AtWork", (), {"job": object()})()
    page._apply_needle_theme()
    assert page.meter._sizes == Sizes(0.72, 4.0)
    assert page.figures._sizes == Sizes(0.84, 4.0)


def test_hands_do_nothing_without_a_virtual_drive(qtbot):
    controls = FakeControls()
    there = [controls]
    around = QWidget()
    qtbot.addWidget(around)
    hands = Hands(lambda: there[0], around)
    for move in (lambda: hands.nudge(5.0), lambda: hands.step(1), hands.reseat):
        move()
    assert controls.done == [("nudge", 5.0), ("step", 1), ("reseat",)]
    hands.refresh()
    assert not hands.isHidden()
    there[0] = None
    for move in (lambda: hands.nudge(5.0), lambda: hands.step(1), hands.reseat):
        move()
    assert len(controls.done) == 3
    hands.refresh()
    assert hands.isHidden()


def test_each_hand_does_what_its_button_says(qtbot):
    controls = FakeControls()
    hands = Hands(lambda: controls)
    qtbot.addWidget(hands)
    buttons = hands.findChildren(TouchButton)
    for button in buttons:
        button.click()
    assert [button.text() for button in buttons] == [
        "◀◀ 25 µm  ⇧←",
        "◀ 5 µm  ←",
        "5 µm ▶  →",
        "25 µm ▶▶  ⇧→",
        "Step in  PgDn",
        "Step out  PgUp",
        "Reseat  F5",
    ]
    assert controls.done == [
        ("nudge", -25.0),
        ("nudge", -5.0),
        ("nudge", 5.0),
        ("nudge", 25.0),
        ("step", 1),
        ("step", -1),
        ("reseat",),
    ]
