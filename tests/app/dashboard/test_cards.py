"""What the column says of a job at each moment, on jobs that a test makes up."""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from PySide6.QtWidgets import QWidget

from app.analysis.adjust.nudging import LockAdvice
from app.analysis.adjust.positioner import ArrivalState
from app.analysis.budget import Part
from app.analysis.results import Measurand, Message, Quantity, Verdict
from app.dashboard.job_panel.bars import BudgetBars
from app.dashboard.job_panel.controller import Writing
from app.dashboard.job_panel.panel import Card, CardView, card_of
from app.dashboard.job_panel.text import (
    away_words,
    budget_bars,
    done_words,
    outcome_words,
    rows_of,
    step_title,
)
from app.dashboard.style import LIGHT, Sizes
from app.job import messages
from app.job.model import (
    ALIGNMENT,
    SCRATCH,
    Action,
    CheckName,
    Do,
    Enter,
    Limit,
    Measure,
    Outcome,
    Stage,
    Summary,
    Value,
)
from app.job.plan import Step, StepState
from app.numbers import Unit
from app.profiles import load_profile
from tests.app.dashboard.fakes import reading
from tests.app.dashboard.painting import painted_by, texts

PROFILE = load_profile("130mm-48tpi")
RADIAL = Step(CheckName.RADIAL, Stage.AS_FOUND, 1, StepState.IN_HAND)
LOCK = Step(CheckName.LOCK, Stage.WORK)
NUDGE = Do(Action.NUDGE, Message(messages.NUDGE_CLOCKWISE.text, ("1.5", "0.4", "20")))
PASSED = Outcome(CheckName.SPEED, Stage.AS_FOUND, Verdict.PASS, value=300.0, u=0.05, unit="rpm")


def made_job(**changes):
    shown = {
        "profile": PROFILE,
        "steps": [replace(RADIAL, state=StepState.DONE, outcome=PASSED), RADIAL, LOCK],
        "step": RADIAL,
        "ask": Do(Action.SEEK, Message("Seek track {0}.", ("16",))),
        "closed": False,
        "can_undo": True,
        "may_close": False,
        "open_failures": (),
        "as_found": Summary(),
        "as_left": Summary(),
        "drive": SimpleNamespace(disk=ALIGNMENT, track=16),
    }
    return SimpleNamespace(**{**shown, **changes})


def card(job, shown=None, **changes):
    controller = {
        "job": job,
        "writing": Writing.NOTHING,
        "elsewhere": False,
        "chosen": 1,
        "part": None,
        "may_lend_hand": False,
        "may_lend_line": False,
        "line": None,
        "hand": SimpleNamespace(arrival=None, lock=None, left_s=None, has_nudged=False),
        "zero_um": 0.0,
        "doubt": None,
        "asks_source": False,
        "left_um": lambda *_: None,
        "ended_last": None,
        "unit": Unit.UM,
    }
    return card_of(SimpleNamespace(**{**controller, **changes}), shown)


def test_without_a_job_the_card_is_empty():
    assert card(None) == Card()
    assert card(None).may_close
    assert not any((card(None).may_skip, card(None).may_back, card(None).may_lend))


def test_what_is_to_be_done():
    assert card(made_job()) == Card(
        "Radial, side 1, as found",
        "Seek track 16.",
        button="Done",
        may_skip=True,
        may_back=True,
    )


@pytest.mark.parametrize("lends", [True, False])
@pytest.mark.parametrize(
    ("undo", "part", "back"), [(True, None, True), (False, None, False), (False, 0.4, True)]
)
def test_what_may_be_done_besides(lends, undo, part, back):
    shown = card(made_job(can_undo=undo), part=part, may_lend_hand=lends)
    assert (shown.may_lend, shown.may_back, shown.may_skip) == (lends, back, True)
    assert shown.may_close


