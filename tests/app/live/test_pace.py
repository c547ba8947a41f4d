"""How often records come, and how long a reading of them stands."""

import numpy as np
import pytest

from app.live.view import SILENT_AFTER_S, BlockPace, Newest, Pace
from instruments.source import Block


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


def flowing(*arrivals_s):
    made = BlockPace()
    for time_s in arrivals_s:
        made.add(time_s)
    return made


def test_a_stream_that_gives_nothing_for_a_quarter_of_a_second_has_stopped():
    flow = flowing(*(n / 50 for n in range(20)))
    assert not flow.has_stopped(0.38 + 0.24)
    assert flow.has_stopped(0.38 + 0.26)
    assert not flowing().has_stopped(5.0)


def test_a_stream_that_comes_in_large_pieces_is_waited_for_by_its_own_bound():
    # Half a second at once, taken in steps.
    flow = flowing(*(piece / 2 + step / 1000 for piece in range(3) for step in range(5)))
    assert flow.silent_after_s() == pytest.approx(2.0 * 0.496)
    assert not flow.has_stopped(1.4)


def test_one_stall_is_not_what_a_stream_is_waited_for():
    assert flowing(0.0, 0.02, 5.0, 5.02).silent_after_s() == SILENT_AFTER_S


def test_the_first_block_after_a_pause_is_told_from_those_before_and_after():
    newest = Newest()
    block = Block(np.zeros((10, 1), np.float32), 1000.0, 0, 0.0)
    times_s = [n / 50 for n in range(20)]
    again_s = [time_s + 0.38 + 0.26 for time_s in times_s]
    told = [newest.count(block, 0, now_s) for now_s in (*times_s, *again_s)]
    assert [at for at, paused in enumerate(told) if paused] == [20]
