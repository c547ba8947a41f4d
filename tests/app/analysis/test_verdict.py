"""Limits on either side, guarded by the expanded uncertainty."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.analysis.results import Verdict
from app.analysis.uncertainty import judge_within

NUMBER = st.floats(-1e3, 1e3)


@pytest.mark.parametrize(
    ("value", "verdict"),
    # JCGM 106, 8.3: limits of ±5 with U = 1.
    [
        (0.0, Verdict.PASS),
        (4.0, Verdict.PASS),
        (-4.0, Verdict.PASS),
        (4.1, Verdict.UNDECIDED),
        (-5.9, Verdict.UNDECIDED),
        (6.1, Verdict.FAIL),
        (-6.1, Verdict.FAIL),
        (math.nan, Verdict.UNDECIDED),
    ],
)
def test_a_value_between_two_limits(value, verdict):
    assert judge_within(value, 1.0, low=-5.0, high=5.0) is verdict


def test_an_uncertainty_wider_than_the_limits_decides_nothing():
    assert judge_within(0.0, 6.0, low=-5.0, high=5.0) is Verdict.UNDECIDED


@pytest.mark.parametrize("broken", [(math.nan, 1.0), (1.0, math.nan)])
def test_what_is_no_number_decides_nothing(broken):
    assert judge_within(*broken) is Verdict.UNDECIDED
    assert judge_within(*broken, high=1.0) is Verdict.UNDECIDED


@given(NUMBER, st.floats(0.0, 100.0), NUMBER)
def test_a_lower_limit_is_an_upper_one_mirrored(value, u, limit):
    assert judge_within(value, u, low=limit) is judge_within(-value, u, high=-limit)


@given(NUMBER, st.floats(0.0, 100.0), NUMBER, st.floats(-1.0, 1.0))
def test_a_verdict_is_never_wrong_within_the_uncertainty(value, u, limit, part):
    verdict = judge_within(value, u, high=limit)
    true = value + part * u
    if verdict is Verdict.PASS:
        assert true <= limit + 1e-9
    if verdict is Verdict.FAIL:
        assert true > limit - 1e-9
