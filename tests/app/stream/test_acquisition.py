"""The acquisition thread on scripted sources."""

import threading
import time

import numpy as np
import pytest

from app.stream.acquisition import Acquisition, Phase, Timing
from app.stream.ring import Ring
from instruments.source import (
    AddressError,
    Block,
    FormatError,
    SourceError,
    SourceLost,
    SourceTimeout,
    SourceUnavailable,
)
from tests.app.stream.fakes import (
    RATE_HZ,
    FakeClock,
    FakeSource,
    HangingSource,
    block,
    ended,
    frames,
    info,
)

LONG_S = 20.0


@pytest.fixture
def clock():
    return FakeClock()


@pytest.fixture
def acquire(clock):
    """Make and start an acquisition on the fake clock; stop it after the test."""
    made: list[Acquisition] = []

    def start(source, **options) -> Acquisition:
        timing = Timing(clock=clock, sleep=clock.sleep)
        options = {"ring_seconds": 1.0, "timing": timing} | options
        made.append(Acquisition(source, **options))
        made[-1].start()
        return made[-1]

    yield start
    for acquisition in made:
        assert acquisition.stop()


def drained(ring: Ring, max_frames: int = 10_000) -> list[Block]:
    return list(iter(lambda: ring.take(max_frames), None))


def until(condition) -> None:
    deadline_s = time.monotonic() + LONG_S
    while not condition():
        assert time.monotonic() < deadline_s, "it did not come about"
        time.sleep(0.001)


def test_blocks_come_into_the_ring_and_are_counted(acquire):
    source = FakeSource([block(0, 100), block(100, 50), ended()])
    acquisition = acquire(source)
    assert acquisition.join_and_raise(LONG_S)
    status = acquisition.status()
    assert (status.phase, status.message) == (Phase.ENDED, "")
    assert (status.frames, status.lost_frames) == (150, 0)
    assert status.info == info()
    assert isinstance(acquisition.ring, Ring)
    assert acquisition.ring.capacity_frames == RATE_HZ
    assert acquisition.ring.closed
    np.testing.assert_array_equal(acquisition.ring.take(1000).samples_v, frames(0, 150))
    assert acquisition.error is None
    assert not source.is_open
    assert source.threads == {"acquisition"}


def test_phases_before_and_while(acquire):
    acquisition = Acquisition(FakeSource(), ring_seconds=1.0)
    assert acquisition.status().phase is Phase.CLOSED
    assert acquisition.ring is None
    assert acquisition.status().levels == ()
    assert acquisition.stop()

    gate, entered = threading.Event(), threading.Event()

    class Slow(FakeSource):
        def open(self) -> None:
            entered.set()
            gate.wait()
            super().open()

    running = acquire(Slow([block(0, 10)]))
    assert entered.wait(LONG_S)
    assert running.status().phase is Phase.OPENING
    assert running.wait_for_ring(0.0) is None
    gate.set()
    ring = running.wait_for_ring(LONG_S)
    assert ring is not None
    assert ring.wait_for(10, LONG_S)
    assert running.status().phase is Phase.RUNNING
    assert running.stop()
    assert running.status().phase is Phase.CLOSED


def test_gaps_and_lost_frames_are_told(acquire):
    source = FakeSource(
        [block(0, 100), block(130, 20), block(150, 10, gap_before=True), block(160, 5), ended()]
    )
    acquisition = acquire(source)
    acquisition.join_and_raise(LONG_S)
    taken = drained(acquisition.ring)
    assert [(one.first_index, one.end_index) for one in taken] == [(0, 100), (130, 150), (150, 165)]
    assert [one.gap_before for one in taken] == [False, True, True]
    status = acquisition.status()
    assert (status.frames, status.lost_frames) == (135, 30)


def test_an_empty_block_keeps_its_gap_for_the_next(acquire):
    source = FakeSource([block(0, 10), block(10, 0, gap_before=True), block(10, 5), ended()])
    acquisition = acquire(source)
    acquisition.join_and_raise(LONG_S)
    taken = drained(acquisition.ring)
    assert [(one.first_index, one.gap_before) for one in taken] == [(0, False), (10, True)]


