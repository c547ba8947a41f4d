"""What a job tells whoever does not look: each thing once, with how it is answered."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from app.analysis.results import Message, Verdict
from app.dashboard.job_panel.panel import Card
from app.dashboard.job_panel.telling import (
    JobTeller,
    asked_words,
    pronounced,
    sentences,
    turning_words,
)
from app.job.model import Action, CheckName, Do, Outcome, Stage
from app.job.plan import Step, StepState
from app.numbers import Unit
from app.profiles import load_profile

PROFILE = load_profile("130mm-48tpi")
SPEED = Step(CheckName.SPEED, Stage.AS_FOUND, 0, StepState.IN_HAND)
FOUND = Outcome(
    CheckName.SPEED,
    Stage.AS_FOUND,
    Verdict.FAIL,
    value=310.0,
    u=0.5,
    unit="rpm",
    ended_at="2026-03-01T10:00:00+00:00",
)
ASK = Card("Radial, as found", "Step to track 16.", button="Done")


def leading(*steps, ask=None, **changes):
    job = SimpleNamespace(steps=steps, ask=ask, profile=PROFILE)
    led = {"job": job, "unit": Unit.UM, "remark": "", "fault": "", "doubt": None}
    return SimpleNamespace(**{**led, **changes})


@pytest.mark.parametrize(
    ("card", "words"),
    [
        (ASK, "Radial, as found. Step to track 16. Enter: Done."),
        (
            Card("Before power", "Did the drive refuse to write?", choices=("yes", "no")),
            "Before power. Did the drive refuse to write? Type the first letter: yes, no.",
        ),
        (
            Card("Before power", "How warm is it?", button="Enter", entry="°C 10 to 35"),
            "Before power. How warm is it? Type it, and then Enter: °C 10 to 35.",
        ),
        # What is under way is not to be asked for again.
        (
            Card("Radial", "Measuring the lobes", button="Measure", part=0.3),
            "Radial. Measuring the lobes.",
        ),
        (
            Card("Adjust", "Turn the body.", figure="↻ 0.52°   1.13 mm", button="Done"),
            "Adjust. Turn the body. clockwise 0.52° 1.13 mm. Enter: Done.",
        ),
    ],
)
def test_an_ask_is_told_with_how_it_is_answered(card, words):
    assert asked_words(card) == words


def test_sentences_end_once():
    assert sentences("One", "two.", "", "three:\n  four  more\nfive") == (
        "One. two. three: four more. five."
    )


def test_no_sign_is_left_that_a_speech_has_no_word_for():
    assert pronounced("↺ 1°, ⌫ puts it away: −3 → 1") == (
        "counter-clockwise 1°, Backspace puts it away: −3 then 1"
    )


def test_each_thing_is_told_once():
    teller = JobTeller()
    assert teller.news(leading(SPEED), ASK) == asked_words(ASK)
    assert teller.news(leading(SPEED), ASK) == ""
    # What is measured, and how it is answered, change; the ask does not.
    assert teller.news(leading(SPEED), replace(ASK, button="Done all the same")) == ""
    other = replace(ASK, words="Step to track 0.")
    assert teller.news(leading(SPEED), other) == asked_words(other)


def test_what_a_check_found_is_told_before_what_is_asked_next():
    teller = JobTeller()
    teller.news(leading(SPEED), ASK)
    done = replace(SPEED, state=StepState.DONE, outcome=FOUND)
    other = replace(ASK, title="Adjust")
    assert teller.news(leading(done), other) == (
        f"Spindle speed, as found: FAIL, 310.0 ± 1.0 rpm. {asked_words(other)}"
    )
    # Done again it is told again, though nothing of its words is new.
    again = replace(done, outcome=replace(FOUND, ended_at="2026-03-01T10:05:00+00:00"))
    assert teller.news(leading(again), other) == "Spindle speed, as found: FAIL, 310.0 ± 1.0 rpm."


def test_what_was_found_before_somebody_listens_is_not_told():
    done = replace(SPEED, state=StepState.DONE, outcome=FOUND)
    assert JobTeller().news(leading(done), ASK) == asked_words(ASK)


def test_remarks_and_a_hand_that_was_not_seen_are_told_once_however_they_count():
    teller = JobTeller()
    teller.news(leading(SPEED), ASK)
    assert (
        teller.news(leading(SPEED, remark="No source is running"), ASK) == "No source is running."
    )
    counting = [replace(ASK, live=f"{left} s to go.") for left in (60, 59, 58)]
    assert [teller.news(leading(SPEED), card) for card in counting] == ["60 s to go.", "", ""]
    doubted = replace(ASK, live="Nothing moved.", button="Done all the same")
    told = teller.news(leading(SPEED, doubt=Message("Nothing moved.")), doubted)
    assert told == "Nothing moved. Enter: Done all the same."


def test_the_virtual_hand_is_told_of_once_in_a_job():
    teller = JobTeller()
    lent = replace(ASK, may_lend=True)
    first = teller.news(leading(SPEED), lent)
    assert first.endswith("Shift and Enter let the virtual hand do what is asked.")
    asks = [replace(lent, words="Step to track 0."), replace(ASK, words="Wait."), lent]
    assert not any("virtual hand" in teller.news(leading(SPEED), each) for each in asks)
    # By wire it is another that does it.
    assert "virtual hand" not in JobTeller().news(leading(SPEED), replace(lent, by_wire=True))


def test_a_nudge_is_told_with_how_far_and_which_way_it_is_and_then_left_to_the_needle():
    ask = Do(Action.NUDGE, Message("Turn the body."), 10.0)
    turned = Card("Lock", "Turn the body.", figure="↺ 0.31°   0.67 mm", live="The middle is here.")
    led = leading(SPEED, ask=ask, left_um=lambda *_: -4.1)
    words = "Still to go: 4.1 µm inward. counter-clockwise 0.31° 0.67 mm."
    assert turning_words(led, turned, None) == words
    assert turning_words(leading(SPEED), turned, None) == ""
    teller = JobTeller()
    assert teller.news(led, turned) == f"Lock. Turn the body. {words}"
    nearer = replace(turned, figure="↻ 0.08°   0.17 mm", live="The middle is there.")
    past = leading(SPEED, ask=ask, left_um=lambda *_: 1.0)
    assert teller.news(past, nearer) == ""
    assert turning_words(past, nearer, None).startswith("Still to go: 1.0 µm outward.")
    close = leading(SPEED, ask=ask, left_um=lambda *_: -0.04)
    there = replace(nearer, figure="↻ <0.001°   <0.001 mm")
    words = "Still to go: less than 0.1 µm. clockwise less than 0.001° less than 0.001 mm."
    assert turning_words(close, there, None) == words
    # In the unit that is shown; where a reading has no side, by the turn alone.
    past.unit = Unit.MIL
    assert turning_words(past, nearer, None).startswith("Still to go: 0.039 mil outward.")
    unknown = leading(SPEED, ask=ask, left_um=lambda *_: None)
    assert turning_words(unknown, turned, None) == "counter-clockwise 0.31° 0.67 mm."


def test_without_a_job_nothing_is_told_and_the_next_begins_anew():
    teller = JobTeller()
    teller.news(leading(SPEED), ASK)
    assert teller.news(SimpleNamespace(job=None), Card()) == ""
    assert teller.news(leading(SPEED), ASK) == asked_words(ASK)