@pytest.mark.parametrize(
    ("track", "part", "words"),
    [
        (None, None, "Ready to measure: 12 turns."),
        (34, None, "Ready to measure: 12 turns, track 34, side 1."),
        (34, 0.0, "Hold still."),
        (34, 0.4, "Hold still."),
    ],
)
def test_a_measurement_to_come_and_one_under_way(track, part, words):
    ask = Measure(Measurand.RADIAL, Message("Hold still."), "x", 12, track, 1)
    shown = card(made_job(ask=ask), part=part)
    assert (shown.words, shown.button, shown.part) == (words, "Measure", part)
    assert shown.entry is None


@pytest.mark.parametrize(
    ("ask", "entry"),
    [
        (Enter("t", Message("How warm?"), "°C", 5.0, 40.0), "°C  5 to 40; empty: not known"),
        (Enter("t", Message("How warm?"), "", 0.5, 40.0), "0.5 to 40; empty: not known"),
        (Enter("t", Message("How warm?"), "°C", None, 40.0), "°C"),
        (Enter("t", Message("How warm?"), "°C", 5.0, None), "°C"),
        (Enter("t", Message("How warm?")), ""),
        (Enter("t", Message("How warm?"), choices=("yes", "no")), None),
    ],
)
def test_what_is_typed_or_chosen(ask, entry):
    shown = card(made_job(ask=ask))
    assert (shown.words, shown.button) == ("How warm?", "Enter")
    assert (shown.entry, shown.choices) == (entry, ask.choices)


@pytest.mark.parametrize(
    ("key", "action", "values", "figure"),
    [
        ("NUDGE_CLOCKWISE", Action.NUDGE, ("1.5", "0.4", "20"), "↻ 1.5°   0.4 mm"),
        ("NUDGE_TRIAL", Action.NUDGE, ("1.5", "0.4"), "↻ 1.5°   0.4 mm"),
        ("NUDGE_COUNTER", Action.NUDGE, ("1.5", "0.4", "20"), "↺ 1.5°   0.4 mm"),
        ("NUDGE_TO_SEE", Action.NUDGE, ("1.5", "0.4"), "1.5°   0.4 mm"),
        ("NUDGE_CLOCKWISE", Action.TIGHTEN, ("1.5", "0.4", "20"), ""),
        ("MAINS", Action.NUDGE, ("1.5",), ""),
    ],
)
def test_how_far_the_body_is_to_be_turned(key, action, values, figure):
    message = Message(getattr(messages, key).text, values)
    assert card(made_job(ask=Do(action, message))).figure == figure


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (ArrivalState.ON_TRACK, "The head is on the track; it is watched."),
        (ArrivalState.AWAY, "The head is away."),
        (ArrivalState.SETTLING, "The head is back; it settles."),
        (ArrivalState.ARRIVED, ""),
    ],
)
def test_an_arrival_is_told_with_or_without_a_reading(state, words):
    hand = SimpleNamespace(arrival=SimpleNamespace(state=state), lock=None, left_s=None)
    for shown in (None, reading(0.02)):
        assert card(made_job(ask=NUDGE), shown, hand=hand).live == words


def lock(finding=None, advice=LockAdvice.GO_ON):
    return SimpleNamespace(
        arrival=None, lock=SimpleNamespace(finding=finding, advice=advice), left_s=None
    )


def test_tightening_is_followed():
    job = made_job(ask=Do(Action.TIGHTEN, Message("Tighten.")))
    moved = SimpleNamespace(moved_um=Quantity(-1.25, 0.1))
    waiting = "Wait with the screws: where the head is now is being measured."
    assert card(job, reading(0.02), hand=lock()).live == waiting
    told = card(job, reading(0.02), hand=lock(moved)).live
    assert told == "Tightening has moved the head by −1.2 µm."
    told = card(job, reading(0.02), hand=lock(moved, LockAdvice.BACK_OFF)).live
    assert told == "Tightening has moved the head by −1.2 µm. Back off: it has gone too far."
    for nothing in (None, reading(0.02, valid=False)):
        assert card(job, nothing, hand=lock(moved)).live == ""


