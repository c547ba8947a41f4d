"""The pace of a sound input: when lateness is loss, to the hundredth of a second."""

import pytest

from instruments.sound.capture import Finding, SoundPace

RATE_HZ, FRAMES, SLOT_S = 1000.0, 10, 0.01


def fed(pace, slots, late_s=0.0, first=0):
    """Feed call-backs of 10 ms on time, or all late by as much; return what is said of each."""
    return [
        pace.observe(FRAMES, 50.0 + (number + 1) * SLOT_S + late_s)
        for number in range(first, first + slots)
    ]


@pytest.mark.parametrize(("late_s", "lost"), [(0.045, False), (0.055, True), (0.3, True)])
def test_a_lasting_lateness_of_more_than_50_ms_is_loss(late_s, lost):
    pace = SoundPace(RATE_HZ)
    assert set(fed(pace, 400)) == {Finding.SOUND}
    told = fed(pace, 60, late_s, first=400)
    if not lost:
        assert set(told) == {Finding.SOUND}
        assert pace.end == 4600
        return
    # Half a second it is in doubt, then what is missing is counted once.
    assert told[:49] == [Finding.HELD] * 49
    assert told.count(Finding.LOST) == 1
    assert told.index(Finding.LOST) in (49, 50, 51)
    assert set(told[52:]) == {Finding.SOUND}
    assert pace.end == 4600 + round(late_s * RATE_HZ)


def test_lateness_that_is_caught_up_is_none():
    pace = SoundPace(RATE_HZ)
    fed(pace, 400)
    assert set(fed(pace, 40, 0.2, first=400)) == {Finding.HELD}
    assert set(fed(pace, 40, first=440)) == {Finding.SOUND}
    assert pace.end == 4800


def test_while_a_backlog_shrinks_it_is_not_judged_for_two_seconds_at_most():
    pace = SoundPace(RATE_HZ)
    fed(pace, 400)
    told = [pace.observe(FRAMES, 54.0 + (n + 1) * SLOT_S + 1.0 - n * 0.002) for n in range(260)]
    first = told.index(Finding.LOST)
    assert set(told[:first]) == {Finding.HELD}
    assert first in (249, 250, 251)  # of 8 ms each


@pytest.mark.parametrize(("slots", "finding"), [(125, Finding.SOUND), (135, Finding.HELD)])
def test_for_a_second_and_a_half_the_pace_is_only_learned(slots, finding):
    pace = SoundPace(RATE_HZ)
    fed(pace, slots)
    assert fed(pace, 1, 0.2, first=slots) == [finding]


def test_times_follow_a_clock_that_is_off_by_more_than_50_ms_and_run_evenly_until_then():
    pace = SoundPace(RATE_HZ)
    fed(pace, 400)
    assert pace.time_of(4000) == pytest.approx(54.0)
    assert pace.time_of(3000) == pytest.approx(53.0)
    # A clock that is slow by 1 % lags by 10 ms more each second; the floor is 2 s old at most.
    for n in range(700):
        assert pace.observe(FRAMES, 54.0 + (n + 1) * SLOT_S * 1.01) is Finding.SOUND
        assert pace.time_of(0) - 50.0 == pytest.approx(0.0) or n > 500
    assert 0.05 < pace.time_of(0) - 50.0 < 0.07
