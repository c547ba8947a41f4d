"""The job beside the needle: controller, card and panel, on a session that a test plays."""

import itertools
import time
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QAbstractButton, QApplication

from app.analysis import messages as readings
from app.analysis.adjust.nudging import Nudged
from app.analysis.results import (
    Measurand,
    Measurement,
    Message,
    Quantity,
    Side,
    Sign,
    SpeedFinding,
    Verdict,
)
from app.book.store import Book
from app.dashboard.job_panel.controller import Writing
from app.dashboard.needle_page.dial import deflection
from app.dashboard.widgets import FittedText
from app.job import messages
from app.job.model import Action, CheckName, Do, Enter, Measure, Stage
from app.job.plan import StepState
from app.live.measurement import MeasurementProgress
from app.live.opening import Opening
from app.live.view import Phase, View
from app.profiles import load_profile
from tests.app.book.jobs import DRIVE, calibrate
from tests.app.dashboard.fakes import FakeControls, FakeSession, parked, reading, trace, view
from tests.app.dashboard.keys import KEY, PLAIN, SHIFT, press

HOSTILE = (
    "<b>bold</b><script>x</script>",
    "'; DROP TABLE jobs; --",
    "\u202eevil\u2066",
    "x" * 10_000,
)


class Hands(FakeControls):
    """The virtual drive's hands, all of them remembered."""

    write_protected = True
    at_track_zero = False

    def __getattr__(self, name):
        return lambda *words: self.done.append((name, *words))


class MeasuringSession(FakeSession):
    """Measures at once what the needle shows."""

    def __init__(self, balance=0.02):
        super().__init__(lambda: view(balance), Hands())
        self.wanted = None
        self.fault = ""
        self.quick = True

    def measure(self, request):
        self.wanted = request.measurand
        self.calls.append(("measure", request))

    def cancel_measurement(self):
        self.wanted = None

    def progress(self):
        if self.wanted is None:
            return None
        if self.fault:
            return MeasurementProgress(fault=self.fault)
        return (
            MeasurementProgress(1.0, measured(self.wanted, self.view()), origin=self.origin())
            if self.quick
            else MeasurementProgress(0.4)
        )


def measured(measurand, shown):
    if measurand is Measurand.RADIAL:
        return Measurement(measurand, reading=shown.reading, trace=trace())
    if measurand is Measurand.SPEED:
        turns = np.full(25, 300.0)
        speed = SpeedFinding(Quantity(300.0, 0.05), Quantity(0.01, 0.001), None, turns, True)
        return Measurement(measurand, speed=speed)
    return Measurement(measurand, problem=Message("no burst of carrier stands out of the turn"))


@pytest.fixture
def session():
    return MeasuringSession()


@pytest.fixture
def book(tmp_path):
    return tmp_path / "book.sqlite3"


@pytest.fixture
def window(open_window, session, book):
    made = open_window(session, book, ticking=False)
    made.tick()
    made.begin_job("machine 7", "130mm-48tpi")
    return made


def refresh(window):
    window.needle_page.job.refresh(view(0.02), time.monotonic())


def see_nothing(window):
    """Let the patience pass with which it is waited for something to be seen of the hand."""
    now_s = time.monotonic()
    for seconds in (0.0, 2.0):
        window.needle_page.job.refresh(view(0.02, now_s + seconds), now_s + seconds)


def go_to(window, check, stage=None):
    """Take the first step of a check in hand."""
    controller = window.controller
    index = next(
        number
        for number, step in enumerate(controller.job.steps)
        if step.check is check and stage in (None, step.stage)
    )
    controller.choose(index)
    controller.go_on()


def measure_speed(window):
    """Answer the check of the speed until it measures."""
    go_to(window, CheckName.SPEED, Stage.AS_FOUND)
    while isinstance(window.controller.job.ask, Do):
        press(KEY.Key_Return)


def test_no_job_no_column(open_window, session, book):
    window = open_window(session, book, ticking=False)
    window.show_needle()
    window.tick()
    assert not window.needle_page.job.isVisible()
    assert window.needle_page.strip.isVisible()
    press(KEY.Key_Return, KEY.Key_Up, KEY.Key_Down, KEY.Key_Backspace, KEY.Key_F8)
    press(KEY.Key_Return, modifier=SHIFT)
    assert window.controller.job is None
    assert not book.exists()


def test_a_job_stands_beside_the_needle(window):
    window.tick()
    page = window.needle_page
    assert page.job.isVisible()
    assert page.meter.isVisible()
    assert page.meter.width() > 0.4 * window.width()
    assert page.job.geometry().left() > page.meter.geometry().right()
    assert [row.state for row in page.job.list.rows][:2] == [StepState.IN_HAND, StepState.PENDING]
    assert page.job.card.title == "Before power, as found"
    assert page.job.card.words.startswith("Open supplies carry mains")


def test_enter_does_what_is_next_and_backspace_takes_it_back(window):
    first = window.controller.job.ask
    press(KEY.Key_Return)
    second = window.controller.job.ask
    assert second != first
    press(KEY.Key_Backspace)
    assert window.controller.job.ask == first
    press(KEY.Key_Backspace)  # there is nothing before it
    assert window.controller.job.ask == first


