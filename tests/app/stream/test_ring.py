"""The ring against a plain model that never forgets, and under two threads."""

import itertools
import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.stream.ring import Ring
from instruments.source import Block
from tests.app.stream.fakes import block, frames

LONG_S = 20.0
SAID = ("clipped", "uncalibrated", "min_max")
"""What is said of all frames of a block."""

writes = st.lists(
    st.tuples(
        st.one_of(st.just(0), st.integers(0, 12)),  # frames missing before it
        st.integers(1, 15),
        st.booleans(),  # a gap before it
        st.booleans(),  # its first frame is at the index
        st.sets(st.sampled_from(SAID)),
    ),
    max_size=25,
)


def blocks_of(script) -> list[Block]:
    """Blocks one after the other, as `script` says."""
    made, end = [], 0
    for jump, count, gap_before, at_index, said in script:
        flags = dict.fromkeys(said, True)
        one = block(end + jump, count, gap_before=gap_before, at_index=at_index, **flags)
        made.append(one)
        end = one.end_index
    return made


def drained(ring: Ring, max_frames: int = 10_000) -> list[Block]:
    return list(iter(lambda: ring.take(max_frames), None))


def facts(blocks, missed=0):
    """What is true of each frame: its index, and what is said of it, in order."""
    found, end = [], missed
    for one in blocks:
        for index in range(one.first_index, one.end_index):
            begins = index == one.first_index
            found.append(
                (
                    index,
                    *(getattr(one, name) for name in SAID),
                    begins and one.at_index,
                    begins and (one.gap_before or one.first_index > end),
                    round(one.time_of(index), 6),
                )
            )
        end = one.end_index
    return found


@given(writes, st.integers(1, 30))
@settings(deadline=None, max_examples=200)
def test_what_is_said_of_a_frame_is_said_of_it_however_it_is_taken(script, max_frames):
    given_blocks, ring = blocks_of(script), Ring(1000, 2)
    for one in given_blocks:
        ring.put(one)
    taken = drained(ring, max_frames)
    assert facts(taken) == facts(given_blocks)
    for one in taken:
        assert 0 < len(one.samples_v) <= max_frames
        assert one.samples_v.flags.c_contiguous
        np.testing.assert_array_equal(one.samples_v, frames(one.first_index, len(one.samples_v)))
    assert not any(one.overrun for one in taken)
    assert ring.missed_frames == 0


@given(writes, st.integers(1, 40), st.integers(1, 30), st.data())
@settings(deadline=None, max_examples=200)
def test_the_newest_blocks_win_and_the_reader_is_told(script, capacity, max_frames, data):
    ring, model, taken, missed = Ring(capacity, 2), [], [], 0
    for one in blocks_of(script):
        ring.put(one)
        while sum(len(each.samples_v) for each in model) >= capacity:
            missed += len(model.pop(0).samples_v)
        model.append(one)
        if data.draw(st.booleans(), label="take all"):
            before, model = model, []
            now = drained(ring, max_frames)
            assert [fact[:-2] for fact in facts(now)] == [fact[:-2] for fact in facts(before)]
            taken += now
        assert ring.missed_frames == missed
    taken += drained(ring, max_frames)
    got = sum(len(one.samples_v) for one in taken)
    assert got + missed == sum(count for _, count, *_ in script)
    assert any(one.overrun for one in taken) == (missed > 0)
    for before, after in itertools.pairwise(taken):
        assert after.gap_before or after.first_index == before.end_index
    assert all(one.gap_before for one in taken if one.overrun)


def test_one_block_is_handed_on_as_it_is_and_in_parts_without_a_copy():
    ring, one = Ring(100, 2), block(0, 10)
    ring.put(one)
    ring.put(block(10, 10))
    assert ring.take(10) is one
    part, rest = ring.take(4), ring.take(100)
    assert (part.end_index, rest.first_index) == (14, 14)
    assert part.samples_v.base is rest.samples_v.base is not None


def test_blocks_that_follow_on_are_taken_as_one():
    ring = Ring(100, 2)
    ring.put(block(0, 10, at_index=True))
    ring.put(block(10, 10))
    ring.put(block(20, 10, clipped=True))
    assert [(one.first_index, one.end_index) for one in drained(ring)] == [(0, 20), (20, 30)]


def test_backward_and_overlap_are_refused_and_change_nothing():
    ring = Ring(8, 2)
    ring.put(block(0, 5))
    for first_index in (4, 0, -1):
        with pytest.raises(ValueError, match="comes after frame 4"):
            ring.put(block(first_index, 2))
    assert ring.end_index == 5
    assert facts(drained(ring)) == facts([block(0, 5)])


@pytest.mark.parametrize("shape", [(4,), (4, 1), (4, 3), (4, 2, 1)])
def test_frames_of_another_shape_are_refused(shape):
    with pytest.raises(ValueError, match="for 2 channels"):
        Ring(8, 2).put(block(0, 4, samples_v=np.zeros(shape, np.float32)))


