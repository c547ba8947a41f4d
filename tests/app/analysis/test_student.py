"""Student's t and the budget: what is refused, and what must hold whatever the numbers."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student

from app.analysis.uncertainty import Part, combine, effective_dof, quantile

DOF = st.floats(0.2, 1e6)


@given(DOF, st.floats(0.01, 0.999))
def test_what_scipy_says_lies_within_is_the_confidence(dof, confidence):
    assert 1.0 - 2.0 * student.sf(quantile(dof, confidence), dof) == pytest.approx(
        confidence, abs=1e-8
    )


@given(st.floats(0.3, 5e4), st.floats(1.01, 3.0))
def test_more_freedom_means_a_smaller_t(dof, times):
    assert quantile(dof * times) < quantile(dof)


@pytest.mark.parametrize(
    ("dof", "confidence"),
    [(0.0, 0.95), (-1.0, 0.95), (math.nan, 0.95), (3.0, 0.0), (3.0, 1.0), (3.0, math.nan)],
)
def test_what_is_out_of_range_is_refused(dof, confidence):
    with pytest.raises(ValueError, match=r"degrees of freedom|confidence"):
        quantile(dof, confidence)


@given(st.lists(st.tuples(st.floats(1e-9, 1e6), st.floats(1.0, 1e3)), min_size=1, max_size=6))
def test_effective_freedom_lies_between_the_least_and_the_sum(parts):
    # JCGM 100, G.4.1, note: no less than the least, no more than their sum.
    found = effective_dof(parts)
    assert found >= min(dof for _, dof in parts) * (1.0 - 1e-9)
    assert found <= sum(dof for _, dof in parts) * (1.0 + 1e-9)


def test_a_budget_without_uncertainty_is_certain():
    assert combine([]).quantity(3.0).u == 0.0
    assert combine([Part("none", 0.0, 2.0)]).expanded() == 0.0


@pytest.mark.parametrize("part", [Part("x", -1.0), Part("x", math.nan), Part("x", 1.0, 0.0)])
def test_a_part_that_cannot_be_is_refused(part):
    with pytest.raises(ValueError, match="x: u"):
        combine([part])


@pytest.mark.slow
def test_the_expanded_uncertainty_of_two_scatters_holds_95_per_cent():
    rng = np.random.default_rng(5)
    first, second = rng.standard_normal((4000, 4)), 2.0 * rng.standard_normal((4000, 6))
    held = []
    for a, b in zip(first, second, strict=True):
        budget = combine(
            [
                Part("a", a.std(ddof=1) / 2.0, 3.0),
                Part("b", b.std(ddof=1) / math.sqrt(6.0), 5.0),
            ]
        )
        held.append(abs(a.mean() - b.mean()) <= budget.expanded())
    # 4000 trials: the share's own standard deviation is 0.0034; Welch's formula is approximate.
    assert np.mean(held) == pytest.approx(0.95, abs=0.014)
