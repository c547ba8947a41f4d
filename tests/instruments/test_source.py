"""What every source inherits: the one way to read on to the end; and blocks, cut and joined."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from instruments.source import Block, SourceLost, SourceTimeout, SourceUnavailable
from tests.app.stream.fakes import FakeClock, FakeSource, block, ended

WAIT_S = 0.5
NOTHING = SourceTimeout("fake: nothing came")


def reading(*steps):
    """Return a source that plays `steps`, the clock that its waits move, and its blocks."""
    clock = FakeClock()
    source = FakeSource(steps, clock=clock)
    source.open()
    return clock, source.blocks(WAIT_S, clock)


def test_the_end_ends_the_blocks():
    blocks = [block(0, 5), block(5, 5)]
    assert list(reading(*blocks, ended())[1]) == blocks


def test_each_wait_in_vain_is_told():
    only = block(0, 5)
    assert list(reading(NOTHING, only, NOTHING, NOTHING, ended())[1]) == [None, only, None, None]


def test_a_source_is_given_up_after_its_silence():
    clock, blocks = reading(block(0, 5), *[NOTHING] * 20)
    assert next(blocks) is not None
    with pytest.raises(SourceTimeout, match="nothing came"):
        list(blocks)
    # Five seconds of silence in waits of half a second.
    assert clock.now_s == pytest.approx(FakeSource.silence_s)


def test_a_block_ends_the_silence_and_time_spent_on_it_is_none():
    quiet = [NOTHING] * 9
    clock, blocks = reading(*quiet, block(0, 5), *quiet, block(5, 5), *quiet, ended())
    given = 0
    for each in blocks:
        if each is not None:
            given += 1
            clock.sleep(60.0)
    assert given == 2


def test_a_fault_goes_on_to_whoever_reads():
    _, blocks = reading(block(0, 5), SourceLost("fake: unplugged"))
    next(blocks)
    with pytest.raises(SourceLost, match="unplugged"):
        next(blocks)


def test_what_a_source_cannot_do_it_says():
    source = FakeSource([])
    source.open()
    assert (source.settings, source.controls, source.has_deep_record) == ((), None, False)
    with pytest.raises(SourceUnavailable, match="“fake:” has no memory"):
        source.fetch_deep()
    assert list(itertools.islice(source.blocks(0.01), 2)) == [None, None]


def test_a_part_of_a_block_keeps_place_time_and_what_is_said_of_all():
    samples_v = np.arange(20, dtype=np.float32).reshape(10, 2)
    flags = {"clipped": True, "uncalibrated": True, "min_max": True}
    whole = Block(samples_v, 100.0, 40, 7.0, True, True, at_index=True, **flags)
    assert (whole.end_index, whole.time_of(45)) == (50, 7.05)
    assert whole.time_of(39) == pytest.approx(6.99)
    head, tail = whole.part(0, 4), whole.part(4)
    assert (head.gap_before, head.overrun, head.at_index) == (True, True, True)
    assert (tail.gap_before, tail.overrun, tail.at_index) == (False, False, False)
    assert (tail.first_index, tail.t0_s) == (44, pytest.approx(7.04))
    assert np.array_equal(tail.samples_v, samples_v[4:])
    assert np.array_equal(head.samples_v, samples_v[:4])
    assert head.goes_on_with(tail)
    assert all(getattr(tail, name) for name in flags)


@pytest.mark.parametrize(
    "change",
    [
        {"first_index": 11},
        {"sample_rate_hz": 99.0},
        *({name: True} for name in ("gap_before", "overrun", "at_index")),
        *({name: True} for name in ("clipped", "uncalibrated", "min_max")),
    ],
)
def test_blocks_of_which_other_things_are_said_do_not_go_on(change):
    one = Block(np.zeros((10, 1), np.float32), 100.0, 0, 0.0)
    other = Block(np.zeros((10, 1), np.float32), 100.0, 10, 0.1)
    assert one.goes_on_with(other)
    assert not one.goes_on_with(replace(other, **change))
    loose = {"gap_before", "overrun", "at_index"} & set(change)
    assert replace(one, **change).goes_on_with(other) is bool(loose)