@pytest.mark.parametrize("arguments", [(0, 1), (1, 0), (-5, 2)])
def test_a_ring_without_room_is_refused(arguments):
    with pytest.raises(ValueError, match="room for at least one"):
        Ring(*arguments)


def test_nothing_is_taken_where_nothing_is_and_at_least_one_is_asked_for():
    ring = Ring(8, 2)
    assert ring.take(1) is None
    with pytest.raises(ValueError, match="at least one"):
        ring.take(0)


def test_a_block_longer_than_the_ring_is_kept_whole():
    ring = Ring(8, 2)
    ring.put(block(0, 8))
    ring.put(block(8, 20))
    one = ring.take(100)
    assert (one.first_index, one.end_index, one.overrun) == (8, 28, True)
    assert ring.missed_frames == 8


def test_a_gap_however_wide_takes_no_room():
    ring = Ring(8, 2)
    ring.put(block(0, 5))
    ring.put(block(1000, 3))
    first, after = drained(ring)
    assert (first.end_index, after.first_index, after.gap_before) == (5, 1000, True)
    assert not after.overrun


def test_waiting_ends_by_frames_by_closing_or_by_time():
    ring = Ring(8, 2)
    assert not ring.wait_for(1, 0.0)
    writer = threading.Timer(0.05, ring.put, (block(0, 2),))
    writer.start()
    assert ring.wait_for(2, LONG_S)
    writer.join()
    assert not ring.wait_for(3, 0.0)
    closer = threading.Timer(0.05, ring.close)
    closer.start()
    assert ring.wait_for(3, LONG_S)
    closer.join()
    assert ring.closed
    assert len(drained(ring)) == 1


def test_room_is_what_has_been_taken():
    ring = Ring(8, 2)
    assert ring.wait_for_room(0.0)
    ring.put(block(0, 8))
    assert not ring.wait_for_room(0.0)
    reader = threading.Timer(0.05, ring.take, (3,))
    reader.start()
    assert ring.wait_for_room(LONG_S)
    reader.join()


def in_thread(work) -> tuple[threading.Thread, list[BaseException]]:
    """Start `work`; what it raises is kept for the test to look at."""
    faults: list[BaseException] = []

    def run() -> None:
        try:
            work()
        except Exception as fault:
            faults.append(fault)

    thread = threading.Thread(target=run)
    thread.start()
    return thread, faults


def test_a_hasty_writer_overruns_the_reader_who_is_told_of_every_frame():
    total, ring = 400_000, Ring(3_001, 2)
    sizes = np.random.default_rng(1).integers(1, 2_000, total)

    def write() -> None:
        index = 0
        for size in sizes:
            if index >= total:
                break
            ring.put(block(index, int(size)))
            index += int(size)
        ring.close()

    thread, faults = in_thread(write)
    place = got = 0
    while ring.wait_for(1, LONG_S) and (one := ring.take(1_500)):
        np.testing.assert_array_equal(one.samples_v, frames(one.first_index, len(one.samples_v)))
        assert one.overrun == (one.first_index > place)
        got, place = got + len(one.samples_v), one.end_index
    thread.join(LONG_S)
    assert not thread.is_alive()
    assert faults == []
    assert got + ring.missed_frames == ring.end_index >= total


def test_a_writer_that_waits_for_room_loses_nothing():
    total, ring = 300_000, Ring(2_003, 2)

    def write() -> None:
        for index in range(0, total, 700):
            assert ring.wait_for_room(LONG_S)
            ring.put(block(index, min(700, total - index)))
        ring.close()

    thread, faults = in_thread(write)
    place = 0
    while ring.wait_for(500, LONG_S) and (one := ring.take(500)):
        assert one.first_index == place
        np.testing.assert_array_equal(one.samples_v, frames(place, len(one.samples_v)))
        place = one.end_index
    thread.join(LONG_S)
    assert not thread.is_alive()
    assert faults == []
    assert (place, ring.missed_frames) == (total, 0)


@pytest.mark.parametrize(
    ("keep", "first", "missed"), [(1, 30, 30), (10, 30, 30), (11, 20, 20), (99, 0, 0)]
)
def test_skipping_keeps_the_newest_whole_blocks(keep, first, missed):
    ring = Ring(1000, 1)
    for start in range(0, 40, 10):
        ring.put(Block(np.zeros((10, 1), np.float32), 1.0, start, float(start)))
    assert ring.waiting_frames == 40
    ring.skip(keep)
    assert ring.missed_frames == missed
    assert ring.waiting_frames == 40 - missed
    block = ring.take(10)
    assert block.first_index == first
    assert block.overrun is block.gap_before is (missed > 0)


def test_skipping_an_empty_ring_does_nothing():
    ring = Ring(10, 1)
    ring.skip(1)
    assert ring.take(1) is None
    assert ring.missed_frames == 0