def test_speed_is_followed_while_it_is_trimmed():
    job = made_job(ask=Do(Action.TRIM_SPEED, Message("Trim.")))
    slow = reading(0.02, speed_rpm=Quantity(297.0, 0.02))
    assert card(job, slow).live == "297.00 rpm, −1.00 %"
    assert card(job, reading(0.02, speed_rpm=Quantity(300.0, 0.02))).live == "300.00 rpm, +0.00 %"
    assert card(job, replace(slow, speed_rpm=None)).live == ""
    assert card(job, replace(slow, valid=False)).live == ""
    assert card(made_job(), slow).live == ""


@pytest.mark.parametrize(
    ("offset_um", "zero_um", "words"),
    [
        (5.0, 2.0, "The middle is 3.0 µm outward."),
        (-5.0, 2.0, "The middle is 7.0 µm inward."),
        (2.0, 2.0, "The middle is less than 0.1 µm away."),
    ],
)
def test_the_middle_is_followed_while_it_is_nudged(offset_um, zero_um, words):
    shown = reading(0.02, offset_um=Quantity(offset_um, 0.1))
    assert card(made_job(ask=NUDGE), shown, zero_um=zero_um).live == words
    assert card(made_job(), shown, zero_um=zero_um).live == ""
    assert card(made_job(ask=NUDGE), replace(shown, offset_um=None)).live == ""
    assert card(made_job(ask=NUDGE), None).live == ""
    far_enough = SimpleNamespace(arrival=None, lock=None, left_s=None, has_nudged=True)
    told = card(made_job(ask=NUDGE), shown, hand=far_enough).live
    assert told == "Once the head stands still, it is measured."


def test_a_reason_for_leaving_out():
    shown = card(made_job(), writing=Writing.SKIP, part=0.4, elsewhere=True)
    assert shown == Card(
        "Radial, side 1",
        "Leave this check out: give the reason, which is kept.",
        button="Leave out",
        entry="reason",
        may_back=True,
    )
    assert card(made_job(step=None), writing=Writing.SKIP).title == ""


def test_a_reason_for_closing_says_what_is_open():
    failed = replace(PASSED, verdict=Verdict.FAIL, value=301.5)
    worse = replace(failed, check=CheckName.LOCK, value=None)
    shown = card(made_job(open_failures=(failed, worse)), writing=Writing.CLOSE)
    assert shown == Card(
        "Close the job with what is open",
        "Failed: Spindle speed: 301.50 ± 0.10 rpm; Lock.\nNot done: 2 checks.\n"
        "Give the reason, which is kept.",
        button="Close the job",
        entry="reason",
        may_back=True,
    )
    # What was looked at without a result has not failed, and of two sides each is named.
    unseen = [
        replace(worse, check=CheckName.OUTPUT, side=side, verdict=Verdict.UNDECIDED)
        for side in (0, 1)
    ]
    words = card(made_job(open_failures=(worse, *unseen)), writing=Writing.CLOSE).words
    assert words.splitlines()[:2] == [
        "Failed: Lock.",
        "Without a result: Head output, side 0; Head output, side 1.",
    ]
    done = [replace(RADIAL, state=StepState.DONE), replace(LOCK, state=StepState.SKIPPED)]
    assert card(made_job(steps=done), writing=Writing.CLOSE).words == (
        "Give the reason, which is kept."
    )


def test_a_closed_job_tells_what_has_changed():
    found = Summary(Value("offset", 12.5, 0.25, "µm"), None, Value("speed", 301.0, 0.05, "rpm"))
    left = Summary(
        Value("offset", -1.5, 0.25, "µm"),
        Value("h", 2.0, 0.1, "µm"),
        Value("s", 300.0, 0.05, "rpm"),
    )
    shown = card(made_job(closed=True, as_found=found, as_left=left), elsewhere=True)
    assert shown == Card(
        "The job is closed",
        "As found → as left:\noffset  12.50 ± 0.50 → −1.50 ± 0.50 µm\n"
        "speed  301.00 ± 0.10 → 300.00 ± 0.10 rpm",
        live="⌫ puts the job away.",
        button="See the report",
        may_back=True,
        may_close=False,
    )


