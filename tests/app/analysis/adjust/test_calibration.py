"""The scale by least squares and the difference of two zeros, against numpy and scipy."""

import numpy as np
import pytest
from scipy import stats

from app.analysis.adjust.calibration import (
    BENT,
    FEW_PLACES,
    REVERSED,
    TOO_NEAR,
    difference_of,
    mean_of,
    scale_of,
)
from app.analysis.messages import fill
from app.analysis.results import Quantity
from app.analysis.uncertainty import covering

PLACES_UM = np.arange(-120.0, 121.0, 40.0)


def balances(places_um, scale_um=190.0, u=2e-4, noise=None, seed=1, even_um=12.0):
    rng = np.random.default_rng(seed)
    scatter = (u if noise is None else noise) * rng.standard_normal(len(places_um))
    return [Quantity(float(b), u) for b in (places_um - even_um) / scale_um + scatter]


def places(values_um, u_um=0.0):
    return [Quantity(float(each), u_um) for each in values_um]


def test_the_line_is_that_of_numpy_and_scipy():
    # A u far below the scatter: the residuals alone give the uncertainty, as in those libraries.
    read = balances(PLACES_UM, u=1e-9, noise=5e-3)
    found = scale_of(places(PLACES_UM), read)
    b = np.array([each.value for each in read])
    slope, level = np.polyfit(PLACES_UM, b, 1)
    line = stats.linregress(PLACES_UM, b)
    assert found.scale_um.value == pytest.approx(1.0 / slope, rel=1e-12)
    assert found.even_um == pytest.approx(-level / slope, abs=1e-9)
    # u(1/m) = u(m)/m² (JCGM 100, 5.1.2).
    assert found.scale_um.u == pytest.approx(line.stderr / slope**2, rel=1e-9)
    assert found.scale_um.dof == len(PLACES_UM) - 2


def test_weights_are_those_of_numpy():
    read = [Quantity(each.value, 1e-3 * (1 + n)) for n, each in enumerate(balances(PLACES_UM))]
    found = scale_of(places(PLACES_UM), read)
    b, u = (np.array([getattr(each, name) for each in read]) for name in ("value", "u"))
    (slope, _), covariance = np.polyfit(PLACES_UM, b, 1, w=1.0 / u, cov="unscaled")
    assert found.scale_um.value == pytest.approx(1.0 / slope, rel=1e-12)
    # Never less than what the values' own u says.
    assert found.scale_um.u >= np.sqrt(covariance[0, 0]) / slope**2 * (1 - 1e-9)


@pytest.mark.parametrize(("u_um", "u"), [(3.0, 2e-4), (0.5, 1e-2)])
def test_its_u_holds(u_um, u):
    rng, held = np.random.default_rng(7), []
    for seed in range(200):
        true_um = PLACES_UM + u_um * rng.standard_normal(PLACES_UM.size)
        found = scale_of(places(PLACES_UM, u_um), balances(true_um, 176.0, u, seed=seed))
        scale_um = covering(found.scale_um)
        held.append(abs(scale_um.value - 176.0) <= 2.0 * scale_um.u)
    # 200 trials of 95.45 %: the share's own standard deviation is 0.015.
    assert np.mean(held) > 0.91


def test_what_tells_no_scale_is_refused_in_a_sentence():
    few = PLACES_UM[:3]
    assert scale_of(places(few), balances(few)) == fill(FEW_PLACES, 3)
    same = np.array([0.0, 0.0, 1.0, 1.0, 0.0])
    assert scale_of(places(same), balances(same)) == fill(FEW_PLACES, 2)
    near = np.arange(-3.0, 4.0)
    assert scale_of(places(near, 5.0), balances(near)) == TOO_NEAR
    assert scale_of(places(-PLACES_UM), balances(PLACES_UM)) == REVERSED
    # Tops of a lobe that are flat beyond half of the head's width.
    wide = np.arange(-200.0, 201.0, 40.0)
    flat = [Quantity(float(np.clip(each.value, -0.5, 0.5)), 1e-3) for each in balances(wide)]
    assert scale_of(places(wide, 0.1), flat) == BENT


def test_two_zeros_differ_as_welch_has_it():
    first, second = [3.1, 4.0, 2.7, 3.6, 3.3], [1.0, 1.4, 0.8]
    found = difference_of(first, second)
    welch = stats.ttest_ind(first, second, equal_var=False)
    assert found.value / found.u == pytest.approx(welch.statistic, rel=1e-12)
    assert found.dof == pytest.approx(welch.df, rel=1e-12)
    alone = mean_of(first)
    assert (alone.value, alone.u) == pytest.approx((np.mean(first), stats.sem(first)), rel=1e-12)
    assert alone.dof == 4.0
