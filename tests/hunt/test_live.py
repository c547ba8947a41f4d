"""What is shown is held against what is true at that moment, and not before or after."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from tests.hunt.live import judge_live
from tests.hunt.signal import Truth
from tests.hunt.through import Shown

STEADY = Truth(ratio=(0.85, 0.85), balance=0.0811, rpm=300.0)
MOVED = replace(STEADY, ratio=(0.8, 0.9), course=((0.0, 0.8), (2.0, 0.9)))
GONE = replace(STEADY, silent_s=(2.0, 4.0))


def reading(ratio: float | None) -> dict[str, Any]:
    shown = ratio is not None
    return {
        "valid": shown,
        "reasons": [] if shown else ["no carrier"],
        "notes": [],
        "ratio": {"value": ratio, "u": 0.001} if shown else None,
        "balance": {"value": 0.08, "u": 0.001} if shown else None,
        "speed_rpm": {"value": 299.0, "u": 0.001},
        "sign_known": True,
    }


def course(*ratios: float | None) -> Iterator[Shown]:
    """Show each for a tenth of a second, from a reading as old."""
    for number, ratio in enumerate(ratios):
        yield Shown(0.1 * (number + 1), 0.1 * number, reading(ratio))


def test_a_steady_needle_that_is_right_has_no_fault():
    assert judge_live(course(*[0.8505] * 40), STEADY).faults() == ()


def test_one_wrong_moment_is_told():
    verdict = judge_live(course(*[0.85] * 20, 0.87, *[0.85] * 20), STEADY)
    assert verdict.faults() == ("ratio",)
    assert verdict.ratio is not None
    assert verdict.ratio.pull == pytest.approx(20.0)


@pytest.mark.parametrize(("lag", "faults"), [(4, ()), (8, ("ratio",))])
def test_a_needle_may_lag_by_two_turns_and_no_more(lag: int, faults: tuple[str, ...]):
    ratios = [0.8] * (21 + lag) + [0.9] * 20
    assert judge_live(course(*ratios), MOVED).faults() == faults


def test_a_needle_may_not_run_ahead():
    assert judge_live(course(*[0.9] * 40), MOVED).faults() == ("ratio",)


@pytest.mark.parametrize(("late", "faults"), [(4, ()), (8, ("late",))])
def test_a_needle_without_a_signal_is_parked_within_half_a_second(
    late: int, faults: tuple[str, ...]
):
    ratios = [0.85] * (20 + late) + [None] * (20 - late) + [0.85] * 10
    assert judge_live(course(*ratios), GONE).faults() == faults


def test_a_needle_that_is_parked_over_a_plain_signal_counts_as_refused():
    verdict = judge_live(course(*[None] * 40), STEADY)
    assert not verdict.valid
    assert verdict.reasons == ("no carrier",)
