"""Drift from job to job: rates that hold, and changes that are none."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.analysis.adjust.drift import drift_of, line_of
from app.analysis.results import Quantity
from app.analysis.uncertainty import fit


def quantities(values, u):
    return [Quantity(float(value), u) for value in values]


@pytest.mark.parametrize(("scatter", "u"), [(1.0, 1.0), (3.0, 1.0), (1.0, 0.0)])
def test_the_rate_keeps_its_promise(scatter, u):
    rng = np.random.default_rng(4)
    days = np.array([0.0, 90.0, 170.0, 300.0, 365.25, 600.0])
    held, told = [], []
    for _ in range(1500):
        values = 2.0 * days / 365.25 + scatter * rng.standard_normal(len(days))
        found = drift_of(list(days), quantities(values, u))
        held.append(abs(found.rate_per_year.value - 2.0) <= 2.0 * found.rate_per_year.u)
        told.append(found.drifts)
    # 1500 trials: the share's own standard deviation is 0.0056.
    assert np.mean(held) >= 0.93
    assert 0.05 < np.mean(told) < 0.95


def test_the_order_of_the_jobs_does_not_matter():
    days, values = [10.0, 500.0, 250.0], quantities([1.0, 9.0, 4.0], 0.5)
    found = drift_of(days, values)
    assert found == drift_of(sorted(days), quantities([1.0, 4.0, 9.0], 0.5))
    assert found.last_change.value == pytest.approx(5.0)
    assert found.last_change.u == pytest.approx(0.5 * 2.0**0.5)
    assert found.changed
    assert found.line_days == (10.0, 500.0)


def test_a_change_within_its_expanded_uncertainty_is_none():
    # 2 · √2 · 1 = 2.83.
    assert not drift_of([0.0, 30.0], quantities([0.0, 2.8], 1.0)).changed
    assert drift_of([0.0, 30.0], quantities([0.0, 2.9], 1.0)).changed


def test_a_change_is_as_certain_as_the_two_newest_values_are():
    values = [Quantity(0.0, 9.0), Quantity(1.0, 7.0), Quantity(4.0, 0.4), Quantity(6.0, 0.3)]
    assert drift_of([0.0, 10.0, 20.0, 30.0], values).last_change == Quantity(2.0, 0.5)


def test_a_change_without_known_uncertainty_is_told_but_not_judged():
    found = drift_of([0.0, 30.0], quantities([0.0, 50.0], 0.0))
    assert found.last_change.value == 50.0
    assert not found.changed
    assert found.rate_per_year is None


@pytest.mark.parametrize(
    ("days", "values"), [([], []), ([3.0], [1.0]), ([3.0, 3.0, 3.0], [1.0, 2.0, 3.0])]
)
def test_where_no_line_can_be_fitted_there_is_none(days, values):
    found = drift_of(days, quantities(values, 0.5))
    assert found.rate_per_year is None
    assert not found.drifts
    assert found.line_days == ()


def test_a_certain_value_weighs_more():
    u = np.array([0.1, 0.1, 10.0])
    x = np.array([0.0, 1.0, 2.0])
    line = line_of(x, np.array([0.0, 1.0, 30.0]), u)
    # numpy.polyfit weighs by 1/u.
    slope, intercept = np.polyfit(x, np.array([0.0, 1.0, 30.0]), 1, w=1.0 / u)
    assert line.fit.parameters[1] == pytest.approx(slope)
    assert line.at(0.0).value == pytest.approx(intercept)


@given(
    st.lists(st.floats(-50.0, 50.0), min_size=4, max_size=8),
    st.floats(-1e5, 1e5),
    st.floats(-10.0, 10.0),
)
def test_another_first_day_and_zero_leave_the_rate(values, first_day, zero):
    days = [37.0 * number for number in range(len(values))]
    plain = drift_of(days, quantities(values, 0.5)).rate_per_year
    moved = drift_of(
        [day + first_day for day in days], quantities([value + zero for value in values], 0.5)
    ).rate_per_year
    assert moved.value == pytest.approx(plain.value, abs=1e-6)


def test_a_line_of_two_bare_values_is_refused():
    with pytest.raises(ValueError, match="too few"):
        line_of(np.array([0.0, 1.0]), np.array([0.0, 1.0]))


def test_a_value_without_uncertainty_cannot_be_weighed():
    with pytest.raises(ValueError, match="u above 0"):
        fit(np.ones((3, 1)), np.ones(3), np.array([1.0, 0.0, 1.0]))
