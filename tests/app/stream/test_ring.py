"""The ring against a plain model that never forgets, and under two threads."""

import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.stream.ring import Chunk, Gap, GapInWindow, Overrun, Ring, StreamError
from tests.app.stream.fakes import frames

LONG_S = 20.0


class Model:
    """All that was ever written, in a dictionary."""

    def __init__(self, capacity: int, max_gaps: int) -> None:
        self.capacity, self.max_gaps = capacity, max_gaps
        self.rows: dict[int, int] = {}
        self.breaks: set[int] = set()
        self.end = 0
        self.floor = 0

    def write(self, first_index: int, count: int, gap_before: bool) -> None:
        if gap_before or first_index > self.end:
            self.breaks.add(first_index)
        self.end = first_index + count
        for index in range(first_index, self.end):
            self.rows[index] = index
        self.breaks = {index for index in self.breaks if index in self.rows or index == self.end}
        kept = sorted(index for index in self.breaks if index >= self.floor)
        if len(kept) > self.max_gaps:
            self.floor = kept[-self.max_gaps]
        self.floor = max(self.floor, self.end - self.capacity)

    @property
    def oldest(self) -> int:
        return min((index for index in self.rows if index >= self.floor), default=self.end)

    @property
    def gaps(self) -> tuple[Gap, ...]:
        found = []
        for index in sorted(self.breaks):
            if index >= self.oldest:
                before = max((row for row in self.rows if row < index), default=-1)
                found.append(Gap(index, index - before - 1))
        return tuple(found)

    def joined(self, start: int, end: int) -> bool:
        """Whether all frames are there and follow one on the other."""
        there = all(index in self.rows for index in range(start, end))
        return there and not any(start < index < end for index in self.breaks)

    def chunk(self, index: int, max_frames: int) -> tuple[int, int, bool, int, bool]:
        """First index, end, gap before, lost frames, overrun."""
        start = min((row for row in self.rows if row >= max(index, self.oldest)), default=self.end)
        end = start
        while end < self.end and end - start < max_frames and self.joined(start, end + 1):
            end += 1
        overrun = any(row in self.rows for row in range(index, start))
        return start, end, start > index or start in self.breaks, start - index, overrun


writes = st.lists(
    st.tuples(st.one_of(st.just(0), st.integers(0, 12)), st.integers(0, 15), st.booleans()),
    max_size=25,
)


def filled(capacity: int, max_gaps: int, script: list[tuple[int, int, bool]]) -> tuple[Ring, Model]:
    ring, model = Ring(capacity, 2, max_gaps), Model(capacity, max_gaps)
    for jump, count, gap_before in script:
        first_index = model.end + jump
        ring.write(frames(first_index, count), first_index, gap_before)
        model.write(first_index, count, gap_before)
        assert (ring.oldest_index, ring.end_index) == (model.oldest, model.end)
        assert ring.gaps == model.gaps
    return ring, model


@given(st.integers(1, 20), st.integers(1, 6), writes, st.data())
@settings(deadline=None, max_examples=200)
def test_windows_are_those_of_the_model(capacity, max_gaps, script, data):
    ring, model = filled(capacity, max_gaps, script)
    start = data.draw(st.integers(max(0, model.oldest - 3), model.end), label="start")
    end = data.draw(st.integers(start, model.end), label="end")
    if start == end:
        with pytest.raises(ValueError, match="no window"):
            ring.window(start, end)
    elif any(index in model.rows for index in range(start, model.oldest)):
        with pytest.raises(Overrun) as overrun:
            ring.window(start, end)
        gone = [index for index in range(start, end) if index < model.oldest]
        assert overrun.value.lost_frames == len(gone)
    elif not model.joined(start, end):
        with pytest.raises(GapInWindow) as told:
            ring.window(start, end)
        assert told.value.gap == next(gap for gap in model.gaps if gap.index > start)
    else:
        view_v = ring.window(start, end)
        np.testing.assert_array_equal(view_v, frames(start, end - start))
        assert view_v.flags.c_contiguous
        assert not view_v.flags.writeable
        assert view_v.base is not None


@given(st.integers(1, 20), st.integers(1, 6), writes, st.data())
@settings(deadline=None, max_examples=200)
def test_chunks_are_those_of_the_model(capacity, max_gaps, script, data):
    ring, model = filled(capacity, max_gaps, script)
    index = data.draw(st.integers(0, model.end), label="index")
    max_frames = data.draw(st.integers(1, 25), label="max_frames")
    while True:
        chunk = ring.copy_since(index, max_frames)
        found = (
            chunk.first_index,
            chunk.end_index,
            chunk.gap_before,
            chunk.lost_frames,
            chunk.overrun,
        )
        assert found == model.chunk(index, max_frames)
        np.testing.assert_array_equal(
            chunk.samples_v, frames(chunk.first_index, len(chunk.samples_v))
        )
        if chunk.end_index == index:
            break
        index = chunk.end_index
    assert index == model.end


@given(st.integers(1, 20), writes)
@settings(deadline=None)
def test_a_reader_that_keeps_up_gets_every_frame_once(capacity, script):
    ring, end = Ring(capacity, 2), 0
    got: list[Chunk] = []
    for jump, count, gap_before in script:
        taken = min(count, capacity)
        ring.write(frames(end + jump, taken), end + jump, gap_before)
        place, end = end, end + jump + taken
        while place < end:
            got.append(ring.copy_since(place, 7))
            place = got[-1].end_index
    assert not any(chunk.overrun for chunk in got)
    assert sum(chunk.lost_frames for chunk in got) == sum(jump for jump, _, _ in script)


