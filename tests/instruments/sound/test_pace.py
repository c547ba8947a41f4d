"""The pace of a sound input: when lateness is loss, to the hundredth of a second."""

import pytest

from instruments.sound.capture import Finding, PaceLimits, SoundPace

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


# Sixteen call-backs a second and limits that are parts of it, all without rounding.
EXACT = PaceLimits(tolerance_s=1 / 16, judge_s=1 / 2, settle_s=1.0, memory_s=2.0, drift_s=1 / 16)
JUST = 1 / 1024


class Device:
    """Delivers sixteenths of a second, each as late as is said; frames may be missing before."""

    def __init__(self):
        self.pace = SoundPace(1024.0, EXACT)
        self.delivered_s = 0.0

    def delivers(self, *lates_s):
        told = []
        for late_s in lates_s:
            self.delivered_s += 1 / 16
            told.append(self.pace.observe(64, 64.0 + self.delivered_s + late_s))
        return told

    def loses(self, lost_s):
        self.delivered_s += lost_s


@pytest.fixture
def device():
    found = Device()
    assert set(found.delivers(*[0.0] * 40)) == {Finding.SOUND}
    return found


def test_what_is_late_by_the_tolerance_is_sound_and_by_more_is_held(device):
    assert device.delivers(1 / 16, 1 / 16 + JUST) == [Finding.SOUND, Finding.HELD]


@pytest.mark.parametrize(("count", "finding"), [(13, Finding.SOUND), (14, Finding.HELD)])
def test_the_pace_is_judged_from_the_end_of_settling(count, finding):
    device = Device()
    device.delivers(*[0.0] * count)
    # A second after the first at the second of these counts.
    assert device.delivers(1 / 8) == [finding]


def test_what_came_early_at_the_start_is_forgotten_once_the_pace_has_settled():
    device = Device()
    # What had gathered comes at once, then nothing is ahead any more.
    assert set(device.delivers(-0.5, -0.25, *[0.0] * 40)) == {Finding.SOUND}


def test_what_came_early_just_before_counts_when_the_pace_has_settled():
    device = Device()
    assert device.delivers(*[0.0] * 14, -0.125, 0.0, 0.0)[-1] is Finding.HELD


def test_the_least_of_two_seconds_is_what_lateness_is_counted_from(device):
    assert set(device.delivers(*[1 / 32] * 20)) == {Finding.SOUND}
    assert device.delivers(3 / 32) == [Finding.HELD]
    # All that was on time is more than two seconds ago.
    assert set(device.delivers(*[1 / 32] * 20)) == {Finding.SOUND}
    assert device.delivers(3 / 32) == [Finding.SOUND]


def test_of_unequal_call_backs_the_one_on_time_counts(device):
    assert set(device.delivers(*[1 / 32, 1 / 32, 1 / 32, 0.0] * 12)) == {Finding.SOUND}
    assert device.delivers(3 / 32) == [Finding.HELD]


def test_lateness_that_ended_counts_no_more_towards_the_next(device):
    assert set(device.delivers(*[0.25] * 6)) == {Finding.HELD}
    assert device.delivers(0.0) == [Finding.SOUND]
    assert set(device.delivers(*[0.25] * 8)) == {Finding.HELD}
    # Late for half a second.
    assert device.delivers(0.25) == [Finding.LOST]
    assert device.pace.end == 64 * 56 + 256


def test_a_second_loss_at_once_is_judged_by_itself(device):
    device.loses(0.25)
    assert device.delivers(*[0.0] * 9) == [Finding.HELD] * 8 + [Finding.LOST]
    device.loses(0.125)
    assert device.delivers(*[0.0] * 9) == [Finding.HELD] * 8 + [Finding.LOST]
    assert device.pace.end == 1024 * device.delivered_s


@pytest.mark.parametrize(
    ("lates_s", "last"),
    [
        # From half-way on, the fifth or sixth of nine, they are compared with those before.
        ({1: 7 / 16, 6: 7 / 16}, Finding.LOST),
        ({5: 7 / 16}, Finding.HELD),
        ({4: 7 / 16}, Finding.LOST),
        # By half of the tolerance it may differ.
        ({6: 1 / 2 - 1 / 32}, Finding.LOST),
        ({6: 1 / 2 - 1 / 32 - JUST}, Finding.HELD),
    ],
)
def test_a_lateness_whose_least_goes_on_shrinking_is_not_judged_yet(device, lates_s, last):
    told = device.delivers(*(lates_s.get(number, 1 / 2) for number in range(9)))
    assert told == [Finding.HELD] * 8 + [last]


def test_after_four_times_as_long_it_is_judged_however_it_shrinks(device):
    told = device.delivers(*(3.0 - number / 32 for number in range(65)))
    assert told == [Finding.HELD] * 64 + [Finding.LOST]


def test_times_are_corrected_by_a_clock_that_is_ahead_as_by_one_that_is_behind(device):
    assert device.pace.time_of(0) == 64.0
    device.delivers(-1 / 16)
    assert device.pace.time_of(0) == 64.0
    device.delivers(-1 / 16 - JUST)
    assert device.pace.time_of(1024) == 65.0 - 1 / 16 - JUST