def test_arrows_choose_enter_takes_in_hand_and_escape_leaves(window):
    press(KEY.Key_Down)
    assert window.controller.chosen == 1
    assert window.needle_page.job.card.button == "Take it in hand"
    press(KEY.Key_Escape)
    assert window.controller.chosen == 0
    press(KEY.Key_Up)
    assert window.controller.chosen == 0
    press(*[KEY.Key_Down] * 60)
    assert window.controller.chosen == len(window.controller.job.steps) - 1
    press(KEY.Key_Escape, KEY.Key_Down, KEY.Key_Return)
    assert window.controller.job.step.check is CheckName.MECHANICS


def test_enter_in_the_list_counts_once(window):
    window.needle_page.job.list.setFocus()
    press(KEY.Key_Down, KEY.Key_Return)
    assert window.controller.job.step.check is CheckName.MECHANICS
    first = window.controller.job.ask
    window.needle_page.job.list.setFocus()
    press(KEY.Key_Return)
    assert window.controller.job.ask != first
    press(KEY.Key_Backspace)
    assert window.controller.job.ask == first


def test_left_and_right_still_nudge_the_virtual_drive(window, session):
    press(KEY.Key_Left, KEY.Key_Right)
    assert session.controls.done == [("nudge", -5.0), ("nudge", 5.0)]


def test_a_check_is_left_out_for_a_reason(qtbot, window):
    press(KEY.Key_F8)
    assert window.needle_page.job.entry.hasFocus()
    press(KEY.Key_Return)
    assert window.controller.job.steps[0].state is StepState.IN_HAND  # without a reason it is not
    qtbot.keyClicks(window.needle_page.job.entry, "no power here")
    press(KEY.Key_Return)
    step = window.controller.job.steps[0]
    assert (step.state, step.outcome.reason) == (StepState.SKIPPED, "no power here")
    assert window.needle_page.meter.hasFocus()


def test_leaving_out_can_be_given_up(qtbot, window):
    press(KEY.Key_F8)
    qtbot.keyClicks(window.needle_page.job.entry, "no")
    press(KEY.Key_Escape)
    assert window.controller.writing is Writing.NOTHING
    assert window.controller.job.steps[0].state is StepState.IN_HAND


def test_a_gloved_finger_gives_up_a_reason_and_a_look_elsewhere(qtbot, window):
    back = window.needle_page.job._buttons[1]
    for begun in (
        window.controller.skip,
        window.controller.close,
        lambda: window.controller.choose(3),
    ):
        begun()
        assert back.isEnabled()
        qtbot.mouseClick(back, Qt.MouseButton.LeftButton)
        assert window.controller.writing is Writing.NOTHING
        assert window.controller.chosen == 0
    assert window.controller.job.steps[0].state is StepState.IN_HAND
    press(KEY.Key_F8, KEY.Key_Backspace)
    assert window.controller.writing is Writing.NOTHING


def test_numbers_and_choices_are_entered(qtbot, window):
    while not isinstance(window.controller.job.ask, Enter):
        press(KEY.Key_Return)
    yes, no = [
        button
        for button in window.needle_page.job.findChildren(QAbstractButton)
        if button.accessibleName() in ("yes", "no") and button.isVisible()
    ]
    # What a key pressed once too often would answer is no answer: nobody has chosen.
    question = window.controller.job.ask
    assert not yes.hasFocus()
    assert not no.hasFocus()
    press(KEY.Key_Return)
    press(KEY.Key_Space)
    assert window.controller.job.ask == question
    remarks = window.needle_page.job.findChildren(FittedText)
    assert any("yes / no" in each.accessibleDescription() for each in remarks)
    press(KEY.Key_Tab)
    assert yes.hasFocus()
    press(KEY.Key_Return)
    assert window.controller.job.ask != question
    press(KEY.Key_Return)
    entry = window.needle_page.job.entry
    assert entry.hasFocus()
    assert "°C" in entry.placeholderText()
    qtbot.keyClicks(entry, "warm")
    press(KEY.Key_Return)
    assert "not a number" in window.controller.remark
    entry.clear()
    qtbot.keyClicks(entry, "900")
    press(KEY.Key_Return)
    assert "cannot be" in window.controller.remark
    entry.clear()
    qtbot.keyClicks(entry, "21,5")
    press(KEY.Key_Return)
    press(KEY.Key_Return)  # empty: not known
    assert window.controller.job.ask.key == "relative humidity"
    press(KEY.Key_Backspace)
    assert window.controller.job.ask.key == "chassis temperature"


def test_an_answer_is_given_by_its_first_letter(window):
    while not isinstance(window.controller.job.ask, Enter):
        press(KEY.Key_Return)
    question = window.controller.job.ask
    press(KEY.Key_Q)
    assert window.controller.job.ask == question
    press(KEY.Key_N)
    assert window.controller.job.ask != question
    assert window.controller.job.drive.protect_failed


def test_a_measurement_runs_its_bar_and_is_answered(window, session):
    measure_speed(window)
    session.quick = False
    refresh(window)
    assert window.needle_page.job.card.part == 0.4
    session.quick = True
    refresh(window)
    outcome = window.controller.job.outcomes[-1]
    assert (outcome.check, outcome.verdict, outcome.value) == (CheckName.SPEED, Verdict.PASS, 300.0)
    assert window.needle_page.job.list.rows[2].value == "300.00 ± 0.10 rpm"
    assert window.needle_page.job.list.rows[2].word == "pass"