def test_a_closed_job_that_moved_nothing_tells_what_was_found():
    nothing = Summary(None, None, None)
    found = replace(nothing, speed_rpm=Value("speed", 301.0, 0.05, "rpm"))
    for as_found, words in (
        (found, "As found:\nspeed  301.00 ± 0.10 rpm"),
        (nothing, "Neither offset nor hysteresis nor speed was measured."),
    ):
        assert card(made_job(closed=True, as_found=as_found, as_left=nothing)).words == words


def test_a_check_that_is_looked_at():
    shown = card(made_job(), elsewhere=True, chosen=2)
    assert shown == Card("Lock", "Not done yet.", button="Take it in hand", may_back=True)
    assert card(made_job(), elsewhere=True, chosen=0) == Card(
        "Radial, side 1, as found: pass",
        "300.00 ± 0.10 rpm",
        button="Do it again",
        verdict=Verdict.PASS,
        may_back=True,
    )
    assert card(made_job(), elsewhere=False, chosen=2).button == "Done"


@pytest.mark.parametrize("gone", [{"step": None}, {"ask": None}, {"step": None, "ask": None}])
def test_when_all_has_ended(gone):
    assert card(made_job(**gone, may_close=True)) == Card(
        "Nothing more to do", "Every check has ended, and none is failed.", button="Close the job"
    )
    assert card(made_job(**gone)).words.startswith("Not done: 2 checks.")


def test_an_outcome_is_told_with_its_limit_reason_and_what_follows():
    details = tuple(Value(f"d{number}", 1.0, 0.25, "µm") for number in range(8))
    failed = replace(
        PASSED,
        verdict=Verdict.FAIL,
        value=310.0,
        limit=Limit(295.5, 304.5, "rpm", "format standards"),
        reason="it\nhunts",
        details=details,
    )
    value, limit, reason, following, rest = outcome_words(failed).split("\n")
    assert (value, reason) == ("310.00 ± 0.10 rpm", "it hunts")
    assert limit == "limit 295.5 to 304.5 rpm (format standards)"
    assert following.startswith("Next: ")
    assert rest == " · ".join(f"d{number} 1.00 ± 0.50 µm" for number in range(6))
    plain = replace(failed, limit=replace(failed.limit, source=""), details=())
    assert "limit 295.5 to 304.5 rpm\n" in outcome_words(plain)
    assert outcome_words(replace(PASSED, value=None)) == ""
    assert outcome_words(replace(PASSED, reason="x" * 500)).endswith("(shortened: 500 characters)")


def test_rows_tell_side_stage_and_state():
    skipped = replace(LOCK, state=StepState.SKIPPED)
    rows = rows_of(made_job(steps=[*made_job().steps, skipped]))
    assert [(row.name, row.stage, row.word, row.value) for row in rows] == [
        ("Radial, side 1", "as found", "pass", "300.00 ± 0.10 rpm"),
        ("Radial, side 1", "as found", "in hand", ""),
        ("Lock", "work", "", ""),
        ("Lock", "work", "skipped", ""),
    ]
    assert [row.verdict for row in rows] == [Verdict.PASS, None, None, None]
    assert [row.state for row in rows] == [
        StepState.DONE,
        StepState.IN_HAND,
        StepState.PENDING,
        StepState.SKIPPED,
    ]
    assert done_words(made_job(steps=[*made_job().steps, skipped])) == "2 of 4 done"


@pytest.mark.parametrize("check", [CheckName.RADIAL, CheckName.AZIMUTH, CheckName.INDEX])
def test_a_side_is_named_where_there_are_two(check):
    step = Step(check, Stage.AS_LEFT, 1)
    assert ", side 1, as left" in step_title(step, 2)
    assert "side" not in step_title(step, 1)
    assert "side" not in step_title(Step(CheckName.SPEED, Stage.AS_LEFT, 1), 2)


