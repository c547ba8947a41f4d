"""Hysteresis: drift cancels, and the uncertainties hold."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.analysis.adjust.positioner import Arrival, hysteresis_of
from app.analysis.results import Quantity
from app.analysis.uncertainty import covering

SIDES = (True, False, True, False, True, False)
VALUES = st.lists(st.floats(-200.0, 200.0), min_size=6, max_size=6)


def arrivals(values, u=0.5, sides=SIDES):
    return [
        Arrival(side, Quantity(float(value), u), float(number))
        for number, (side, value) in enumerate(zip(sides, values, strict=False))
    ]


def test_outside_less_inside():
    found = hysteresis_of(arrivals([14.0, 6.0]))
    assert found.outside_um.value == pytest.approx(14.0)
    assert found.inside_um.value == pytest.approx(6.0)
    assert found.difference_um.value == pytest.approx(8.0)
    assert found.middle_um.value == pytest.approx(10.0)
    assert found.drift_um is None
    # Two values of u 0.5: their difference √2 times that, their mean 1/√2 times (JCGM 100, 5.1.2),
    # with t(3) = 3.307 (table G.2) for what ±2u is to cover: no residual tells scatter.
    assert found.difference_um.u == pytest.approx(0.5 * 2.0**0.5, rel=1e-3)
    assert found.middle_um.u == pytest.approx(0.5 / 2.0**0.5, rel=1e-3)
    assert covering(found.middle_um).u == pytest.approx(3.307 / 2.0 * 0.5 / 2.0**0.5, rel=1e-3)


@pytest.mark.parametrize("count", [4, 5, 6])
def test_a_steady_drift_cancels(count):
    values = [20.0 + (4.0 if side else -4.0) + 1.5 * n for n, side in enumerate(SIDES[:count])]
    found = hysteresis_of(arrivals(values))
    assert found.difference_um.value == pytest.approx(8.0)
    assert found.drift_um.value == pytest.approx(1.5 * (count - 1))
    assert found.middle_um.value == pytest.approx(20.0 + 1.5 * (count - 1) / 2.0)
    assert found.scatter_um == pytest.approx(0.0, abs=1e-9)


@given(VALUES, st.floats(-500.0, 500.0))
def test_a_shift_of_all_moves_the_middle_alone(values, shift_um):
    plain = hysteresis_of(arrivals(values))
    shifted = hysteresis_of(arrivals([value + shift_um for value in values]))
    assert shifted.difference_um.value == pytest.approx(plain.difference_um.value, abs=1e-6)
    assert shifted.middle_um.value == pytest.approx(plain.middle_um.value + shift_um, abs=1e-6)
    assert shifted.difference_um.u == pytest.approx(plain.difference_um.u, rel=1e-3)


@given(VALUES)
def test_mirrored_sides_change_the_sign_alone(values):
    plain = hysteresis_of(arrivals(values))
    mirrored = hysteresis_of(arrivals(values, sides=[not side for side in SIDES]))
    assert mirrored.difference_um.value == pytest.approx(-plain.difference_um.value, abs=1e-6)
    assert mirrored.outside_um.value == pytest.approx(plain.inside_um.value, abs=1e-6)


@pytest.mark.parametrize(
    ("count", "scatter_um", "least"),
    # Without scatter beyond u they may hold more. What scatter is can be told only from three of
    # each side on; with two it may be as large as u, and with one nothing tells it.
    [
        (2, 0.0, 0.95),
        (4, 0.0, 0.95),
        (4, 0.5, 0.95),
        (6, 0.0, 0.95),
        (6, 0.5, 0.93),
        (6, 5.0, 0.93),
        (8, 5.0, 0.93),
    ],
)
@pytest.mark.few(2)
def test_two_u_hold_95_per_cent(count, scatter_um, least):
    rng = np.random.default_rng(count)
    held, us = [], []
    for _ in range(1500):
        noise = np.hypot(0.5, scatter_um) * rng.standard_normal(count)
        values = [(5.0 if side else -5.0) + n for side, n in zip(SIDES * 2, noise, strict=False)]
        sides = (SIDES * 2)[:count]
        found = hysteresis_of(arrivals(values, sides=sides))
        difference_um = covering(found.difference_um)
        held.append(abs(difference_um.value - 10.0) <= 2.0 * difference_um.u)
        us.append(difference_um.u)
    # 1500 trials: the share's own standard deviation is 0.0056.
    assert np.mean(held) >= least - 0.012
    true_um = np.hypot(0.5, scatter_um) * 2.0 / np.sqrt(count)
    assert np.median(us) < 2.6 * true_um


def test_an_arrival_from_each_side_is_needed():
    with pytest.raises(ValueError, match="each side"):
        hysteresis_of(arrivals([1.0, 2.0], sides=(True, True)))


def test_a_clock_that_stands_still_means_no_drift_is_fitted():
    still = [Arrival(side, Quantity(1.0, 0.5), 7.0) for side in SIDES]
    assert hysteresis_of(still).drift_um is None
