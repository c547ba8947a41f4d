"""What every source inherits: the one way to read on through silence to the end."""

import itertools

import pytest

from instruments.source import SourceLost, SourceTimeout, SourceUnavailable
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