@pytest.mark.parametrize(
    ("head", "title"), [(0, "Hysteresis, as found"), (1, "Hysteresis, side 1, as found")]
)
def test_arrivals_of_the_second_head_are_named_by_it(head, title):
    assert step_title(Step(CheckName.HYSTERESIS, Stage.AS_FOUND, head), 2) == title


TRACK = PROFILE.alignment_track
FAR = f"The head is to be on track 34; the lobes are on track {TRACK}."


class Line:
    def __init__(self, aim):
        self.aim = aim

    def takes(self, ask):
        return True


@pytest.mark.parametrize(
    ("aim", "state", "words"),
    [
        (14, ArrivalState.ON_TRACK, "By wire: the head goes to track 14."),
        (None, ArrivalState.ON_TRACK, "By wire. The head is on the track; it is watched."),
        (None, ArrivalState.AWAY, "By wire. The head is away."),
        (None, ArrivalState.SETTLING, "By wire. The head is back; it settles."),
        (None, None, "By wire."),
    ],
)
def test_what_a_line_steps(aim, state, words):
    hand = SimpleNamespace(arrival=None if state is None else SimpleNamespace(state=state))
    shown = card(made_job(), line=Line(aim), hand=hand, may_lend_hand=True)
    assert (shown.live, shown.button) == (words, "By hand")
    # It is at work: nobody else is offered.
    assert not shown.may_lend


def test_a_line_that_the_hands_have_relieved_is_offered():
    shown = card(made_job(), may_lend_line=True)
    assert (shown.may_lend, shown.by_wire, shown.button) == (True, True, "Done")


SEEK = Do(Action.SEEK, Message("Seek."), track=34)


@pytest.mark.parametrize(
    ("disk", "track", "ask", "words"),
    [
        (ALIGNMENT, TRACK, None, ""),
        (ALIGNMENT, None, None, ""),
        (ALIGNMENT, 34, None, FAR),
        (SCRATCH, TRACK, None, "The scratch disk is in the drive: it has no lobes."),
        # On the way to another track it is there as soon as it may be.
        (ALIGNMENT, TRACK, SEEK, FAR),
        (ALIGNMENT, None, SEEK, FAR),
        (ALIGNMENT, 20, replace(SEEK, track=TRACK), FAR.replace("34", "20")),
        (ALIGNMENT, TRACK, replace(SEEK, action=Action.NUDGE), ""),
        (ALIGNMENT, TRACK, Measure(Measurand.RADIAL, Message(""), "", 10, 34, 0), ""),
    ],
)
def test_why_the_head_is_not_where_the_lobes_are(disk, track, ask, words):
    job = made_job(drive=SimpleNamespace(disk=disk, track=track), ask=ask)
    assert away_words(job) == words
    job.closed = True
    assert away_words(job) == ""


@pytest.mark.parametrize(
    ("left_um", "words"),
    [
        (None, "↻ 1.5°   0.4 mm"),
        # 1.8 degrees a step of 529.2 µm are 294 µm a degree, at the flange's 22 mm 0.384 mm.
        (147.0, "↻ 0.50°   0.19 mm"),
        (0.0, "↻ 0.00°   0.00 mm"),
        # What a hand may do still is not shown as nought.
        (3.0, "↻ 0.010°   0.004 mm"),
        (0.2, "↻ <0.001°   <0.001 mm"),
        (-147.0, "↺ 0.50°   0.19 mm"),
    ],
)
def test_the_turn_that_is_left_counts_down_and_back(left_um, words):
    ask = replace(NUDGE, amount=294.0)
    assert card(made_job(ask=ask), left_um=lambda *_: left_um).figure == words


def test_the_largest_parts_of_a_budget_are_bars():
    # Of u 2, 4, 1 and 2 the variance is 25 (JCGM 100, 5.1.2): 16, 64, 4 and 16 % of it.
    parts = [Part(name, u) for name, u in (("a", 2.0), ("b", 4.0), ("c", 1.0), ("d", 2.0))]
    assert [each.words for each in budget_bars(parts)] == ["64 %  b", "16 %  a", "16 %  d"]
    assert budget_bars(parts[:1]) == ()
    assert budget_bars([Part("a", 0.0), Part("b", 0.0)]) == ()
    assert [each.words for each in budget_bars([Part("a", 1.0), Part("b", 0.05)])] == ["100 %  a"]


