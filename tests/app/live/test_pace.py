"""How often records come, and how long a reading of them stands."""

import pytest

from app.live.view import Pace


def paced(*arrivals_s):
    made = Pace()
    for time_s in arrivals_s:
        made.add(time_s)
    return made


def test_two_records_make_a_rate():
    assert paced().records_a_second(0.0) is None
    assert paced(1.0).records_a_second(2.0) is None
    assert paced(1.0, 1.5).records_a_second(1.6) == pytest.approx(2.0)


def test_the_rate_falls_while_nothing_comes():
    pace = paced(0.0, 0.5, 1.0)
    assert pace.records_a_second(1.9) == pytest.approx(2.0)
    assert pace.records_a_second(5.0) == pytest.approx(0.25)


def test_one_long_wait_is_not_the_usual_one():
    assert paced(0.0, 0.5, 20.0, 20.5, 21.0).records_a_second(21.1) == pytest.approx(2.0)


def test_a_slow_scope_s_reading_stands_longer_but_not_for_ever():
    assert paced(0.0, 0.5).stale_after_s() == 3.0
    assert paced(0.0, 4.0, 8.0).stale_after_s() == pytest.approx(10.0)
    assert paced(0.0, 500.0).stale_after_s() == 60.0


def test_only_the_newest_records_count():
    pace = paced(*range(0, 100, 10))
    for n in range(10):
        pace.add(100.0 + n / 4)
    assert pace.records_a_second(102.3) == pytest.approx(4.0)
