"""Numbers as they are written.

Two digits of the uncertainty and the value to as many: JCGM 100:2008, 7.2.6. k = 2: 6.3.3 there.
"""

from __future__ import annotations

import math

import pytest

from app.numbers import (
    MINUS,
    Unit,
    finely,
    plus_minus,
    span_shown,
    spread_of,
    value_meant,
    value_shown,
    words_shown,
)


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
        (1.0, 1e308, "not known"),  # its double is none
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


@pytest.mark.parametrize(
    ("size", "words"),
    [
        (0.0, "0.00"),
        (0.0004, "<0.001"),
        (0.001, "0.001"),
        (0.0065, "0.006"),
        (0.07, "0.070"),
        (0.1, "0.10"),
        (1.234, "1.23"),
    ],
)
def test_no_turn_but_none_is_one_of_nought(size, words):
    assert finely(size) == words


def test_the_uncertainty_alone_is_the_expanded_one():
    assert spread_of(0.13, " µm", places=1) == "± 0.3 µm"


@pytest.mark.parametrize(
    ("value", "unit", "there"),
    # The inch is 25.4 mm, and 0 °C is 32 °F (NIST SP 811, B.8): 23 °C is 73.4 °F.
    [(25.4, "µm", 1.0), (-127.0, "µm", -5.0), (23.0, "°C", 73.4), (-40.0, "°C", -40.0)],
)
def test_lengths_and_temperatures_are_shown_in_the_chosen_unit_and_meant_in_their_own(
    value, unit, there
):
    assert value_shown(value, unit, Unit.MIL) == pytest.approx(there)
    assert value_meant(there, unit, Unit.MIL) == pytest.approx(value)
    assert value_shown(value, unit, Unit.UM) == value_meant(value, unit, Unit.UM) == value


def test_a_span_of_temperature_has_no_nought_and_other_units_stay():
    assert span_shown(10.0, "°C", Unit.MIL) == pytest.approx(18.0)
    assert value_shown(300.0, "rpm", Unit.MIL) == span_shown(300.0, "rpm", Unit.MIL) == 300.0


@pytest.mark.parametrize(
    ("words", "there"),
    [
        ("±14.4 µm are allowed, 120 µm is far", "±0.567 mil are allowed, 4.72 mil is far"),
        ("it reads −12.7 ± 2.5 µm (k = 2)", "it reads −0.500 ± 0.098 mil (k = 2)"),
        ("from -25.4 to +25.4 µm", "from -1.000 to +1.000 mil"),
        ("come to 23 °C, or −40 °C", "come to 73 °F, or −40 °F"),
        ("−10 °C in all, ±1 °C", "14 °F in all, ±2 °F"),
        ("294 µm/° and 5 µmol, track 16 of 40", "294 µm/° and 5 µmol, track 16 of 40"),
    ],
)
def test_sentences_of_the_program_are_shown_so_too(words, there):
    assert words_shown(words, Unit.MIL) == there
    assert words_shown(words, Unit.UM) == words