def test_a_chunk_is_a_copy_and_a_window_is_not():
    ring = Ring(4, 2)
    ring.write(frames(0, 4), 0)
    view_v, chunk = ring.window(0, 4), ring.copy_since(0, 4)
    ring.write(frames(4, 4), 4)
    np.testing.assert_array_equal(chunk.samples_v, frames(0, 4))
    np.testing.assert_array_equal(view_v, frames(4, 4))
    with pytest.raises(ValueError, match="read-only"):
        view_v[0, 0] = 1.0


def test_the_ring_copies_what_it_is_given():
    ring, given_v = Ring(8, 2), frames(0, 4)
    ring.write(given_v, 0)
    given_v[:] = 0
    np.testing.assert_array_equal(ring.window(0, 4), frames(0, 4))


def test_backward_and_overlap_are_refused_and_change_nothing():
    ring = Ring(8, 2)
    ring.write(frames(0, 5), 0)
    for first_index in (4, 0, -1):
        with pytest.raises(ValueError, match="comes after frame 4"):
            ring.write(frames(0, 2), first_index)
    assert (ring.oldest_index, ring.end_index, ring.gaps) == (0, 5, ())
    np.testing.assert_array_equal(ring.window(0, 5), frames(0, 5))


@pytest.mark.parametrize("shape", [(4,), (4, 1), (4, 3), (4, 2, 1)])
def test_frames_of_another_shape_are_refused(shape):
    with pytest.raises(ValueError, match="for 2 channels"):
        Ring(8, 2).write(np.zeros(shape, np.float32), 0)


@pytest.mark.parametrize("arguments", [(0, 1), (1, 0), (1, 1, 0), (-5, 2)])
def test_a_ring_without_room_is_refused(arguments):
    with pytest.raises(ValueError, match="room for at least one"):
        Ring(*arguments)


def test_what_is_not_written_yet_is_refused():
    ring = Ring(8, 2)
    ring.write(frames(0, 5), 0)
    for start, end in ((0, 6), (6, 6), (3, 2), (3, 3)):
        with pytest.raises(ValueError, match="frames end at 5"):
            ring.window(start, end)
    for index in (-1, 6):
        with pytest.raises(ValueError, match="frames end at 5"):
            ring.copy_since(index, 1)
    with pytest.raises(ValueError, match="at least one"):
        ring.copy_since(0, 0)


def test_overrun_tells_how_many_frames_are_gone():
    ring = Ring(8, 2)
    ring.write(frames(0, 20), 0)
    with pytest.raises(Overrun, match="9 frames") as told:
        ring.window(3, 15)
    assert isinstance(told.value, StreamError)
    assert told.value.lost_frames == 9


def test_a_gap_wider_than_the_ring_is_no_overrun_of_a_reader_who_has_everything():
    ring = Ring(8, 2)
    ring.write(frames(0, 5), 0)
    ring.write(frames(1000, 3), 1000)
    chunk = ring.copy_since(5, 10)
    assert (chunk.first_index, chunk.lost_frames, chunk.overrun) == (1000, 995, False)
    assert ring.copy_since(4, 10).overrun


def test_gaps_are_bounded_and_never_overlooked():
    ring = Ring(1000, 2, max_gaps=3)
    for index in range(0, 100, 10):
        ring.write(frames(index, 10), index, gap_before=True)
    assert ring.gaps == (Gap(70, 0), Gap(80, 0), Gap(90, 0))
    assert ring.oldest_index == 70


def test_waiting_ends_by_a_frame_by_closing_or_by_time():
    ring = Ring(8, 2)
    assert not ring.wait_beyond(0, 0.0)
    writer = threading.Timer(0.05, ring.write, (frames(0, 1), 0))
    writer.start()
    assert ring.wait_beyond(0, LONG_S)
    writer.join()
    closer = threading.Timer(0.05, ring.close)
    closer.start()
    assert not ring.wait_beyond(1, LONG_S)
    closer.join()
    assert ring.closed
    assert ring.wait_beyond(0, LONG_S)


def test_room_is_what_is_released():
    ring = Ring(8, 2)
    assert ring.wait_for_room(0, 0.0) == 8
    ring.write(frames(0, 8), 0)
    assert ring.wait_for_room(8, 0.0) == 0
    ring.release(3)
    ring.release(2)
    assert ring.wait_for_room(8, 0.0) == 3
    ring.release(8)
    assert ring.wait_for_room(500, 0.0) == 8


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
            ring.write(frames(index, int(size)), index)
            index += int(size)
        ring.close()

    thread, faults = in_thread(write)
    place = got = lost = 0
    while ring.wait_beyond(place, LONG_S):
        chunk = ring.copy_since(place, 1_500)
        np.testing.assert_array_equal(
            chunk.samples_v, frames(chunk.first_index, len(chunk.samples_v))
        )
        assert chunk.overrun == (chunk.lost_frames > 0)
        got, lost, place = got + len(chunk.samples_v), lost + chunk.lost_frames, chunk.end_index
    thread.join(LONG_S)
    assert not thread.is_alive()
    assert faults == []
    assert got + lost == ring.end_index >= total


def test_a_writer_that_waits_for_room_loses_nothing_and_views_stay_true():
    total, ring = 300_000, Ring(2_003, 2)

    def write() -> None:
        index = 0
        while index < total:
            room = ring.wait_for_room(index, LONG_S)
            count = min(room, 700, total - index)
            ring.write(frames(index, count), index)
            index += count
        ring.close()

    thread, faults = in_thread(write)
    place = 0
    while ring.wait_beyond(place, LONG_S):
        end = ring.end_index
        np.testing.assert_array_equal(ring.window(place, end), frames(place, end - place))
        place = end
        ring.release(place)
    thread.join(LONG_S)
    assert not thread.is_alive()
    assert faults == []
    assert place == total
