"""Budgets, expanded uncertainties and conformity, against published examples and closed forms.

JCGM 100 and JCGM 106 were not opened: their data and figures stand here from memory.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm, uniform
from scipy.stats import t as student

from app.analysis.adjust.drift import line_of
from app.analysis.budget import Budget, Part, Shape, Spread, combined_dof, combined_u, shares
from app.analysis.uncertainty import COVERAGE, fit


def test_the_end_gauge_to_its_printed_digits():
    # JCGM 100, H.1: 50 000 838 nm, u = 32 nm, 16 degrees of freedom, U = 93 nm at 99 %.
    parts = (
        Part("calibration of the standard", 25.0, 50_000_623.0, 18.0),
        Part("measured difference", 9.7, 215.0, 25.6),
        Part("difference of the expansions", 2.9, dof=50.0),
        Part("difference of the temperatures", 16.6, dof=2.0),
    )
    budget = Budget(sum(part.value for part in parts), parts)
    assert budget.value == 50_000_838.0
    assert round(budget.u) == 32
    dof = math.floor(budget.dof or math.nan)
    assert dof == 16
    u_99 = Spread(budget.u, dof).expanded(0.99)
    # The text rounds u to 32 and t(16) to 2.92 before it multiplies.
    assert round(32 * round(u_99 / budget.u, 2)) == 93
    assert sum(shares(parts)) == pytest.approx(1.0)


def test_resistance_and_reactance_to_their_printed_digits():
    # JCGM 100, H.2, table H.2 and H.4: means of five sets of V, I and φ, correlated.
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amperes = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    z = volts / amperes
    for found, value, u in (
        (z * np.cos(phase), "127.732", "0.071"),
        (z * np.sin(phase), "219.847", "0.295"),
        (z, "254.260", "0.236"),
    ):
        # Each set's own value carries the correlations with it (H.2.4).
        scatter = Part("scatter", float(np.std(found, ddof=1) / np.sqrt(5)), dof=4.0)
        budget = Budget(float(found.mean()), (scatter,))
        assert (f"{budget.value:.3f}", f"{budget.u:.3f}") == (value, u)
        reference = student.interval(COVERAGE, 4, scale=budget.u)[1]
        assert budget.expanded_u == pytest.approx(reference, rel=1e-9)


def test_the_thermometer_to_its_printed_digits():
    # JCGM 100, H.3: -0.1712(29) °C, 0.00218(67), r = -0.930; correction at 30 °C -0.1494(41) °C.
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999])
    t = np.concatenate([t, [24.513, 25.002, 25.503, 26.010, 26.511]])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    found = fit(np.stack([np.ones(11), t - 20.0], axis=1), b)
    offset, slope = found.estimate(1.0, 0.0), found.estimate(0.0, 1.0)
    assert (f"{offset.value:.4f}", f"{offset.u:.4f}") == ("-0.1712", "0.0029")
    assert (f"{slope.value:.5f}", f"{slope.u:.5f}") == ("0.00218", "0.00067")
    r = found.covariance[0, 1] / (offset.u * slope.u)
    assert f"{r:.3f}" == "-0.930"
    at_30 = found.estimate(1.0, 10.0)
    assert (f"{at_30.value:.4f}", f"{at_30.u:.4f}", at_30.dof) == ("-0.1494", "0.0041", 9.0)
    assert line_of(t, b).at(30.0).value == pytest.approx(at_30.value)


def reference_of(spread):
    """Return the distribution function of a spread by scipy alone."""
    kernel = norm(scale=spread.scale) if math.isinf(spread.dof) else None
    kernel = kernel or student(spread.dof, scale=spread.scale)
    if spread.half == 0.0:
        return kernel.cdf
    box = uniform(-spread.half, 2.0 * spread.half)
    return lambda x: quad(
        lambda y: kernel.cdf(x - y) * box.pdf(y), -spread.half, spread.half, epsabs=1e-11
    )[0]


SPREADS = [
    Spread(1.0),
    Spread(1.0, 4.0),
    Spread(1.0, half=2.0),
    Spread(1.0, 3.0, 2.0),
    Spread(1.0, 1.0, 3.0),
    Spread(0.1, 5.0, 2.0),
    Spread(1.0, 30.0, 0.1),
    Spread(1.0, 2e4, 1.0),
    Spread(1.0, 1.0, 0.011),
    Spread(1.0, 4.0, 0.009),
    Spread(1.0, half=1e-5),
]


@pytest.mark.parametrize("spread", SPREADS)
@pytest.mark.parametrize(
    ("value", "low", "high"), [(0.3, -1.0, 1.0), (2.0, None, 1.0), (-3.0, -1.0, None)]
)
def test_conformity_is_that_of_scipy(spread, value, low, high):
    # JCGM 106, 7.1: the part of what the value may be that lies within the limits.
    cdf = reference_of(spread)
    above = 1.0 if high is None else cdf(high - value)
    below = 0.0 if low is None else cdf(low - value)
    assert spread.conformity(value, low, high) == pytest.approx(above - below, abs=3e-6)


@pytest.mark.parametrize("spread", SPREADS)
@pytest.mark.parametrize("confidence", [0.5, COVERAGE, 0.99])
def test_what_is_expanded_holds_what_it_is_to_hold(spread, confidence):
    cdf = reference_of(spread)
    u = spread.expanded(confidence)
    assert cdf(u) - cdf(-u) == pytest.approx(confidence, abs=3e-6)


@pytest.mark.parametrize("dof", [1.0, 4.0, math.inf])
@pytest.mark.parametrize(
    "half", [1e-300, 1e-30, 1e-17, 1e-16, 1e-15, 1e-14, 1e-12, 1e-9, 1e-6, 1e-4]
)
def test_next_to_a_wide_spread_a_narrow_rectangle_is_nothing(dof, half):
    # As of a part in proportion to a value that is 0 but for rounding.
    narrow, without = Spread(1.0, dof, half), Spread(1.0, dof)
    assert narrow.expanded() == pytest.approx(without.expanded(), rel=1e-6)
    assert narrow.beyond(2.0) == pytest.approx(without.beyond(2.0), abs=1e-6)


@pytest.mark.parametrize("dof", [1.0, 4.0, math.inf])
@pytest.mark.parametrize("scale", [1e-320, 1e-200, 1e-30, 1e-10, 1e-7])
def test_what_is_next_to_nothing_does_not_widen_a_rectangle(dof, scale):
    assert Spread(scale, dof, 1.0).expanded() == pytest.approx(COVERAGE, abs=1e-5)


def test_a_rectangle_alone_and_nothing_at_all():
    part = Part("", 1.0, shape=Shape.RECTANGULAR)
    assert Budget(0.0, (part,)).expanded_u == pytest.approx(COVERAGE * math.sqrt(3.0))
    assert Budget(1.0, (part,)).conformity(0.0, None) == pytest.approx(0.5 + 0.5 / math.sqrt(3.0))
    assert Budget(1.0, ()).expanded_u == 0.0
    assert (Budget(1.0, ()).conformity(0.0, 2.0), Budget(3.0, ()).conformity(0.0, 2.0)) == (
        1.0,
        0.0,
    )
    assert shares(()) == ()
    # A record from elsewhere may hold what has no square.
    assert shares([Part("", 3e200), Part("", 4e200)]) == pytest.approx((0.36, 0.64))
    assert (combined_u(()), combined_dof(())) == (0.0, None)


def test_draws_of_a_budget_are_held_as_often_as_is_said():
    # JCGM 101: the distribution of the sum by draws, here of an arcsine, a rectangle and Student's.
    rng = np.random.default_rng(3)
    count = 400_000
    drawn = student.rvs(9, scale=0.8, size=count, random_state=rng)
    drawn = drawn + rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), count) * 2.0
    drawn += 0.7 * math.sqrt(2.0) * np.cos(rng.uniform(0.0, 2.0 * math.pi, count))
    parts = (
        Part("Student's", 0.8, dof=9.0),
        Part("rectangle", 2.0, shape=Shape.RECTANGULAR),
        Part("sine", 0.7, shape=Shape.ARCSINE),
    )
    held = np.mean(np.abs(drawn) <= Budget(0.0, parts).expanded_u)
    # 400 000 draws tell it to 0.0003; degrees of freedom pooled, and a sine taken for normal, are
    # approximations.
    assert held == pytest.approx(COVERAGE, abs=0.004)
