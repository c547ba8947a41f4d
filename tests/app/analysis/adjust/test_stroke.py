"""Slope over the stroke and the stepper's phases, against numpy's own least squares."""

from __future__ import annotations

import numpy as np
import pytest

from app.analysis.adjust.stroke import TrackPlace, stroke_of
from app.analysis.results import Quantity

TRACKS, PHASES = 40, 4
FIVE = (3, 9, 16, 22, 32)


def places(numbers, at, u=0.2):
    return [TrackPlace(track, Quantity(at(track), u)) for track in numbers]


def test_a_slope_is_told_from_outer_to_inner_end():
    found = stroke_of(places(FIVE, lambda track: 7.0 - 10.0 * track / 39.0), TRACKS)
    assert found.slope_um.value == pytest.approx(10.0)
    assert found.phases_um == ()


def test_the_slope_of_scattered_places_is_that_of_numpys_own_line():
    rng = np.random.default_rng(4)
    values = dict(zip(FIVE, rng.normal(0.0, 0.2, 5), strict=True))
    found = stroke_of(places(FIVE, values.get), TRACKS)
    slope, _ = np.polyfit(FIVE, list(values.values()), 1)
    assert found.slope_um.value == pytest.approx(-slope * (TRACKS - 1))
    # Of equal u the line's is u over the root of the sum of squares about the mean.
    about = np.array(FIVE) - np.mean(FIVE)
    assert found.slope_um.u >= 0.2 / np.sqrt(np.sum(about**2)) * (TRACKS - 1) * 0.999


def test_a_phase_that_is_off_is_told_from_a_slope():
    def at(track):
        return 5.0 - 12.0 * track / 39.0 + (8.0 if track % PHASES == 1 else 0.0)

    found = stroke_of(places(FIVE, at), TRACKS, PHASES)
    assert found.slope_um.value == pytest.approx(12.0)
    phases = {phase: quantity.value for phase, quantity in found.phases_um}
    # The four sum to nought: 8 less their mean of 2, and −2 each.
    assert phases == pytest.approx({0: -2.0, 1: 6.0, 2: -2.0, 3: -2.0})


@pytest.mark.parametrize("numbers", [(3, 9, 16, 22), (4, 8, 16)])
def test_phases_that_cannot_be_told_from_the_slope_are_not_told(numbers):
    found = stroke_of(places(numbers, lambda track: 0.1 * track), TRACKS, PHASES)
    assert found.phases_um == ()
    assert found.slope_um.value == pytest.approx(-3.9)


def test_one_track_tells_no_slope():
    assert stroke_of(places((16,), lambda track: 1.0), TRACKS, PHASES) is None
