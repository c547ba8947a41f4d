"""A reading that is wrong is told, and one that is right is let pass."""

from typing import Any

import pytest

from tests.hunt.campaign import Key, Outcome
from tests.hunt.judge import Verdict, crashed, judge
from tests.hunt.report import class_table, failures, figures, refusals, row_figures
from tests.hunt.signal import Truth

TRUTH = Truth(ratio=(0.85, 0.85), balance=0.0811, rpm=300.0)


def reading(**changes: Any) -> dict[str, Any]:
    return {
        "valid": True,
        "reasons": [],
        "notes": [],
        "ratio": {"value": 0.8503, "u": 0.0005},
        "balance": {"value": 0.0809, "u": 0.0003},
        "speed_rpm": {"value": 300.004, "u": 0.002},
        "sign_known": True,
        **changes,
    }


def test_a_right_reading_is_right():
    assert judge(reading(), TRUTH).faults() == ()


@pytest.mark.parametrize(
    ("changes", "fault"),
    [
        ({"ratio": {"value": 0.853, "u": 0.0005}}, "ratio"),
        ({"ratio": {"value": 0.853, "u": 0.0}}, "ratio"),
        ({"balance": {"value": -0.0811, "u": 0.0003}}, "side"),
        ({"speed_rpm": {"value": 300.02, "u": 0.002}}, "speed"),
        ({"valid": False, "speed_rpm": {"value": 280.0, "u": 0.1}}, "speed"),
    ],
)
def test_a_wrong_reading_is_told(changes: dict[str, Any], fault: str):
    assert judge(reading(**changes), TRUTH).faults() == (fault,)


@pytest.mark.parametrize(
    "changes",
    [
        {"ratio": {"value": 0.8515, "u": 0.0001}},
        {"ratio": {"value": 0.89, "u": 0.01}},
        {"balance": {"value": -0.0811, "u": 0.0003}, "sign_known": False},
        {"balance": {"value": -0.01, "u": 0.01}},
        {"speed_rpm": None},
        {"valid": False, "ratio": None, "balance": None},
    ],
)
def test_what_is_within_its_uncertainty_or_not_said_is_no_fault(changes: dict[str, Any]):
    assert judge(reading(**changes), TRUTH).faults() == ()


def test_a_note_is_missed_where_one_is_wanted():
    truth = Truth(ratio=(0.8, 0.9), balance=0.08, rpm=300.0, wants_note=True)
    assert judge(reading(), truth).faults() == ("note",)
    assert judge(reading(notes=["the head has moved"]), truth).faults() == ()
    inside = judge(reading(ratio={"value": 0.83, "u": 0.0001}), truth).ratio
    assert inside is not None
    assert inside.error == 0.0


def outcome(verdict: Verdict, number: int = 0, *, is_plain: bool = True) -> Outcome:
    return Outcome(Key("wow", 1, number), verdict, is_plain, ("wow=0.01",))


def test_a_campaign_with_a_wrong_reading_falls_short_and_says_how_to_repeat_it():
    wrong = judge(reading(ratio={"value": 0.9, "u": 0.0005}), TRUTH)
    several = [outcome(judge(reading(), TRUTH)), outcome(wrong, 1), outcome(crashed(KeyError()), 2)]
    by_name = {each.what: each for each in figures(several)}
    assert not by_name["ratios beyond 0.002 and 5u"].reached
    assert not by_name["crashes"].reached
    assert not by_name["plain ones refused"].reached
    assert by_name["wrong sides said known"].reached
    assert any("--class wow --seed 1 --draw 1 --show" in line for line in failures(several))
    assert "KeyError" in refusals(several)[0]
    assert "| wow " in class_table(several)


def test_a_campaign_without_a_fault_reaches_all():
    several = [outcome(judge(reading(), TRUTH), number) for number in range(10)]
    assert all(each.reached for each in figures(several))


@pytest.mark.parametrize(("far", "reached"), [(5, True), (20, False), (0, False)])
def test_two_u_are_to_hold_neither_too_few_nor_too_many(far: int, reached: bool):
    far_off = {"value": 0.8512, "u": 0.0005}
    several = [
        outcome(judge(reading(ratio=far_off) if number < far else reading(), TRUTH))
        for number in range(100)
    ]
    within = next(each for each in row_figures(several) if "ratio within" in each.what)
    assert within.reached is reached
