"""Student's t and effective freedom: what is refused, and what must hold whatever the numbers."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student

from app.analysis.uncertainty import effective_dof, t_expanded, t_factor

DOF = st.floats(0.2, 1e6)


@given(DOF, st.floats(0.01, 0.999))
def test_what_scipy_says_lies_within_is_the_confidence(dof, confidence):
    assert 1.0 - 2.0 * student.sf(t_factor(dof, confidence), dof) == pytest.approx(
        confidence, abs=1e-8
    )


@given(st.floats(0.3, 5e4), st.floats(1.01, 3.0))
def test_more_freedom_means_a_smaller_t(dof, times):
    assert t_factor(dof * times) < t_factor(dof)


@pytest.mark.parametrize(
    ("dof", "confidence"),
    [(0.0, 0.95), (-1.0, 0.95), (math.nan, 0.95), (3.0, 0.0), (3.0, 1.0), (3.0, math.nan)],
)
def test_what_is_out_of_range_is_refused(dof, confidence):
    with pytest.raises(ValueError, match=r"degrees of freedom|confidence"):
        t_factor(dof, confidence)


@given(st.lists(st.tuples(st.floats(1e-9, 1e6), st.floats(1.0, 1e3)), min_size=1, max_size=6))
def test_effective_freedom_lies_between_the_least_and_the_sum(parts):
    # JCGM 100, G.4.1, note: no less than the least, no more than their sum.
    found = effective_dof(parts)
    assert found >= min(dof for _, dof in parts) * (1.0 - 1e-9)
    assert found <= sum(dof for _, dof in parts) * (1.0 + 1e-9)


def test_a_budget_without_uncertainty_is_certain():
    assert effective_dof([]) == effective_dof([(0.0, 2.0)]) == math.inf
    assert t_expanded(0.0, math.inf) == 0.0


@pytest.mark.slow
def test_the_expanded_uncertainty_of_two_scatters_holds_95_per_cent():
    rng = np.random.default_rng(5)
    first, second = rng.standard_normal((4000, 4)), 2.0 * rng.standard_normal((4000, 6))
    held = []
    for a, b in zip(first, second, strict=True):
        parts = [(a.std(ddof=1) / 2.0, 3.0), (b.std(ddof=1) / math.sqrt(6.0), 5.0)]
        u = t_expanded(math.hypot(*(part for part, _ in parts)), effective_dof(parts))
        held.append(abs(a.mean() - b.mean()) <= 2.0 * u)
    # 4000 trials: the share's own standard deviation is 0.0034; Welch's formula is approximate.
    assert np.mean(held) == pytest.approx(0.95, abs=0.014)