def test_a_check_that_begins_with_a_measurement_waits_for_enter(window, session):
    measure_speed(window)
    refresh(window)
    go_to(window, CheckName.RADIAL, Stage.AS_FOUND)
    assert isinstance(window.controller.job.ask, Measure)
    assert session.wanted is None
    assert window.needle_page.job.card.button == "Measure"
    press(KEY.Key_Return)
    assert session.wanted is Measurand.RADIAL


REAL = {"source": "visa:bench", "virtual": False}


def test_a_job_is_begun_with_a_source_alone(open_window, session, book):
    session.now = View()
    window = open_window(session, book, ticking=False)
    window.show_drives()
    window.begin_job("machine 7", "130mm-48tpi")
    assert window.controller.job is None
    assert "open the one of the drive first" in window.drives_page._status.text()


@pytest.mark.parametrize("begun_real", [True, False])
def test_a_source_that_is_swapped_while_a_job_is_open_is_refused(
    open_window, session, book, begun_real
):
    window = open_window(session, book, ticking=False)
    views = [view(0.02, **REAL), view(0.02)][:: 1 if begun_real else -1]
    session.now = views[0]
    window.begin_job("machine 7", "130mm-48tpi")
    go_to(window, CheckName.RADIAL, Stage.AS_FOUND)
    session.now = views[1]
    while isinstance(window.controller.job.ask, Do):
        press(KEY.Key_Return)
    for _ in range(3):
        press(KEY.Key_Return)
        refresh(window)
    assert "begin a new job" in window.controller.remark
    press(KEY.Key_Return, modifier=SHIFT)
    refresh(window)
    assert (session.wanted, window.controller.job.outcomes) == (None, ())
    session.now = views[0]
    press(KEY.Key_Return)
    refresh(window)
    window.controller.end(10.0)
    with Book(book) as kept:
        # The disk was put in, and one measurement stands.
        assert [entry.virtual for entry in kept.job(1).entries] == [not begun_real] * 2


def test_another_source_of_the_same_kind_is_asked_about_and_told(open_window, session, book):
    window = open_window(session, book, ticking=False)
    session.now = view(0.02, **REAL)
    window.begin_job("machine 7", "130mm-48tpi")
    go_to(window, CheckName.RADIAL, Stage.AS_FOUND)
    session.now = view(0.02, **{**REAL, "source": "visa:other"})
    while isinstance(window.controller.job.ask, Do):
        press(KEY.Key_Return)
    refresh(window)
    assert "Is it still the same drive?" in window.controller.remark
    assert window.needle_page.job.card.button == "Same drive: go on"
    assert session.wanted is None
    press(KEY.Key_Return)
    refresh(window)
    window.controller.end(10.0)
    with Book(book) as kept:
        _, told, measured_there = kept.job(1).entries
    assert "“visa:bench”, and is “visa:other”" in told.notes[0]
    assert measured_there.source == "visa:other"


def test_a_lost_source_stops_the_measurement_and_says_why(window, session):
    measure_speed(window)
    session.fault = "the source went away while it was measured"
    refresh(window)
    assert window.controller.remark == session.fault
    assert window.controller.part is None
    session.fault = ""
    session.now = View(phase=Phase.FAILED)
    press(KEY.Key_Return)
    assert "No source is running" in window.controller.remark


def test_a_source_that_does_not_fit_is_told_at_once(window, session):
    measure_speed(window)
    fits, other = view(0.02), view(0.02, virtual=False, source="sound:a")
    for shown, told in ((fits, False), (other, True), (other, True), (fits, False)):
        session.now = shown
        window.needle_page.job.refresh(shown, time.monotonic())
        assert ("the source is a real one" in window.controller.remark) is told


def test_no_job_begins_on_a_capture_that_is_at_its_end(open_window, session, tmp_path):
    window = open_window(session, tmp_path / "book.sqlite3")
    session.now = replace(session.view(), phase=Phase.ENDED, source="file:a.wav", virtual=False)
    window.begin_job("machine 7", "130mm-48tpi")
    assert window.controller.job is None
    assert "A capture is over" in window.drives_page.status


def test_backspace_gives_up_a_measurement(window, session):
    measure_speed(window)
    ask = window.controller.job.ask
    press(KEY.Key_Backspace)
    assert (window.controller.part, session.wanted) == (None, None)
    assert window.controller.job.ask == ask


@pytest.mark.parametrize("looks_every", [1, 28])
def test_an_arrival_is_noticed_without_a_key(window, session, looks_every):
    """By a window that is busy for three seconds, too."""
    go_to(window, CheckName.HYSTERESIS, Stage.AS_FOUND)
    while window.controller.job.ask.action is not Action.ARRIVE_FROM_OUTSIDE:
        press(KEY.Key_Return)
    assert "is watched" in window.needle_page.job.card.live
    session.quick = False
    now_s = time.monotonic()
    analysed = []

    def show(made, seconds):
        nonlocal now_s
        for _ in range(round(seconds / 0.1)):
            now_s += 0.1
            analysed.append((replace(made, end_index=len(analysed) + 1), now_s))
            if len(analysed) % looks_every:
                continue
            session.now = view(0.02, now_s, reading=made, analysed=tuple(analysed))
            window.needle_page.job.refresh(session.now, now_s)

    show(reading(0.02), 0.5)
    show(parked(readings.NO_CARRIER.text), 0.8)
    assert looks_every > 1 or window.needle_page.job.card.live == "The head is away."
    show(reading(0.02), 1.5)
    assert isinstance(window.controller.job.ask, Measure)
    assert session.wanted is Measurand.RADIAL


