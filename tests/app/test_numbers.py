"""Numbers as they are written.

Two digits of the uncertainty and the value to as many: JCGM 100:2008, 7.2.6. k = 2: 6.3.3 there.
"""

from __future__ import annotations

import math

import pytest

from app.numbers import MINUS, plus_minus, spread_of


@pytest.mark.parametrize(
    ("value", "u", "words"),
    [
        (10.057_62, 0.013_5, "10.058 ± 0.027 Ω"),  # the form of 7.2.6, U of 0.027
        (-12.345, 0.6, "-12.3 ± 1.2 Ω"),
        (1234.5, 61.7, "1234 ± 123 Ω"),  # never a digit before the point left out
        (1.0, 1e-9, "1.000000 ± 0.000000 Ω"),
        (1.0, 0.0, "1.000 ± 0.000 Ω"),
        (0.000_123_456, None, "0.0001235 Ω"),
        (math.nan, 1.0, "not known"),
        (1.0, math.inf, "not known"),
        (math.nan, None, "not known"),
    ],
)
def test_value_and_uncertainty_have_two_digits_of_the_latter(value, u, words):
    assert plus_minus(value, u, " Ω") == words


@pytest.mark.parametrize(
    ("value", "u", "how", "words"),
    [
        (-1.26, 0.13, {"places": 1, "sign": "+z", "minus": MINUS}, "−1.3 ± 0.3 µm"),
        (1.26, None, {"places": 1, "sign": "+z"}, "+1.3 µm"),
        (-0.001, 0.13, {"places": 1, "sign": "+z", "minus": MINUS}, "+0.0 ± 0.3 µm"),
        (-0.001, 0.13, {"places": 1, "sign": "+"}, "-0.0 ± 0.3 µm"),
        (-1.26, 0.13, {"places": 2}, "-1.26 ± 0.26 µm"),
        (-12.3, 0.6, {"minus": MINUS}, "−12.3 ± 1.2 µm"),
        (-1e-9, None, {"minus": MINUS}, "−1e-09 µm"),
    ],
)
def test_a_column_has_its_own_places_and_a_page_its_own_minus(value, u, how, words):
    assert plus_minus(value, u, " µm", **how) == words


def test_the_uncertainty_alone_is_the_expanded_one():
    assert spread_of(0.13, " µm", places=1) == "± 0.3 µm"