@pytest.mark.parametrize("unit", [0.83, 1.27, 1.31, 1.96])
def test_bars_are_as_tall_as_their_rows_to_a_pixel(qtbot, monkeypatch, unit):
    column = QWidget()
    qtbot.addWidget(column)
    shown = BudgetBars(column)
    shown.apply_theme(LIGHT, Sizes(unit))
    shown.show_bars(budget_bars([Part("a", 2.0), Part("b", 1.0)]))
    first, second = (
        mark.shape[1] for mark in painted_by(shown, monkeypatch) if mark.kind == "Rect"
    )
    assert abs(shown.height() - 2.0 * (second - first)) <= 0.5


def test_a_bar_is_as_long_as_its_share_and_its_words_are_read_aloud(qtbot, monkeypatch):
    column = QWidget()
    qtbot.addWidget(column)
    shown = BudgetBars(column)
    shown.resize(400, 100)
    shown.show_bars(budget_bars([Part("a", 2.0), Part("b", 1.0)]))
    marks = painted_by(shown, monkeypatch)
    frames, filled = ([m for m in marks if m.kind == kind] for kind in ("Rect", "Fill"))
    # Of u 2 and 1 the variances are 4 and 1: four fifths and one fifth.
    assert [f.shape[2] / w.shape[2] for f, w in zip(filled, frames, strict=True)] == pytest.approx(
        [0.8, 0.2]
    )
    words = [m for m in marks if m.kind == "Text"]
    # Each in the middle of its row, with its words beside it.
    middles = [shown.height() / 4.0, 3.0 * shown.height() / 4.0]
    for things in (frames, words):
        assert [m.shape[1] + m.shape[3] / 2.0 for m in things] == pytest.approx(middles)
    assert all(w.shape[0] >= f.shape[0] + f.shape[2] for f, w in zip(frames, words, strict=True))
    assert set(texts(marks)) == {"80 %  a", "20 %  b"}
    assert shown.accessibleDescription() == "80 %  a; 20 %  b"
    shown.show_bars(())
    assert shown.isHidden()


def test_the_card_shows_the_chosen_unit_and_asks_in_it():
    found = Outcome(
        CheckName.RADIAL,
        Stage.AS_FOUND,
        Verdict.PASS,
        value=25.4,
        u=1.27,
        unit="µm",
        limit=Limit(-25.4, 25.4, "µm", "common practice"),
        reason="the best middle was 5.1 µm from the aim",
    )
    job = made_job(steps=[replace(RADIAL, state=StepState.DONE, outcome=found)])
    shown = card(job, elsewhere=True, chosen=0, unit=Unit.MIL)
    assert shown.words.startswith("1.00 ± 0.10 mil\nlimit within ±1 mil (common practice)")
    assert "0.201 mil from the aim" in shown.words
    assert rows_of(job, Unit.MIL)[0].value == "1.00 ± 0.10 mil"
    warmth = Enter("room temperature", Message("It is 23 °C there."), "°C", -10.0, 50.0)
    asked = card(made_job(ask=warmth), unit=Unit.MIL)
    assert (asked.words, asked.entry) == ("It is 73 °F there.", "°F  14 to 122; empty: not known")


def test_what_a_card_has_no_words_for_is_not_shown(qtbot):
    shown = CardView()
    qtbot.addWidget(shown)
    assert shown.button.property("next")
    for card in (Card("Adjust", "Nudge.", "5 µm in", "The middle is off."), Card("Adjust")):
        shown.show_card(card)
        told = {part.accessibleName(): part.words for part in (shown._figure, shown._live)}
        assert told == {"Next nudge": card.figure, "How far it is": card.live}
        assert shown._figure.isHidden() == (not card.figure)
        assert shown._live.isHidden() == (not card.live)