@pytest.mark.parametrize("size", [7, 10, 64])
def test_every_frame_of_a_clipped_block_is_told_as_clipped(acquire, size):
    """However the blocks lie to the stretches in which they are taken."""
    script = [block(10 * k, 10, clipped=k % 3 == 0, t0_s=50.0 + k) for k in range(60)]
    acquisition = acquire(FakeSource([*script, ended()]))
    acquisition.join_and_raise(LONG_S)
    taken = drained(acquisition.ring, size)
    told = [one.clipped for one in taken for _ in one.samples_v]
    assert told == [index // 10 % 3 == 0 for index in range(600)]


def test_blocks_keep_their_own_times(acquire):
    source = FakeSource(
        [
            block(0, 100, t0_s=50.0),
            block(100, 100, t0_s=60.0, sample_rate_hz=500.0),
            ended(),
        ]
    )
    acquisition = acquire(source)
    acquisition.join_and_raise(LONG_S)
    first, last = drained(acquisition.ring)
    assert first.time_of(0) == 50.0
    assert first.time_of(99) == pytest.approx(50.099)
    assert last.time_of(100) == 60.0
    assert last.time_of(200) == pytest.approx(60.2)


def test_a_lost_source_is_taken_up_again_with_a_gap(acquire, clock):
    phases: list[Phase] = []

    def note() -> Block:
        phases.append(acquisition.status().phase)
        return block(0, 40, t0_s=200.0)

    source = FakeSource(
        [block(0, 100), SourceLost("fake: unplugged; plug it in")],
        SourceUnavailable("fake: still not there"),
        SourceLost("fake: gone again"),
        SourceTimeout("fake: no answer"),
        [note, ended()],
        clock=clock,
    )
    acquisition = Acquisition(
        source, ring_seconds=1.0, timing=Timing(clock=clock, sleep=clock.sleep)
    )
    acquisition.start()
    assert acquisition.join_and_raise(LONG_S)
    ring = acquisition.ring
    assert phases == [Phase.RUNNING]
    assert ring.end_index == 140
    before, after = drained(ring)
    assert (before.end_index, after.first_index, after.gap_before) == (100, 100, True)
    np.testing.assert_array_equal(after.samples_v, frames(0, 40))
    assert after.t0_s == 200.0
    assert acquisition.status().frames == 140
    assert source.opened == 5
    assert clock.now_s == pytest.approx(4 * Timing().retry_s)


def test_a_source_that_is_back_already_is_not_waited_for(acquire, clock):
    silence = [SourceTimeout("fake: nothing came")] * 6
    lost = SourceLost("fake: it was unplugged a while ago")
    # The second one goes as soon as it is opened: that is no reason for haste.
    source = FakeSource([block(0, 5), *silence, lost], [lost], [block(0, 5), ended()], clock=clock)
    acquisition = acquire(source)
    assert acquisition.join_and_raise(LONG_S)
    assert clock.now_s == pytest.approx(6 * Timing().read_timeout_s + Timing().retry_s)


def test_while_lost_the_state_says_so_and_why(acquire, clock):
    gate, tried = threading.Event(), threading.Event()

    def wait(seconds: float) -> None:
        tried.set()
        gate.wait()

    source = FakeSource([SourceLost("fake: unplugged; plug it in")], [ended()])
    acquisition = acquire(source, timing=Timing(clock=clock, sleep=wait))
    assert tried.wait(LONG_S)
    status = acquisition.status()
    assert (status.phase, status.message) == (Phase.LOST, "fake: unplugged; plug it in")
    assert not source.is_open
    gate.set()
    acquisition.join_and_raise(LONG_S)
    assert (acquisition.status().phase, acquisition.status().message) == (Phase.ENDED, "")


def test_short_silence_is_borne_and_long_silence_is_a_loss(acquire, clock):
    nothing = SourceTimeout("fake: nothing came")
    few = [nothing] * 20
    source = FakeSource(
        [block(0, 5), *few, block(5, 5), *few, block(10, 5), *[nothing] * 40],
        [block(0, 5), ended()],
        clock=clock,
    )
    acquisition = acquire(source)
    acquisition.join_and_raise(LONG_S)
    assert source.opened == 2
    taken = drained(acquisition.ring)
    assert [one.first_index for one in taken if one.gap_before] == [15]


def test_coming_back_as_another_source_fails(acquire):
    source = FakeSource(
        [block(0, 5), SourceLost("fake: unplugged")],
        [block(0, 5)],
        infos=[info(), info(sample_rate_hz=2 * RATE_HZ)],
    )
    acquisition = acquire(source)
    with pytest.raises(SourceError, match="another sample rate"):
        acquisition.join_and_raise(LONG_S)
    assert acquisition.status().phase is Phase.FAILED
    assert not source.is_open


@pytest.mark.parametrize(
    "fault",
    [
        SourceUnavailable("fake: not there; plug it in"),
        SourceLost("fake: went away at once"),
        SourceTimeout("fake: no answer"),
        AddressError("fake: not an address"),
        FormatError("fake: truncated"),
    ],
)
def test_a_first_opening_that_fails_is_final(acquire, fault):
    source = FakeSource(fault)
    acquisition = acquire(source)
    assert acquisition.wait_for_ring(LONG_S) is None
    with pytest.raises(type(fault), match=str(fault)):
        acquisition.join_and_raise(LONG_S)
    status = acquisition.status()
    assert (status.phase, status.message, status.info) == (Phase.FAILED, str(fault), None)
    assert acquisition.error is fault
    assert source.opened == 1


@pytest.mark.parametrize("fault", [AddressError("fake: no"), FormatError("fake: truncated")])
@pytest.mark.parametrize("again", [False, True])
def test_what_cannot_mend_itself_is_final(acquire, fault, again):
    source = (
        FakeSource([block(0, 5), SourceLost("fake: away")], fault)
        if again
        else FakeSource([block(0, 5), fault])
    )
    acquisition = acquire(source)
    with pytest.raises(type(fault)):
        acquisition.join_and_raise(LONG_S)
    assert acquisition.status().phase is Phase.FAILED
    assert acquisition.ring.closed
    assert not source.is_open


def test_a_fault_in_the_program_is_kept_and_raised(acquire):
    fault = ZeroDivisionError("a bug")
    acquisition = acquire(FakeSource([block(0, 5), fault]))
    with pytest.raises(ZeroDivisionError, match="a bug"):
        acquisition.join_and_raise(LONG_S)
    assert acquisition.error is fault
    status = acquisition.status()
    assert status.phase is Phase.FAILED
    assert "ZeroDivisionError: a bug" in status.message


@pytest.mark.parametrize(
    "wrong",
    [block(3, 5), block(5, 5, samples_v=np.zeros((5, 3), np.float32))],
    ids=["backward", "another shape"],
)
def test_blocks_that_do_not_fit_are_a_fault_in_the_program(acquire, wrong):
    acquisition = acquire(FakeSource([block(0, 5), wrong]))
    with pytest.raises(ValueError, match=r"comes after|shape"):
        acquisition.join_and_raise(LONG_S)
    assert acquisition.ring.end_index == 5


def test_a_fault_while_closing_is_told_but_never_hides_an_earlier_one(acquire):
    class BadClose(FakeSource):
        def close(self) -> None:
            super().close()
            raise OSError("close failed")

    acquisition = acquire(BadClose([ended()]))
    with pytest.raises(OSError, match="close failed"):
        acquisition.join_and_raise(LONG_S)
    assert acquisition.status().phase is Phase.FAILED

    earlier = acquire(BadClose([FormatError("fake: truncated")]))
    with pytest.raises(FormatError):
        earlier.join_and_raise(LONG_S)


def test_stop_is_orderly_and_may_be_repeated():
    source = FakeSource([block(0, 5)])
    acquisition = Acquisition(source, ring_seconds=1.0)
    acquisition.start()
    ring = acquisition.wait_for_ring(LONG_S)
    ring.wait_for(5, LONG_S)
    for _ in range(3):
        assert acquisition.stop()
    assert acquisition.status().phase is Phase.CLOSED
    assert ring.closed
    assert not source.is_open
    assert source.closed == 1
    assert acquisition.join_and_raise(0.0)
    with pytest.raises(RuntimeError):
        acquisition.start()


def test_stop_ends_the_pause_of_a_lost_source():
    source = FakeSource([SourceLost("fake: away")])
    acquisition = Acquisition(source, ring_seconds=1.0, timing=Timing(retry_s=3600.0))
    acquisition.start()
    until(lambda: acquisition.status().phase is Phase.LOST)
    assert acquisition.stop()
    assert acquisition.status().phase is Phase.CLOSED
    assert source.opened == 1


def test_stop_before_the_start_opens_nothing():
    source = FakeSource([block(0, 5)])
    acquisition = Acquisition(source, ring_seconds=1.0)
    assert acquisition.stop()
    acquisition.start()
    assert acquisition.join_and_raise(LONG_S)
    assert source.opened == 0


def test_stop_while_the_source_is_being_opened_closes_it():
    gate, entered = threading.Event(), threading.Event()

    class SlowOpen(FakeSource):
        def open(self) -> None:
            entered.set()
            gate.wait()
            super().open()

        def close(self) -> None:
            super().close()
            gate.set()

    source = SlowOpen([block(0, 5)])
    acquisition = Acquisition(source, ring_seconds=1.0)
    acquisition.start()
    assert entered.wait(LONG_S)
    assert acquisition.stop()
    assert acquisition.status().phase is Phase.CLOSED
    assert not source.is_open


def test_stop_after_the_end_leaves_the_end():
    acquisition = Acquisition(FakeSource([ended()]), ring_seconds=1.0)
    acquisition.start()
    acquisition.join_and_raise(LONG_S)
    assert acquisition.stop()
    assert acquisition.status().phase is Phase.ENDED


def test_stop_waits_for_a_slow_close_and_does_not_close_twice():
    class SlowClose(FakeSource):
        def close(self) -> None:
            time.sleep(0.5)
            super().close()

    source = SlowClose([block(0, 5)])
    acquisition = Acquisition(source, ring_seconds=1.0)
    acquisition.start()
    acquisition.wait_for_ring(LONG_S)
    assert acquisition.stop()
    assert not source.is_open
    assert source.closed == 1


def test_stop_closes_a_source_whose_read_hangs():
    source = HangingSource()
    acquisition = Acquisition(source, ring_seconds=1.0)
    acquisition.start()
    assert source.reading.wait(LONG_S)
    assert acquisition.stop()
    assert acquisition.status().phase is Phase.CLOSED
    assert acquisition.error is None


def test_a_fault_after_closing_under_a_read_is_still_told():
    source = HangingSource(fault=OSError("bad file descriptor"))
    acquisition = Acquisition(source, ring_seconds=1.0)
    acquisition.start()
    assert source.reading.wait(LONG_S)
    assert acquisition.stop()
    assert isinstance(acquisition.error, OSError)


def test_stop_says_when_a_source_does_not_let_go():
    source = HangingSource(deaf=True)
    acquisition = Acquisition(source, ring_seconds=1.0)
    acquisition.start()
    assert source.reading.wait(LONG_S)
    assert not acquisition.stop()
    source.let_go.set()
    until(acquisition.stop)


def counting(total: int, size: int) -> list[Block | Exception]:
    return [*(block(index, min(size, total - index)) for index in range(0, total, size)), ended()]


@pytest.mark.parametrize("size", [7, 100, 2500])
def test_with_backpressure_a_slow_reader_loses_nothing(acquire, size):
    total = 20_000
    acquisition = acquire(FakeSource(counting(total, size)), ring_seconds=0.3, backpressure=True)
    ring = acquisition.wait_for_ring(LONG_S)
    assert ring.capacity_frames == 300
    place = 0
    while ring.wait_for(1, LONG_S) and (one := ring.take(90)):
        assert not one.gap_before
        assert one.first_index == place
        np.testing.assert_array_equal(one.samples_v, frames(place, len(one.samples_v)))
        place = one.end_index
    assert place == total
    acquisition.join_and_raise(LONG_S)
    assert acquisition.status().frames == total


def test_with_backpressure_a_reader_may_wait_for_all_that_the_ring_keeps(acquire):
    acquisition = acquire(FakeSource(counting(3000, 250)), ring_seconds=0.3, backpressure=True)
    ring = acquisition.wait_for_ring(LONG_S)
    for start in range(0, 3000, 300):
        assert ring.wait_for(300, LONG_S)
        np.testing.assert_array_equal(ring.take(300).samples_v, frames(start, 300))


def test_stop_ends_the_wait_for_room():
    acquisition = Acquisition(FakeSource(counting(5000, 100)), ring_seconds=0.3, backpressure=True)
    acquisition.start()
    ring = acquisition.wait_for_ring(LONG_S)
    assert ring.wait_for(300, LONG_S)
    assert acquisition.stop()
    assert ring.end_index == 300
    assert acquisition.status().phase is Phase.CLOSED


def test_without_backpressure_the_newest_win_and_the_reader_is_told(acquire):
    acquisition = acquire(FakeSource(counting(5000, 100)), ring_seconds=0.3)
    acquisition.join_and_raise(LONG_S)
    (kept,) = drained(acquisition.ring)
    assert (kept.first_index, kept.end_index) == (4700, 5000)
    assert (kept.overrun, kept.gap_before) == (True, True)
    assert acquisition.status().frames == 5000
    assert acquisition.status().lost_frames == 4700


def test_memory_goes_before_history(acquire):
    acquisition = acquire(
        FakeSource([], infos=[info(sample_rate_hz=4e9)]), ring_seconds=10.0, ring_bytes=8_000
    )
    assert acquisition.wait_for_ring(LONG_S).capacity_frames == 1000


def test_levels_come_with_the_status(acquire):
    loud = np.zeros((10, 2), np.float32)
    loud[3] = (-0.75, 0.25)
    source = FakeSource(
        [block(0, 10, samples_v=loud, clipped=True), ended()],
        infos=[info(full_scale_v=0.75)],
    )
    acquisition = acquire(source)
    acquisition.join_and_raise(LONG_S)
    levels = acquisition.status().levels
    assert [(level.peak_v, level.clipped) for level in levels] == [(0.75, True), (0.25, False)]