def test_the_virtual_hand_does_it_for_practice(window, session):
    while getattr(window.controller.job.ask, "action", None) is not Action.PROVE_PROTECT:
        press(KEY.Key_Return)
    press(KEY.Key_Return, modifier=SHIFT)
    assert session.controls.done == [("insert", "protected"), ("write", "2F")]
    press(KEY.Key_Return, modifier=SHIFT)  # what it sees, not the button in focus
    assert window.controller.job.ask.action is Action.CLEAN_HEADS
    session.controls = None
    before = window.controller.job.ask
    press(KEY.Key_Return, modifier=SHIFT)
    assert window.controller.job.ask == before
    window.needle_page.job.show_job()
    assert not window.needle_page.job.card.may_lend


def test_a_hand_is_doubted_once_a_late_analysis_has_come_so_far(window):
    """A reading of 0.9 s ago is stale on the needle, and all that a busy computer has."""
    controller, lag_s = window.controller, 0.9
    go_to(window, CheckName.HYSTERESIS, Stage.AS_FOUND)
    while not getattr(controller.job.ask, "noticed", False):
        press(KEY.Key_Return)
        refresh(window)
    now_s = time.monotonic()

    def refresh_at(seconds):
        late = view(0.02, now_s + seconds - lag_s)
        window.needle_page.job.refresh(
            replace(late, reading=parked(readings.STALE.text)), now_s + seconds
        )

    refresh_at(0.0)
    press(KEY.Key_Return)
    for seconds in (0.1, 1.0, 2.0, 2.3):
        refresh_at(seconds)
        assert controller.doubt is None
    refresh_at(2.7)
    assert controller.doubt is not None


def test_a_nudge_of_the_virtual_hand_is_not_done_again_while_nothing_is_seen(open_window, book):
    session = MeasuringSession(0.3)
    window = open_window(session, book, ticking=False)
    window.tick()
    window.begin_job("machine 7", "130mm-48tpi")
    controller = window.controller
    go_to(window, CheckName.ADJUST)

    def lend_and_see_nothing():
        press(KEY.Key_Return, modifier=SHIFT)
        now_s = time.monotonic()
        for seconds in (0.0, 2.0):
            window.needle_page.job.refresh(view(0.3, now_s + seconds), now_s + seconds)

    for _ in range(50):
        if getattr(controller.job.ask, "action", None) is Action.NUDGE:
            break
        lend_and_see_nothing()
        if controller.doubt is not None:
            press(KEY.Key_Return)
    nudge = controller.job.ask
    lend_and_see_nothing()
    assert controller.job.ask is nudge
    assert controller.doubt is not None
    # Asked once more the hand stands by what it has done, which the record tells.
    press(KEY.Key_Return, modifier=SHIFT)
    assert controller.job.ask is not nudge
    assert controller.doubt is None
    assert [name for name, *_ in session.controls.done].count("nudge") == 1


def walk(qtbot, window, reason="practice"):
    """Go through the job as the virtual hand, to its end."""
    for _ in range(400):
        if window.controller.job.closed:
            return
        if window.controller.writing:
            qtbot.keyClicks(window.needle_page.job.entry, reason)
        lends = window.controller.may_lend_hand
        press(KEY.Key_Return, modifier=SHIFT if lends else PLAIN)
        refresh(window)
        see_nothing(window)
        if window.controller.doubt is not None:
            press(KEY.Key_Return)
            refresh(window)
    raise AssertionError("the job does not end")


def test_the_whole_job_by_keys_is_in_the_book(qtbot, window, book):
    walk(qtbot, window)
    assert window.needle_page.job.card.button == "See the report"
    window.controller.end(10.0)
    with Book(book) as kept:
        (shelved,) = kept.drives()
        assert shelved.drive.identity == "machine 7"
        record = kept.job(shelved.last.number)
    assert record.closed_at
    assert record.closing_reason == "practice"
    assert len(record.outcomes) == len(window.controller.job.steps)
    assert record.head.virtual


def test_a_done_check_is_looked_at_and_done_again(qtbot, window):
    press(KEY.Key_F8)
    qtbot.keyClicks(window.needle_page.job.entry, "not now")
    press(KEY.Key_Return)
    press(KEY.Key_Up)
    card = window.needle_page.job.card
    assert (card.button, card.verdict) == ("Do it again", Verdict.SKIPPED)
    assert "not now" in card.words
    press(KEY.Key_Return)
    assert window.controller.job.step.check is CheckName.CARE


