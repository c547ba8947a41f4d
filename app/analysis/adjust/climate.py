"""What warmth and humidity do to an offset: what is corrected for them, and what stays unsure.

The film grows from what it was when its disk was certified, and the chassis from what it is in the
climate of the standards' tests; a reading is put right by what both do to it. All is in millionths
of the track's radius.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

from app.analysis.budget import Part, Shape, combined_u
from app.analysis.results import Quantity

TEMPERATURE = "temperature"
HUMIDITY = "humidity"
CERTIFIED = "climate of the certificate"
OVAL = "anisotropy of the film"
CLIMATE = (TEMPERATURE, HUMIDITY, CERTIFIED, OVAL)
"""Names of the parts that a climate makes."""

NORMAL_C, NORMAL_PERCENT = 23.0, 50.0
"""Middle of the climate of the standards' tests (from memory): where the chassis counts from, and
the film where a disk's certificate states nothing."""
NORMAL_U_K, NORMAL_U_PERCENT = 2.0 / math.sqrt(3.0), 10.0 / math.sqrt(3.0)
"""The width of that climate, ±2 K and ±10 %, rectangular (from memory)."""

ROOM_C = (10.0, 35.0)
WARMER_K = (-5.0, 15.0)
ROOM_PERCENT = (20.0, 80.0)
"""What a room, a chassis above its room, and a room's humidity may be for a job (our choice):
beyond, corrections are too large to be trusted."""
_CHASSIS_C = (ROOM_C[0] + WARMER_K[0], ROOM_C[1] + WARMER_K[1])

THERMOMETER_U_K = 1.0 / math.sqrt(3.0)
_HYGROMETER_U_PERCENT = 5.0 / math.sqrt(3.0)
"""±1 K and ±5 %, rectangular (common practice)."""
UNSAID_ROOM_U_K = 8.0 / math.sqrt(3.0)
UNSAID_WARMER_U_K = 13.0 / math.sqrt(3.0)
UNSAID_HUMIDITY_U_PERCENT = 15.0 / math.sqrt(3.0)
"""A workshop of which nothing is said: ±8 K, a chassis within ±13 K of it, ±15 % (our choice)."""

FILM_TAKES, FILM_TAKES_U = 0.7, 0.3 / math.sqrt(3.0)
"""How much of what the chassis is warmer the film takes on: 0.4 to 1 of it (our choice)."""
CHASSIS_PPM = Quantity(23.0, 1.0)
"""Aluminium, a kelvin (from memory)."""
FILM_THERMAL_PART_U = 0.09
FILM_HUMIDITY_PART_U = 0.2
"""Relative standard uncertainty of the film's coefficients: ±15 % and ±35 % (from memory)."""
OVAL_PPM_PER_K, OVAL_PPM_PER_PERCENT = 5.0, 3.0
"""Largest less smallest expansion of the film's directions, a kelvin and a per cent."""


@dataclass(frozen=True, slots=True)
class Film:
    """A disk's film, and the climate in which it was certified.

    Attributes
    ----------
    thermal_ppm, humidity_ppm : float
        Expansion a kelvin, and a per cent of relative humidity.
    certified_c, certified_percent : Quantity
        Temperature and humidity for which its tracks are stated.
    """

    thermal_ppm: float
    humidity_ppm: float
    certified_c: Quantity
    certified_percent: Quantity


@dataclass(frozen=True, slots=True)
class Climate:
    """What was said of the climate; None where nothing was."""

    room_c: float | None = None
    chassis_c: float | None = None
    humidity_percent: float | None = None


def chassis_range_c(room_c: float | None) -> tuple[float, float]:
    """Return how warm a chassis may be in a room."""
    if room_c is None:
        return _CHASSIS_C
    return room_c + WARMER_K[0], room_c + WARMER_K[1]


@lru_cache(maxsize=1024)
def climate_of(said: Climate, film: Film) -> tuple[Part, ...]:
    """Return what a climate corrects an offset by, and what it leaves unsure.

    What is not said corrects nothing. It leaves at least as much unsure as anything that could
    have been said in its place: so saying it never makes the uncertainty larger.

    Returns
    -------
    tuple of Part
        In millionths of the track's radius, to be added to the offset, positive outward.
    """
    own = worst = _parts(said, film)
    for other in _in_its_place(said):
        worst = max(worst, climate_of(other, film), key=combined_u)
    return tuple(replace(part, u=much.u) for part, much in zip(own, worst, strict=True))


