"""What a climate corrects, what it leaves, and that saying it never makes it worse."""

import functools
import itertools
import math

import numpy as np
import pytest

from app.analysis.adjust.climate import (
    CHASSIS_PPM,
    HUMIDITY,
    NORMAL_U_K,
    NORMAL_U_PERCENT,
    OVAL,
    ROOM_C,
    ROOM_PERCENT,
    TEMPERATURE,
    Climate,
    Film,
    chassis_range_c,
    climate_of,
)
from app.analysis.budget import combined_u
from app.analysis.results import Quantity

UNSTATED = Film(17.0, 8.0, Quantity(23.0, NORMAL_U_K), Quantity(50.0, NORMAL_U_PERCENT))
STATED = Film(17.0, 8.0, Quantity(20.0, 0.5), Quantity(35.0, 2.0))


def parts(said, film=UNSTATED):
    return {part.name: part for part in climate_of(said, film)}


@pytest.mark.parametrize(("radius_mm", "shift_um"), [(48.683, 8.28), (32.0, 5.44)])
def test_film_grows_with_warmth_and_aluminium_more(radius_mm, shift_um):
    # PET film bulletin, ASTM D696: 17 millionths a kelvin. Aluminium 23 (from memory).
    found = parts(Climate(33.0, 33.0, 50.0))[TEMPERATURE].scaled(1e-3 * radius_mm, "µm")
    chassis_um = 1e-3 * radius_mm * CHASSIS_PPM.value * 10.0
    assert found.value + chassis_um == pytest.approx(shift_um, abs=0.006)
    assert found.unit == "µm"


def test_film_in_a_warm_drive_is_warm_too():
    # It takes 0.7 of what the chassis is warmer: 17 · 7 − 23 · 10 millionths.
    assert parts(Climate(23.0, 33.0, 50.0))[TEMPERATURE].value == pytest.approx(-111.0)
    # With the room unsaid film and chassis are alike.
    assert parts(Climate(None, 33.0, 50.0))[TEMPERATURE].value == pytest.approx(-60.0)
    assert parts(Climate(33.0, None, 50.0))[TEMPERATURE].value == pytest.approx(-60.0)


def test_a_certificate_of_another_climate_moves_the_film_alone():
    found = parts(Climate(20.0, 20.0, 35.0), STATED)
    assert found[TEMPERATURE].value == pytest.approx(-23.0 * -3.0)
    assert found[HUMIDITY].value == 0.0
    assert parts(Climate(20.0, 20.0, 45.0), STATED)[HUMIDITY].value == pytest.approx(80.0)


def test_an_oval_is_half_of_what_its_axes_differ_by():
    # 5e-6 a kelvin over 5 K at 48.7 mm: 0.6 µm, 3e-6 a per cent over 15 %: 1.1 µm; an angle that
    # is not known leaves 1/√2 of it (JCGM 100, H.1.3.2: arcsine).
    found = parts(Climate(28.0, 28.0, 50.0))[OVAL]
    assert 48.7e-3 * found.u * math.sqrt(2.0) == pytest.approx(0.61, abs=0.25)
    warm, damp = parts(Climate(28.0, 28.0, 50.0)), parts(Climate(23.0, 23.0, 65.0))
    assert 48.7e-3 * math.sqrt(2.0) * damp[OVAL].u == pytest.approx(1.1, abs=0.05)
    assert warm[OVAL].u > parts(Climate(23.0, 23.0, 50.0))[OVAL].u


@pytest.mark.parametrize("film", [UNSTATED, STATED])
def test_saying_the_truth_never_makes_it_more_uncertain(film):
    @functools.cache
    def u_of(said):
        return combined_u(climate_of(said, film))

    rooms = (None, *np.linspace(*ROOM_C, 7))
    percents = (None, *np.linspace(*ROOM_PERCENT, 5))
    for room, percent in itertools.product(rooms, percents):
        for chassis in (None, *np.linspace(*chassis_range_c(room), 5)):
            said = Climate(room, chassis, percent)
            told = u_of(said)
            for held_back in (
                Climate(None, chassis, percent),
                Climate(room, None, percent),
                Climate(room, chassis, None),
                Climate(),
            ):
                assert told <= u_of(held_back) * (1.0 + 1e-12)


def test_an_unsaid_humidity_lies_anywhere_within_15_percent():
    # Rectangular (JCGM 100, 4.3.7): 15/√3; the film's 8 millionths a per cent are known to 20 %.
    found = parts(Climate(23.0, 23.0, None))[HUMIDITY]
    assert found.value == 0.0
    assert found.u == pytest.approx(8.0 * 15.0 / math.sqrt(3.0) * math.hypot(1.0, 0.2))


def test_an_unsaid_chassis_lies_anywhere_within_13_kelvin_of_the_room():
    found = parts(Climate(23.0, None, 50.0))[TEMPERATURE]
    assert found.value == pytest.approx(0.0, abs=1e-9)
    # Rectangular (JCGM 100, 4.3.7): the room 1/√3 K, the chassis 13/√3 K from it, the film 0.7 of
    # that, which is known to 0.3/√3. A kelvin of both shifts by 17 − 23 millionths, one of the
    # chassis alone by 0.7 · 17 − 23; the film's 17 are known to 9 %, the chassis's 23 to 1.
    room_u, warmer_u = 1.0 / math.sqrt(3.0), 13.0 / math.sqrt(3.0)
    by_places = (6.0 * room_u, 11.1 * warmer_u, 17.0 * 0.3 / math.sqrt(3.0) * warmer_u)
    by_film = 0.09 * 17.0 * math.hypot(room_u, 0.7 * warmer_u)
    by_chassis = 1.0 * math.hypot(room_u, warmer_u)
    assert found.u == pytest.approx(math.hypot(*by_places, by_film, by_chassis))


def test_nothing_said_corrects_nothing():
    assert all(part.value == 0.0 for part in climate_of(Climate(), UNSTATED))
