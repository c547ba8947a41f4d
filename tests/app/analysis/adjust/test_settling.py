"""A head's drift by the minute, and when it is over."""

from __future__ import annotations

import math

import numpy as np
import pytest

from app.analysis.adjust.settling import TimedPlace, settling_of
from app.analysis.results import Quantity


def watched(at, minutes, u=0.1):
    return [TimedPlace(60.0 * minute, Quantity(at(minute), u)) for minute in range(minutes)]


def test_a_steady_drift_is_told_by_the_minute_and_has_not_settled():
    found = settling_of(watched(lambda minute: 3.0 * minute, 6))
    assert found.rate_um_per_min.value == pytest.approx(3.0)
    assert found.moved_um.value == pytest.approx(15.0)
    assert found.minutes == pytest.approx(5.0)
    assert not found.settled


def test_the_rate_is_that_of_the_newest_four_and_its_u_that_of_their_line():
    places = [*watched(lambda minute: 50.0, 3), *watched(lambda minute: 0.0, 8)[3:]]
    found = settling_of(places)
    assert found.rate_um_per_min.value == pytest.approx(0.0)
    # Of x = 0, 1, 2, 3 min the squares about the mean sum to 5 (JCGM 100, H.3).
    assert found.rate_um_per_min.u == pytest.approx(0.1 / math.sqrt(5.0))
    assert found.settled


def test_a_drive_that_warms_is_watched_until_it_stands():
    def at(minute):
        return 12.0 * (1.0 - math.exp(-minute / 3.0))

    ends = next(n for n in range(4, 60) if settling_of(watched(at, n)).settled)
    # By then it goes by no more than its u a minute, of the 4 µm/min at the beginning.
    assert at(ends - 1) - at(ends - 2) < 0.1
    assert ends > 8


def test_noise_that_hides_a_drift_is_no_rest():
    rng = np.random.default_rng(1)
    noisy = watched(lambda minute: float(rng.normal(0.0, 5.0)), 8, u=5.0)
    assert not settling_of(noisy).settled


def test_too_few_places_or_no_time_between_them_tell_nothing():
    assert settling_of(watched(lambda minute: 0.0, 3)) is None
    assert settling_of([TimedPlace(1.0, Quantity(0.0, 0.1))] * 5) is None