def test_closing_early_wants_a_reason(qtbot, window):
    press(KEY.Key_F8, modifier=SHIFT)
    assert "Not done: 31 checks" in window.needle_page.job.card.words
    press(KEY.Key_Return)
    assert not window.controller.job.closed
    qtbot.keyClicks(window.needle_page.job.entry, "museum closes")
    press(KEY.Key_Return)
    assert window.controller.job.closed
    assert window.controller.job.closing_reason == "museum closes"


@pytest.mark.few(1)
@pytest.mark.parametrize("text", HOSTILE, ids=["markup", "quotes", "right-to-left", "10 kB"])
def test_hostile_words_stay_words(window, book, text):
    window.begin_job(text[:300], "130mm-48tpi")
    press(KEY.Key_F8)
    window.needle_page.job.entry.setText(text)
    width = window.width()
    press(KEY.Key_Return)
    reason = window.controller.job.steps[0].outcome.reason
    assert reason == text[:2000]
    press(KEY.Key_Up)
    window.tick()
    window.grab()
    assert window.width() == width
    assert "\u202e" not in window.needle_page.job.card.words
    window.controller.end(10.0)
    with Book(book) as kept:
        number = kept.history(text[:300].strip())[0].number
        assert kept.job(number).outcomes[0].reason == reason


def test_a_book_that_cannot_be_written_is_told_and_the_job_goes_on(
    qtbot, open_window, session, tmp_path
):
    blocked = tmp_path / "file"
    blocked.write_text("no folder")
    window = open_window(session, blocked / "book.sqlite3", ticking=False)
    window.begin_job("machine 7", "130mm-48tpi")

    def told():
        refresh(window)
        return window.controller.fault

    qtbot.waitUntil(lambda: bool(told()))
    assert str(blocked) in window.controller.fault
    before = window.controller.job.ask
    press(KEY.Key_Return)
    assert window.controller.job.ask != before
    window.tick()
    assert window.needle_page.meter.face.balance == pytest.approx(0.02)
    window.controller.leave()


def test_the_aim_is_chosen_by_keys_and_stands_on_the_card(window):
    press(KEY.Key_F10, modifier=SHIFT)
    card = window.needle_page.job.card
    assert card.choices == ("alignment disk", "stated offset", "as found", "archive's disk")
    assert "The aim now: the zero of the alignment disk." in card.words
    window.controller.go_on("as found")
    assert "the way back is not known" in window.controller.remark
    window.controller.go_on("stated offset")
    assert window.needle_page.job.card.entry.startswith("µm, −152 to 152")
    window.controller.go_on("400")
    assert "an aim of +400 µm cannot be read" in window.controller.remark
    window.controller.go_on("25")
    assert window.controller.job.aim.um == 25.0
    assert window.controller.writing is Writing.NOTHING
    go_to(window, CheckName.ADJUST)
    title = "Adjust, to stated offset, +25.0 µm from the zero of the alignment disk"
    assert window.needle_page.job.card.title == title


def test_the_middle_becomes_the_needles_zero_on_request(window, session):
    window.tick()
    press(KEY.Key_F10)
    assert not window.needle_page.meter.face.zeroed  # it is not known yet
    balances = itertools.cycle((0.04, 0.0))
    current = 0.0
    session.now = lambda: view(current)
    go_to(window, CheckName.HYSTERESIS, Stage.AS_FOUND)
    for _ in range(40):
        if window.controller.job.step.check is not CheckName.HYSTERESIS:
            break
        arrives = getattr(window.controller.job.ask, "noticed", False)
        current = next(balances) if arrives else 0.04
        press(KEY.Key_Return)
        refresh(window)
        see_nothing(window)
        if window.controller.doubt is not None:
            press(KEY.Key_Return)
            refresh(window)
    # 0.04 of balance on a scale of 178 µm is 7.1 µm of hysteresis; the head came from inside last.
    assert window.controller.zero_um == pytest.approx(-3.56, abs=0.01)
    go_to(
        window, CheckName.SPEED, Stage.AS_FOUND
    )  # where nothing is set, the person has the choice
    current = window.controller.zero_um / window.controller.job.profile.scale_um
    press(KEY.Key_F10)
    window.tick()
    face = window.needle_page.meter.face
    assert face.zeroed
    assert face.balance == pytest.approx(0.0, abs=1e-4)
    assert "middle of the hysteresis" in face.detail
    press(KEY.Key_F10)
    window.tick()
    assert not window.needle_page.meter.face.zeroed


def ask_for_a_nudge(window, monkeypatch, amount_um):
    """Let the job ask for a nudge in *adjust*, its hysteresis of 7 µm known."""
    go_to(window, CheckName.ADJUST, Stage.WORK)
    job = window.controller.job
    situation = job._run.situation
    situation.known = replace(situation.known, hysteresis_um=Quantity(7.0, 0.1))
    situation.drive = replace(situation.drive, arrived=Side.OUTWARD)
    words = Message(messages.NUDGE_CLOCKWISE.text, ("0.5", "0.2", "9"))
    ask = Do(Action.NUDGE, words, amount=amount_um)
    monkeypatch.setattr(type(job), "ask", ask)
    window.controller.changed.emit()


