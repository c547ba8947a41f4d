import numpy as np
import pytest

from app.live.view import APART_S, KEPT_S, Strip


def filled(times_s, balances):
    strip = Strip()
    for time_s, balance in zip(times_s, balances, strict=True):
        strip.add(time_s, balance)
    return strip


def test_a_minute_is_kept_and_no_more():
    times_s = np.arange(0.0, 100.0, 0.1)
    kept_s, balances = filled(times_s, np.sin(times_s)).copy()
    wanted_s = times_s[times_s >= times_s[-1] - KEPT_S]
    np.testing.assert_array_equal(kept_s, wanted_s)
    np.testing.assert_array_equal(balances, np.sin(wanted_s))


def test_what_is_copied_stays_as_it_was():
    strip = filled([1.0, 1.1], [0.1, 0.2])
    _, before = strip.copy()
    strip.add(1.2, 0.3)
    np.testing.assert_array_equal(before, [0.1, 0.2])


@pytest.mark.parametrize("balance", [0.1, np.nan])
def test_a_crowd_is_thinned_and_the_newest_stays(balance):
    times_s = np.arange(0.0, 2.0, 0.001)
    kept_s, _ = filled(times_s, np.full(len(times_s), balance)).copy()
    assert kept_s[-1] == times_s[-1]
    assert 100 < len(kept_s) <= 2.0 * 2.0 / APART_S


def test_a_short_break_between_readings_is_not_thinned_away():
    _, balances = filled([0.0, 0.001, 0.002, 0.003], [0.1, 0.1, np.nan, 0.2]).copy()
    np.testing.assert_array_equal(balances, [0.1, 0.1, np.nan, 0.2])


def test_silence_breaks_the_line():
    kept_s, balances = filled([0.0, 0.1, 5.0], [0.1, 0.2, 0.3]).copy()
    np.testing.assert_array_equal(balances, [0.1, 0.2, np.nan, 0.3])
    assert np.all(np.diff(kept_s) >= 0.0)


def test_a_time_that_would_go_back_stands_still():
    kept_s, balances = filled([1.0, 1.1, 1.05, 1.2], [np.nan, np.nan, 0.1, 0.2]).copy()
    np.testing.assert_array_equal(kept_s, [1.0, 1.1, 1.1, 1.2])
    np.testing.assert_array_equal(balances, [np.nan, np.nan, 0.1, 0.2])


def test_a_flicker_faster_than_the_strip_can_hold_drops_the_oldest():
    times_s = np.arange(0.0, 50.0, 0.001)
    balances = np.where(np.arange(len(times_s)) % 2, 0.1, np.nan)
    kept_s, kept = filled(times_s, balances).copy()
    assert len(kept_s) >= KEPT_S / APART_S
    np.testing.assert_array_equal(kept_s, times_s[-len(kept_s) :])
    np.testing.assert_array_equal(kept, balances[-len(kept_s) :])


def test_memory_stays_the_same_over_hours():
    strip = Strip()
    before = strip._kept.nbytes
    for number in range(40_000):
        strip.add(0.1 * number, 0.001 * (number % 7))
    kept_s, _ = strip.copy()
    assert strip._kept.nbytes == before
    assert kept_s[0] == pytest.approx(0.1 * 39_999 - KEPT_S)
    assert kept_s[-1] == 0.1 * 39_999
