"""An arrival is noticed from the readings alone, and nothing else is taken for one."""

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.adjust.positioner import ArrivalState, ArrivalWatch, Steadiness
from app.analysis.results import Quantity, Reading

STEP_S = 0.1
ON, AWAY, SETTLING, ARRIVED = ArrivalState


class Feed:
    """Gives a watch its readings, one each tenth of a second."""

    def __init__(self, **options):
        self.watch = ArrivalWatch(**options)
        self.now_s = 50.0
        self.end_index = 0

    def push(self, reading_of, seconds):
        for _ in range(round(seconds / STEP_S)):
            self.now_s += STEP_S
            self.end_index += 1000
            state = self.watch.push(reading_of(self.end_index), self.now_s)
        return state


def valid(offset_um=20.0, u=0.2, snr_db=20.0):
    def reading(end_index):
        return Reading(
            valid=True,
            end_index=end_index,
            balance=Quantity(offset_um / 178.0, u / 178.0),
            offset_um=Quantity(offset_um, u),
            snr_db=snr_db,
        )

    return reading


def parked(*reasons, snr_db=None):
    return lambda end_index: Reading(
        valid=False, end_index=end_index, reasons=reasons, snr_db=snr_db
    )


OFF_TRACK = parked(messages.NO_CARRIER)


def test_the_head_leaves_comes_back_and_rests():
    feed = Feed()
    assert feed.push(valid(), 1.0) is ON
    assert feed.push(OFF_TRACK, 0.3) is ON
    assert feed.push(OFF_TRACK, 0.2) is AWAY
    assert feed.push(parked(messages.WAITING), 0.5) is AWAY
    assert feed.push(valid(12.0), 0.5) is SETTLING
    assert feed.push(valid(12.0), 1.0) is ARRIVED
    assert feed.watch.arrived
    # It stays so, whatever comes.
    assert feed.push(OFF_TRACK, 2.0) is ARRIVED


@pytest.mark.parametrize(
    "reason",
    [
        messages.NO_CARRIER,
        messages.NO_PATTERN,
        messages.NO_LOCK,
        messages.NULLS_FILLED,
        messages.ONE_LOBE,
        messages.ONE_LOBE_OUTWARD,
        messages.ONE_LOBE_INWARD,
    ],
)
def test_what_the_signal_says_off_the_track_counts(reason):
    feed = Feed()
    feed.push(valid(), 0.5)
    assert feed.push(parked(reason), 0.5) is AWAY


@pytest.mark.parametrize(
    "reasons",
    [
        (messages.STALE,),
        (messages.CLIPPED,),
        (messages.WAITING,),
        (messages.NO_WHOLE_TURN,),
        (messages.CLIPPED, messages.NO_PATTERN),
        (),
    ],
)
def test_what_the_source_says_does_not(reasons):
    feed = Feed()
    feed.push(valid(), 0.5)
    assert feed.push(parked(*reasons), 5.0) is ON
    assert feed.push(valid(), 3.0) is ON


def test_single_invalid_readings_are_no_leaving():
    feed = Feed()
    for _ in range(20):
        feed.push(OFF_TRACK, 0.1)
        assert feed.push(valid(), 0.1) is ON


def test_time_in_which_the_source_was_silent_does_not_count():
    feed = Feed()
    feed.push(valid(), 0.5)
    feed.push(OFF_TRACK, 0.1)
    feed.now_s += 5.0
    assert feed.push(OFF_TRACK, 0.1) is ON
    feed.push(parked(messages.STALE), 0.1)
    assert feed.push(OFF_TRACK, 0.3) is ON
    assert feed.push(OFF_TRACK, 0.2) is AWAY


def test_the_same_reading_again_is_none():
    watch = ArrivalWatch()
    one = OFF_TRACK(7)
    assert {watch.push(one, now_s) for now_s in np.arange(0.0, 5.0, 0.1)} == {ON}


def test_too_uncertain_counts_only_where_the_signal_has_sunk():
    feed = Feed()
    feed.push(valid(snr_db=8.0), 0.5)
    assert feed.push(parked(messages.TOO_UNCERTAIN, snr_db=5.0), 2.0) is ON
    assert feed.push(parked(messages.TOO_UNCERTAIN), 2.0) is ON
    assert feed.push(parked(messages.TOO_UNCERTAIN, snr_db=-20.0), 0.5) is AWAY


def test_a_head_that_still_moves_has_not_arrived():
    feed = Feed()
    feed.push(valid(), 0.5)
    feed.push(OFF_TRACK, 0.5)
    for step in range(30):
        assert feed.push(valid(3.0 * step), 0.1) is SETTLING
    assert feed.push(valid(90.0), 1.5) is ARRIVED


def test_leaving_again_while_it_settles_begins_anew():
    feed = Feed()
    feed.push(valid(), 0.5)
    feed.push(OFF_TRACK, 0.5)
    feed.push(valid(), 0.5)
    assert feed.push(OFF_TRACK, 0.5) is AWAY
    assert feed.push(valid(), 0.6) is SETTLING
    assert feed.push(valid(), 0.6) is ARRIVED


def test_noise_does_not_keep_it_from_resting():
    rng = np.random.default_rng(3)
    feed = Feed()
    feed.push(valid(), 0.5)
    feed.push(OFF_TRACK, 0.5)
    arrived = [feed.push(valid(20.0 + 2.0 * rng.standard_normal(), u=2.0), 0.1) for _ in range(20)]
    assert arrived[-1] is ARRIVED


def test_rest_is_told_only_once_the_stretch_is_full():
    steady = Steadiness(1.0, 1.0)
    assert steady.mean_um is None
    pushed = [steady.push(Quantity(5.0, 0.1), number / 8.0) for number in range(12)]
    assert pushed == [False] * 8 + [True] * 4
    assert steady.mean_um.value == 5.0