def test_while_the_head_is_set_needle_strip_and_card_have_one_zero(window, session, monkeypatch):
    ask_for_a_nudge(window, monkeypatch, -14.3)
    session.now = lambda: view(0.1)
    page = window.needle_page
    page._slow_at_s = page._strip_at_s = float("-inf")
    window.tick()
    page._strip_at_s = float("-inf")
    window.tick()
    # 0.1 of balance reads 17.8 µm here; the middle is half of the hysteresis inward of it.
    face = page.meter.face
    assert (face.zeroed, face.offset.text) == (True, "14.3 µm")
    assert page.job.card.live == "The middle is 14.3 µm outward."
    assert page.strip.isVisible()
    assert "from the middle" in page.strip.accessibleDescription()
    last = page.strip._curve.getData()[1][-1]
    expected = float(session.now().strip_balance[-1]) - 3.5 / window.controller.job.profile.scale_um
    assert last == pytest.approx(deflection(expected), abs=1e-6)
    press(KEY.Key_F10)
    window.tick()
    assert page.meter.face.zeroed
    assert "zero is the middle" in window.controller.remark


def test_the_turn_that_is_left_follows_the_reading(window, session, monkeypatch):
    ask_for_a_nudge(window, monkeypatch, -14.3)
    controller, left = window.controller, []
    for balance in (0.1, 0.06, 0.02, 0.0):
        left.append(controller.left_um(controller.job.ask, reading(balance)))
    assert left == pytest.approx([-14.3, -7.18, -0.06, 3.5])
    unknown = reading(0.02, sign=Sign.UNKNOWN)
    for nothing in (None, unknown, parked()):
        assert controller.left_um(controller.job.ask, nothing) is None
    # The next one counts from where it is asked for.
    assert controller.left_um(replace(controller.job.ask, amount=5.0), reading(0.0)) == 5.0


def test_the_best_mark_goes_with_the_adjusting(window, session, monkeypatch):
    ask_for_a_nudge(window, monkeypatch, -14.3)
    situation = window.controller.job._run.situation
    done = Nudged(-10.0, Quantity(24.3, 0.3), Quantity(14.3, 0.3), None)
    situation.known = replace(situation.known, nudged=(done,))
    assert window.controller.best_um == pytest.approx(14.3)
    monkeypatch.undo()
    go_to(window, CheckName.SPEED)
    assert window.controller.best_um is None


def test_a_zero_of_no_known_middle_is_never_shown(window, session, book):
    controller, page = window.controller, window.needle_page
    situation = controller.job._run.situation
    situation.known = replace(situation.known, hysteresis_um=Quantity(7.0, 0.1))
    situation.drive = replace(situation.drive, arrived=Side.OUTWARD)
    press(KEY.Key_F10)
    window.tick()
    assert page.meter.face.zeroed
    # Gone on with on another day, nobody knows how the head came to rest.
    situation.drive = replace(situation.drive, arrived=None)
    page._refresh_job()
    window.tick()
    assert not page.meter.face.zeroed
    assert not page._zero.isChecked()
    press(KEY.Key_F10)
    window.tick()
    assert not page.meter.face.zeroed
    assert "not known" in controller.remark


def test_off_the_track_of_the_lobes_the_needle_rests_and_sends_no_hand(window, session):
    controller, page = window.controller, window.needle_page
    session.now = lambda: view(0.02)
    go_to(window, CheckName.AZIMUTH)
    controller.job._run.situation.drive = replace(controller.job.drive, disk="alignment", track=34)
    window.tick()
    face = page.meter.face
    assert face.balance is None
    assert "track 34" in face.detail
    assert "move" not in face.headline
    assert face.ratio.text == "–"
    controller.job._run.situation.drive = replace(controller.job.drive, disk="scratch", track=16)
    window.tick()
    assert "scratch disk" in page.meter.face.detail
    controller.job._run.situation.drive = replace(controller.job.drive, disk="alignment", track=16)
    controller.job._run.ask = None
    window.tick()
    assert page.meter.face.balance == pytest.approx(0.02)
    # A source that is gone is told before anything else.
    controller.job._run.situation.drive = replace(controller.job.drive, track=34)
    session.now = view(phase=Phase.LOST)
    window.tick()
    assert "gone" in page.meter.face.detail


def test_another_class_brings_its_limits(window, session):
    session.use = lambda profile: setattr(session, "profile", profile)
    window.begin_job("tall one", "130mm-96tpi")
    assert session.profile.name == "130mm-96tpi"
    assert window.controller.job.profile.name == "130mm-96tpi"
    window.begin_job("nobody", "no such class")
    window.tick()
    assert "no such class" in window.top_bar.words
    assert window.controller.drive.identity == "tall one"


def test_everything_of_the_job_is_reached_by_tab(window):
    wanted = set(window.needle_page.job.focus_order()) - {window.needle_page.job.entry}
    reached = set()
    for _ in range(60):
        reached.add(QApplication.focusWidget())
        press(KEY.Key_Tab)
    missing = {each.accessibleName() for each in wanted if each.isEnabled()} - {
        each.accessibleName() for each in reached
    }
    assert not missing


def test_buttons_of_the_job_are_for_a_gloved_finger(window):
    least = window.needle_page.job.findChild(QAbstractButton).height()
    for button in window.needle_page.job.findChildren(QAbstractButton):
        if button.isVisible() and button.accessibleName():
            assert button.height() >= 46, button.accessibleName()
    assert least >= 46
    sizes = window.needle_page.job.list.sizeHintForRow(0)
    assert sizes >= 46


