"""A result in the unit that is shown: a mil is 25.4 µm, as the inch of 1959 has it."""

import pytest

from app.analysis.budget import Part
from app.analysis.results import Message, Verdict
from app.job.model import Action, CheckName, Do, Enter, Limit, Outcome, Stage, Value
from app.job.units import answer_meant, ask_in, outcome_in
from app.numbers import Unit

OUTCOME = Outcome(
    CheckName.RADIAL,
    Stage.AS_FOUND,
    Verdict.FAIL,
    value=50.8,
    u=2.54,
    expanded_u=5.08,
    unit="µm",
    limit=Limit(-25.4, 25.4, "µm", "within 25.4 µm"),
    reason="it is off by 50.8 µm",
    details=(Value("as read", 76.2, 2.54, "µm"), Value("ratio", 0.8, 0.01, "")),
    budget=(Part("reading", 2.54, unit="µm"),),
    aim="stated offset, 25.4 µm from the zero",
)


def test_every_length_of_an_outcome_is_shown_in_mils():
    shown = outcome_in(OUTCOME, Unit.MIL)
    assert (shown.value, shown.u, shown.expanded_u) == pytest.approx((2.0, 0.1, 0.2))
    assert shown.unit == "mil"
    assert (shown.limit.low, shown.limit.high) == pytest.approx((-1.0, 1.0))
    assert (shown.limit.unit, shown.limit.source) == ("mil", "within 1.000 mil")
    assert shown.reason == "it is off by 2.000 mil"
    assert [(each.name, each.unit) for each in shown.details] == [("as read", "mil"), ("ratio", "")]
    values = [number for each in shown.details for number in (each.value, each.u)]
    assert values == pytest.approx([3.0, 0.1, 0.8, 0.01])
    assert [(each.u, each.unit) for each in shown.budget] == [(pytest.approx(0.1), "mil")]
    assert shown.aim == "stated offset, 1.000 mil from the zero"
    assert outcome_in(OUTCOME, Unit.UM) == OUTCOME


def test_why_a_check_was_skipped_is_in_the_user_s_own_words():
    skipped = Outcome(CheckName.RADIAL, Stage.AS_FOUND, Verdict.SKIPPED, reason="50.8 µm off")
    assert outcome_in(skipped, Unit.MIL) == skipped


def test_an_ask_is_shown_and_answered_in_mils():
    ask = Enter("offset", Message("It is 25.4 µm off."), "µm", -50.8, 50.8)
    shown = ask_in(ask, Unit.MIL)
    assert (shown.low, shown.high) == pytest.approx((-2.0, 2.0))
    assert (str(shown.message), shown.unit) == ("It is 1.000 mil off.", "mil")
    assert answer_meant(ask, "1.5", Unit.MIL) == pytest.approx(38.1)
    assert answer_meant(ask, "much", Unit.MIL) == "much"
    assert answer_meant(ask, "1.5", Unit.UM) == "1.5"
    assert answer_meant(ask, None, Unit.MIL) is None
    assert ask_in(ask, Unit.UM) is ask


def test_an_ask_that_is_no_length_stays_what_it_is():
    speed = Enter("speed", Message("How fast?"), "rpm", 250.0, 400.0)
    assert ask_in(speed, Unit.MIL) == Enter(
        "speed", Message("{0}", ("How fast?",)), "rpm", 250, 400
    )
    text = Enter("seen", Message("What is seen?"))
    assert (ask_in(text, Unit.MIL).low, ask_in(text, Unit.MIL).high) == (None, None)
    assert answer_meant(speed, "300", Unit.MIL) == "300"
    nudge = Do(Action.NUDGE, Message("Nudge by 25.4 µm."), amount=25.4)
    shown = ask_in(nudge, Unit.MIL)
    assert (str(shown.message), shown.amount) == ("Nudge by 1.000 mil.", 25.4)
    assert answer_meant(nudge, True, Unit.MIL) is True
