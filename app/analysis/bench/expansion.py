"""How far warmth and humidity shift the alignment track against the head."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from app.analysis.reading import Quantity

NOTHING = Quantity(0.0, 0.0)


@dataclass(frozen=True, slots=True)
class ExpansionFinding:
    """Shift of the track against the head, in micrometres, positive outward.

    The head's offset from the track reads as much less.

    Attributes
    ----------
    shift_um : Quantity
        All together.
    film_um, humidity_um, chassis_um : Quantity
        The parts: film by temperature, film by humidity, and what the chassis takes back.
    """

    shift_um: Quantity
    film_um: Quantity
    humidity_um: Quantity
    chassis_um: Quantity


def expansion_of(
    radius_mm: float,
    *,
    film_k: Quantity = NOTHING,
    film_ppm_per_k: Quantity,
    humidity_percent: Quantity = NOTHING,
    humidity_ppm_per_percent: Quantity = NOTHING,
    chassis_k: Quantity = NOTHING,
    chassis_ppm_per_k: Quantity = NOTHING,
) -> ExpansionFinding:
    """Return the shift of a track by differences from the conditions that its disk is for.

    Parameters
    ----------
    radius_mm : float
        Radius of the track.
    film_k, humidity_percent, chassis_k : Quantity
        Disk and chassis less what they were when the disk was written or certified: kelvin, and
        per cent of relative humidity.
    film_ppm_per_k, humidity_ppm_per_percent, chassis_ppm_per_k : Quantity
        Coefficients in millionths: PET film about 17 a kelvin, aluminium about 23 (from memory).
    """
    film = _grown(radius_mm, film_ppm_per_k, film_k)
    humidity = _grown(radius_mm, humidity_ppm_per_percent, humidity_percent)
    chassis = _grown(-radius_mm, chassis_ppm_per_k, chassis_k)
    parts = (film, humidity, chassis)
    u = float(np.sqrt(sum(part.u**2 for part in parts)))
    return ExpansionFinding(Quantity(sum(part.value for part in parts), u), film, humidity, chassis)


def _grown(radius_mm: float, ppm: Quantity, by: Quantity) -> Quantity:
    """Return radius × coefficient × difference in µm: a millionth of a millimetre is 0.001 µm."""
    # The product of both uncertainties is all there is of u where both values are zero.
    u = np.sqrt((ppm.value * by.u) ** 2 + (by.value * ppm.u) ** 2 + (ppm.u * by.u) ** 2)
    size = 1e-3 * radius_mm
    return Quantity(size * ppm.value * by.value, float(abs(size) * u))