def test_buttons_of_the_job_stand_in_two_columns_and_the_last_over_both(window):
    *pairs, last = [each.geometry() for each in window.needle_page.job._buttons]
    lefts, rights = pairs[::2], pairs[1::2]
    for left, right in zip(lefts, rights, strict=True):
        assert (left.top(), left.height()) == (right.top(), right.height())
        assert abs(left.width() - right.width()) <= 1
        assert left.right() < right.left()
    # Row under row, as close as they stand beside each other.
    rows = [*lefts, last]
    gaps = [below.top() - above.bottom() for above, below in pairwise(rows)]
    assert len(set(gaps)) == 1
    assert 0 < gaps[0] < lefts[0].height() / 2
    assert (last.left(), last.right()) == (lefts[0].left(), rights[0].right())


def test_in_a_low_column_buttons_stand_in_rows_of_three_as_far_as_they_fit(window, monkeypatch):
    panel = window.needle_page.job
    for width_px, places in (
        (2000, [(0, 0, 1, 1), (0, 1, 1, 1), (0, 2, 1, 1), (1, 0, 1, 1), (1, 1, 1, 2)]),
        (100, [(0, 0, 1, 1), (0, 1, 1, 1), (1, 0, 1, 1), (1, 1, 1, 1), (2, 0, 1, 2)]),
    ):
        monkeypatch.setattr(panel, "width", lambda width_px=width_px: width_px)
        panel._place_buttons(roomy=False)
        grid = panel._grid
        assert [grid.getItemPosition(grid.indexOf(each)) for each in panel._buttons] == places


def left_in(window, book):
    """Leave the job at the bench for another drive's; tells how the book has it."""
    number = window.controller.number
    window.begin_job("machine 8", "130mm-48tpi")

    def written():
        # It is written beside the window: what is awaited may not be there yet.
        with Book(book) as opened:
            return opened.left(number) if opened.standing(number) else None

    return written


def test_an_open_job_is_gone_on_with(qtbot, window, session, book):
    controller = window.controller
    go_to(window, CheckName.RADIAL)
    while controller.job.step.check is CheckName.RADIAL:
        controller.go_on()
        refresh(window)
    qtbot.waitUntil(lambda: controller.number == 1)
    found, steps = controller.job.outcomes, len(controller.job.steps)
    written = left_in(window, book)
    qtbot.waitUntil(lambda: (left := written()) and left.outcomes == found)
    assert controller.job.outcomes == ()
    window.show_drives()
    window.resume(written())
    assert window.page is window.needle_page
    assert (controller.drive.identity, controller.number) == ("machine 7", 1)
    assert controller.job.outcomes == found
    assert len(controller.job.steps) == steps
    assert controller.job.step.check is CheckName.CARE
    # Asked for once more it is only shown.
    job = controller.job
    window.resume(written())
    assert controller.job is job
    controller.skip()
    controller.go_on("done yesterday")
    qtbot.waitUntil(lambda: len(written().outcomes) == len(found) + 1)


def test_a_job_that_was_left_in_mid_measurement_can_go_back_to_the_check_before(
    qtbot, window, session, book
):
    controller = window.controller
    go_to(window, CheckName.RADIAL)
    while controller.job.step.check is CheckName.RADIAL and controller.job.step.head == 0:
        controller.go_on()
        refresh(window)
    (found,) = controller.job.outcomes
    session.quick = False
    while controller.part is None:
        controller.go_on()
        see_nothing(window)
    assert isinstance(controller.job.ask, Measure)
    written = left_in(window, book)
    qtbot.waitUntil(lambda: (left := written()) and left.outcomes == (found,))
    session.quick = True
    window.resume(written())
    job = controller.job
    assert job.step.check is CheckName.CARE
    assert not job.can_undo

    def may_go_back():
        refresh(window)
        assert window.needle_page.job._buttons[1].isEnabled()

    # What ended last is only looked at: a key too many changes nothing.
    for title in ("Radial, side 0, as found: ", "Before power, as found", "Radial, side 0"):
        qtbot.waitUntil(may_go_back)
        press(KEY.Key_Backspace)
        assert window.needle_page.job.card.title.startswith(title)
    steps = len(job.steps)
    assert window.needle_page.job.card.button == "Do it again"
    press(KEY.Key_Return)
    assert (job.step.check, job.step.head, job.step.stage) == (
        CheckName.RADIAL,
        0,
        Stage.AS_FOUND,
    )
    assert len(job.steps) == steps + 1
    assert job.outcomes == (found,)
    # An answer of this check is taken back before the check before is looked at.
    controller.go_on()
    see_nothing(window)
    controller.go_on()
    assert job.can_undo
    press(KEY.Key_Backspace)
    assert not controller.elsewhere


def test_a_job_that_does_not_fit_stays_in_the_book(qtbot, window, session, book):
    controller = window.controller
    qtbot.waitUntil(lambda: controller.number == 1)
    written = left_in(window, book)
    qtbot.waitUntil(lambda: written() is not None)
    left = written()
    now = controller.job
    shown = session.view

    def says(view, words):
        session.view = lambda: view
        window.resume(left)
        assert words in window.drives_page.status
        assert controller.job is now

    says(replace(shown(), phase=Phase.OPENING), "No source is running")
    says(replace(shown(), virtual=False), "begun on the virtual drive")
    left = replace(left, head=replace(left.head, profile="gone"))
    says(shown(), "gone")