def _in_its_place(said: Climate) -> Iterator[Climate]:
    """Yield what could have been said: u grows to both sides, so the ends are enough."""
    if said.room_c is None:
        low, high = ROOM_C
        if said.chassis_c is not None:
            low = max(low, said.chassis_c - WARMER_K[1])
            high = min(high, said.chassis_c - WARMER_K[0])
        yield from (replace(said, room_c=end) for end in (low, high))
    if said.chassis_c is None:
        yield from (replace(said, chassis_c=end) for end in chassis_range_c(said.room_c))
    if said.humidity_percent is None:
        yield from (replace(said, humidity_percent=end) for end in ROOM_PERCENT)


def _parts(said: Climate, film: Film) -> tuple[Part, ...]:
    certified_c, certified_percent = film.certified_c, film.certified_percent
    film_c, chassis_c, thermal_u = _temperatures(said, film)
    film_k = Quantity(film_c.value - certified_c.value, film_c.u)
    chassis_k = Quantity(chassis_c.value - NORMAL_C, chassis_c.u)
    thermal = film.thermal_ppm * film_k.value - CHASSIS_PPM.value * chassis_k.value
    thermal_u = math.hypot(
        thermal_u,
        FILM_THERMAL_PART_U * film.thermal_ppm * _size(film_k),
        CHASSIS_PPM.u * _size(chassis_k),
    )
    percent = Quantity(0.0, UNSAID_HUMIDITY_U_PERCENT)
    if said.humidity_percent is not None:
        away = said.humidity_percent - certified_percent.value
        percent = Quantity(away, _HYGROMETER_U_PERCENT)
    humid_u = film.humidity_ppm * math.hypot(percent.u, FILM_HUMIDITY_PART_U * _size(percent))
    certified_u = math.hypot(
        film.thermal_ppm * certified_c.u, film.humidity_ppm * certified_percent.u
    )
    # An oval: half of what its axes differ by, at an angle to the lobes that is not known.
    oval = math.hypot(OVAL_PPM_PER_K * _size(film_k), OVAL_PPM_PER_PERCENT * _size(percent))
    return (
        Part(TEMPERATURE, thermal_u, thermal),
        Part(HUMIDITY, humid_u, film.humidity_ppm * percent.value),
        Part(CERTIFIED, certified_u),
        Part(OVAL, oval / 2.0 / math.sqrt(2.0), shape=Shape.ARCSINE),
    )


def _temperatures(said: Climate, film: Film) -> tuple[Quantity, Quantity, float]:
    """Return temperatures of film and chassis, and what not knowing them leaves of the offset.

    Film and chassis warm together: what is not known of both is taken out of both alike.
    """
    room, chassis = said.room_c, said.chassis_c
    film_ppm, chassis_ppm = film.thermal_ppm, CHASSIS_PPM.value
    room_u = UNSAID_ROOM_U_K if room is None else THERMOMETER_U_K
    warmer_u = UNSAID_WARMER_U_K
    if room is not None and chassis is not None:
        warmer = chassis - room
        by_room, by_chassis = (1.0 - FILM_TAKES) * film_ppm, FILM_TAKES * film_ppm - chassis_ppm
        known_u = THERMOMETER_U_K * math.hypot(by_room, by_chassis)
        warmer_u = 0.0
    elif chassis is not None:
        # The room follows from the chassis, and the film lies between both.
        room, warmer, room_u = chassis, 0.0, THERMOMETER_U_K
        by_warmer = (1.0 - FILM_TAKES) * film_ppm
        known_u = math.hypot(room_u * (film_ppm - chassis_ppm), warmer_u * by_warmer)
    else:
        # With the room not said either, all is taken to be as the certificate has it.
        warmer = 0.0
        by_warmer = FILM_TAKES * film_ppm - chassis_ppm
        known_u = math.hypot(room_u * (film_ppm - chassis_ppm), warmer_u * by_warmer)
    takes_u = FILM_TAKES_U * film_ppm * math.hypot(warmer, warmer_u)
    u = math.hypot(known_u, takes_u)
    if room is None:
        return Quantity(film.certified_c.value, room_u), Quantity(NORMAL_C, room_u), u
    spread_u = math.hypot(room_u, FILM_TAKES * warmer_u)
    return (
        Quantity(room + FILM_TAKES * warmer, spread_u),
        Quantity(room + warmer, math.hypot(room_u, warmer_u)),
        u,
    )


def _size(quantity: Quantity) -> float:
    """Return the root mean square of what a quantity may be."""
    return math.hypot(quantity.value, quantity.u)
