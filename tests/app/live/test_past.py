"""What is kept of an open source: how much, for how long, and what there is of a moment."""

import numpy as np
import pytest

from app.analysis.results import Trace
from app.live import past as module
from app.live.past import KEPT_S, SAMPLED_TURNS, Past
from instruments.source import Block

TURN_S = 0.2
RATE_HZ = 1000.0
TURN = round(TURN_S * RATE_HZ)
BEGUN_S = 50.0


def block(first, frames=TURN // 4, channels=2):
    """Samples whose values are their own numbers."""
    numbers = np.arange(first, first + frames, dtype=np.float32)
    return Block(np.tile(numbers[:, None], channels), RATE_HZ, first, BEGUN_S + first / RATE_HZ)


def turn(number, top_v=1.0):
    places = (np.arange(50, dtype=np.float32) + 0.5) / 50
    frames = (number - 1.0) * TURN, float(number * TURN)
    return Trace(places, np.full(50, top_v, np.float32), (), (), number, frames)


def filled(turns, lost=(), past=None, **changes):
    """A past of so many turns, of which those in `lost` were not followed."""
    past = past or Past(TURN_S)
    for number in range(1, turns + 1):
        for quarter in range(4):
            piece = block((number - 1) * TURN + quarter * TURN // 4, **changes)
            past.take(piece)
        if number not in lost:
            past.add(turn(number), piece)
    return past


def middle_s(number):
    return BEGUN_S + (number - 0.5) * TURN_S


def test_of_nothing_there_is_nothing():
    past = Past(TURN_S)
    assert past.look() is None
    assert past.step(None, -1) is None
    assert past.moment(5.0) is None
    assert np.isnan(past.heights(10)).all()


def test_now_is_the_newest_whole_turn():
    past = filled(5)
    past.take(block(5 * TURN))
    look = past.look(before=2)
    assert [each.trace.number for each in look.turns] == [3, 4, 5]
    assert look.back_s == 0.0
    samples = np.concatenate([each.samples_v[:, 0] for each in look.blocks])
    np.testing.assert_array_equal(samples, np.arange(4 * TURN, 5 * TURN))


def test_turns_of_ten_minutes_and_samples_of_the_last_twenty_are_kept():
    count = round(KEPT_S / TURN_S) + 100
    past = filled(count)
    turns, blocks = past._turns, past._blocks
    newest_s = BEGUN_S + count * TURN_S
    assert turns[0].from_s == pytest.approx(newest_s - KEPT_S, abs=TURN_S)
    assert len(turns) == pytest.approx(KEPT_S / TURN_S, abs=1)
    frames = sum(len(each.samples_v) for each in blocks)
    assert frames == (SAMPLED_TURNS + 1) * TURN
    assert past._frames == frames
    assert past._block_bytes == sum(each.samples_v.nbytes for each in blocks)
    assert past._turn_bytes == sum(each.trace.turns.nbytes * 2 for each in turns)
    whole = [past.look(middle_s(count - back)) for back in range(SAMPLED_TURNS)]
    assert all(sum(len(each.samples_v) for each in look.blocks) == TURN for look in whole)
    before = past.look(middle_s(count - SAMPLED_TURNS - 2))
    assert before.turns
    assert not before.blocks


@pytest.mark.parametrize(
    ("bound", "kept"), [("MOST_SAMPLE_BYTES", "_block_bytes"), ("MOST_TURN_BYTES", "_turn_bytes")]
)
def test_memory_is_bounded_however_much_comes(monkeypatch, bound, kept):
    monkeypatch.setattr(module, bound, 4000)
    past = filled(100)
    # What came last is kept in any case: a block of 50 frames, a turn of 50 points.
    assert 3000 < getattr(past, kept) <= 4000 + 400


def test_a_turn_is_kept_once():
    past = filled(3)
    past.add(turn(3), block(3 * TURN))
    assert len(past._turns) == 3


def test_steps_go_from_turn_to_turn_and_end_at_now():
    past = filled(40)
    at_s, seen = None, []
    for _ in range(5):
        at_s = past.step(at_s, -1)
        seen.append(past.look(at_s).turns[-1].trace.number)
    assert seen == [39, 38, 37, 36, 35]
    for _ in range(4):
        at_s = past.step(at_s, 1)
        assert at_s is not None
    assert past.step(at_s, 1) is None


def test_no_step_goes_further_back_than_what_is_kept():
    past = filled(10)
    at_s = past.step(None, -500)
    look = past.look(at_s)
    oldest = look.turns[-1]
    assert oldest.trace.number == 1
    assert at_s == pytest.approx((oldest.from_s + oldest.until_s) / 2)
    assert past.step(at_s, -1) == at_s
    # Time goes on, and what was looked at is forgotten: the oldest is shown.
    past = filled(round(KEPT_S / TURN_S) + 50)
    assert past.look(at_s).back_s == pytest.approx(KEPT_S, abs=2 * TURN_S)


def test_back_counts_from_the_newest_sample():
    past = filled(300)
    look = past.look(past.moment(42.0))
    assert look.back_s == pytest.approx(42.0)
    assert past.moment(0.05) is None


def test_where_no_turn_was_followed_there_are_samples_as_long_as_one():
    past = filled(30, lost=range(20, 31))
    now = past.look()
    assert not now.turns
    assert now.frames == pytest.approx((29 * TURN, 30 * TURN))
    lost = past.look(middle_s(25))
    assert not lost.turns
    assert sum(len(each.samples_v) for each in lost.blocks) == TURN
    assert past.look(middle_s(19)).turns[-1].trace.number == 19


def test_one_can_step_through_what_was_lost():
    past = filled(30, lost=range(20, 31))
    at_s = past.step(None, -3)
    assert not past.look(at_s).turns
    assert past.look(at_s).back_s == pytest.approx(3 * TURN_S)
    at_s = past.step(at_s, -10)
    assert past.look(at_s).turns[-1].trace.number == 18


def test_lost_samples_stay_lost():
    past = Past(TURN_S)
    past.take(block(0))
    past.take(block(TURN))
    look = past.look(BEGUN_S + TURN_S / 2)
    first, second = look.blocks[0], look.blocks[-1]
    assert (first.end_index, second.first_index) == (TURN // 4, TURN) or len(look.blocks) == 1


def test_heights_over_all_show_each_loss_as_a_gap():
    past = filled(3000, lost=range(1000, 1011))
    heights_v = past.heights(1900)
    assert heights_v.shape == (1900,)
    gaps = np.flatnonzero(np.isnan(heights_v))
    # Turn 1000 of 3000, eleven of them long: 6.3 columns.
    assert gaps.size == pytest.approx(11 * TURN_S / KEPT_S * 1900, abs=2.0)
    assert gaps.mean() == pytest.approx(1005 / 3000 * 1900, abs=3)
    assert (heights_v[np.isfinite(heights_v)] == 1.0).all()


@pytest.mark.few(2)
@pytest.mark.parametrize("columns", [100, 320, 1900, 3840])
def test_a_single_lost_turn_is_seen_at_any_width(columns):
    past = filled(3000, lost=[1500])
    gaps = np.flatnonzero(np.isnan(past.heights(columns)))
    assert gaps.size
    assert gaps.max() - gaps.min() < gaps.size + 1
    assert gaps.mean() == pytest.approx(columns / 2, abs=2)


def test_a_turn_that_is_lost_within_a_column_leaves_that_column_empty():
    # The 1515th of 3000 ends in the middle of the 51st of 100 columns.
    heights_v = filled(3000, lost=[1515]).heights(100)
    assert np.flatnonzero(np.isnan(heights_v)).tolist() == [50]


def test_what_is_not_yet_there_is_empty():
    heights_v = filled(300).heights(1000)
    assert np.isnan(heights_v[:890]).all()
    assert np.isfinite(heights_v[-95:]).all()