def test_a_closed_job_is_put_away(qtbot, window, session):
    def closed():
        window.begin_job("machine 7", "130mm-48tpi")
        press(KEY.Key_F8, modifier=SHIFT)
        qtbot.keyClicks(window.needle_page.job.entry, "museum closes")
        press(KEY.Key_Return)
        assert window.controller.job.closed
        assert window.needle_page.job.isVisible()

    closed()
    press(KEY.Key_Backspace)
    assert window.controller.job is None
    assert window.controller.best_um is None
    window.tick()
    assert not window.needle_page.job.isVisible()
    closed()
    window.open_source(Opening("sim:seed=2"))
    assert window.controller.job is None


def test_an_open_job_stays_when_a_source_is_opened(window, session):
    window.open_source(Opening("sim:seed=2"))
    assert window.controller.job is not None


def test_a_job_is_described_from_its_report(qtbot, window, book):
    qtbot.waitUntil(lambda: window.controller.number is not None)
    number = window.controller.number
    window.show_report("machine 7", number)
    window.report_page.ask_to_describe()
    page = window.describe_page
    assert window.page is page

    def answered():
        page.refresh()
        return page.status == ""

    qtbot.waitUntil(answered)
    page.fields["technician"].setText("A. Example")
    press(KEY.Key_Return)

    def kept():
        page.refresh()
        return window.page is window.report_page

    qtbot.waitUntil(kept)
    with Book(book) as opened:
        assert opened.job(number).head.conditions == (("technician", "A. Example"),)
    window.report_page.ask_to_describe()
    qtbot.waitUntil(answered)
    assert page.fields["technician"].text() == "A. Example"
    press(KEY.Key_Escape)
    assert window.page is window.report_page


def test_a_job_goes_by_what_the_book_knows_of_its_disk(qtbot, window, session, book):
    session.use = lambda profile: setattr(session, "profile", profile)
    with Book(book) as opened:
        opened.add_drive(DRIVE)
        calibrate(opened, CheckName.SCALE, 181.5, 1.5, virtual=session.origin().virtual)
    window.begin_job("machine 7", "130mm-48tpi", disk="AD 7")
    assert window.controller.job.profile.scale_um == session.profile.scale_um == 181.5
    assert "used: scale 181.5 ± 3.3 µm of disk “AD 7”" in window.controller.remark
    # The class is chosen anew, with another source: the job keeps what it goes by.
    window.use_class("130mm-48tpi")
    assert session.profile == window.controller.job.profile
    qtbot.waitUntil(lambda: window.controller.number is not None)
    left = left_in(window, book)
    assert window.controller.job.profile == session.profile == load_profile("130mm-48tpi")
    assert "no disk is named" in window.controller.remark
    qtbot.waitUntil(lambda: left() is not None)
    found = left()
    assert dict(found.head.conditions)["alignment disk"] == "AD 7"
    window.resume(found)
    assert window.controller.job.profile.scale_um == session.profile.scale_um == 181.5


@pytest.mark.parametrize("by", ["the card", "another source"])
def test_the_needle_goes_by_the_class_again_once_a_calibrated_job_is_put_away(
    window, session, book, by
):
    used = []

    def use(profile):
        used.append(profile.scale_um)
        session.profile = profile

    session.use = use
    with Book(book) as opened:
        opened.add_drive(DRIVE)
        calibrate(opened, CheckName.SCALE, 181.5, 1.5, virtual=session.origin().virtual)
    window.begin_job("machine 7", "130mm-48tpi", disk="AD 7")
    window.controller.job.close("the end of the day")
    assert session.profile.scale_um == 181.5
    if by == "the card":
        window.controller.back()
    else:
        window.open_source(Opening("sim:offset_um=5"))
    assert window.controller.job is None
    assert session.profile == load_profile("130mm-48tpi")
    # Another source is opened by it; what is open is opened again for no other reason.
    assert used == [181.5, *([session.profile.scale_um] if by == "the card" else [])]


def test_a_book_that_cannot_be_read_keeps_no_job_from_beginning(window, book):
    for each in book.parent.glob(f"{book.name}*"):
        each.unlink()
    book.mkdir()
    window.begin_job("machine 8", "130mm-48tpi", disk="AD 7")
    assert window.controller.drive.identity == "machine 8"
    assert not window.controller.job.profile.calibrated


def test_a_job_of_another_class_is_gone_on_with_by_its_own(qtbot, window, session, book):
    used = []

    def use(profile):
        used.append(profile.name)
        session.profile = profile

    session.use = use
    window.begin_job("tall one", "130mm-96tpi")
    qtbot.waitUntil(lambda: window.controller.number is not None)
    left = left_in(window, book)
    qtbot.waitUntil(lambda: left() is not None)
    window.resume(left())
    # What is open is opened again by each: else it would be measured by the class before.
    assert used == ["130mm-96tpi", "130mm-48tpi", "130mm-96tpi"]
    assert window.controller.job.profile == window.chosen_class == load_profile("130mm-96tpi")
