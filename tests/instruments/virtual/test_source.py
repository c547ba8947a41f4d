"""The virtual drive as a source: pace, loss, hands, roles and its life."""

import threading
from itertools import pairwise
from math import inf

import numpy as np
import pytest

from instruments.address import open_address
from instruments.source import (
    AddressError,
    PracticeControls,
    Role,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
    parse_roles,
)
from instruments.virtual.params import VirtualParams
from instruments.virtual.sampling import simulate
from instruments.virtual.source import VirtualSource

QUIET = VirtualParams(
    recording="alternating",
    snr_db=inf,
    hum_v=0.0,
    third_harmonic=0.0,
    clamp_um=0.0,
    oval_um=0.0,
    hand_percent=0.0,
    hand_um=0.0,
)


class Clock:
    """A clock that stands still unless somebody sleeps by it."""

    def __init__(self):
        self.now_s = 1000.0
        self.slept_s = []

    def __call__(self):
        return self.now_s

    def sleep(self, seconds):
        assert seconds > 0
        self.slept_s.append(seconds)
        self.now_s += seconds


@pytest.fixture
def clock():
    return Clock()


def paced(clock, params=QUIET, roles=None):
    source = VirtualSource(params, roles, paced=True, clock=clock, sleep=clock.sleep)
    source.open()
    return source


def fast(params=QUIET, roles=None):
    source = VirtualSource(params, roles, paced=False)
    source.open()
    return source


def test_it_says_what_it_is():
    info = open_address("sim:").info
    assert info.name == "sim:"
    assert info.roles == (Role.PLUS, Role.MINUS, Role.INDEX)
    assert info.roles_from == "default"
    assert info.sample_rate_hz == 1e6
    assert info.virtual
    assert info.live
    assert info.continuous
    assert info.length_frames is None
    assert info.full_scale_v is None
    assert info.low_corner_hz == 0.0


def test_as_fast_as_can_be_it_is_not_live():
    assert not open_address("sim:", SourceRequest(paced=False)).info.live
    assert not open_address("sim:pace=fast").info.live


def test_an_envelope_tells_its_low_corner_and_any_input_its_full_scale():
    request = SourceRequest(roles=parse_roles("envelope"))
    info = open_address("sim:low_corner_hz=7&full_scale_v=2&rate=48000", request).info
    assert info.low_corner_hz == 7.0
    assert info.full_scale_v == 2.0
    assert info.roles_from == "given"


@pytest.mark.parametrize(
    "text",
    ["plus,minus", "index,minus,plus", "differential", "differential,index", "index,envelope"],
)
def test_blocks_have_a_column_a_role(text):
    source = fast(roles=parse_roles(text))
    block = source.read(0.0)
    assert source.info.roles == parse_roles(text)
    assert block.samples_v.shape[1] == len(parse_roles(text))
    assert block.samples_v.dtype == np.float32
    assert block.samples_v.flags.c_contiguous
    assert block.samples_v.flags.owndata


def test_skipped_columns_are_not_delivered():
    assert fast(roles=parse_roles("-,differential")).info.roles == (Role.DIFFERENTIAL,)


def test_roles_that_do_not_fit_are_refused():
    with pytest.raises(AddressError, match="plus and minus together"):
        VirtualSource(QUIET, (Role.PLUS, Role.INDEX))


def test_blocks_follow_one_another_and_are_the_simulated_capture():
    source = fast(VirtualParams(seed=3))
    blocks = [source.read(0.0) for _ in range(4)]
    for before, after in pairwise(blocks):
        assert after.first_index == before.first_index + before.samples_v.shape[0]
        assert after.t0_s - before.t0_s == pytest.approx(before.samples_v.shape[0] / 1e6)
        assert not after.gap_before
    together = np.concatenate([block.samples_v for block in blocks])
    capture, _ = simulate(VirtualParams(seed=3), seconds=together.shape[0] / 1e6)
    assert np.array_equal(together, capture)


def test_live_blocks_of_10_ms_come_when_they_are_complete(clock):
    source = paced(clock)
    for number in range(1, 6):
        block = source.read(1.0)
        assert block.samples_v.shape[0] == 10000
        assert block.t0_s == pytest.approx(1000.0 + 0.01 * (number - 1))
        assert clock.now_s == pytest.approx(1000.0 + 0.01 * number)


def test_a_block_that_is_not_complete_in_time_times_out_and_is_not_lost(clock):
    source = paced(clock)
    with pytest.raises(SourceTimeout):
        source.read(0.004)
    assert clock.now_s == pytest.approx(1000.004)
    with pytest.raises(SourceTimeout):
        source.read(0.0)
    block = source.read(0.1)
    assert block.first_index == 0
    assert not block.gap_before


def test_a_late_reader_catches_up_without_loss(clock):
    source = paced(clock)
    source.read(1.0)
    clock.now_s += 0.9
    clock.slept_s.clear()
    blocks = [source.read(1.0) for _ in range(90)]
    assert not clock.slept_s
    assert [block.first_index for block in blocks] == list(range(10000, 910000, 10000))
    assert not any(block.gap_before or block.overrun for block in blocks)


def test_a_reader_that_is_too_late_loses_frames_and_is_told(clock):
    source = paced(clock)
    source.read(1.0)
    clock.now_s += 2.5
    block = source.read(1.0)
    assert block.gap_before
    assert block.overrun
    assert block.first_index == pytest.approx(2_500_000, abs=1)
    assert block.t0_s == pytest.approx(1000.0 + 2.5)
    after = source.read(1.0)
    assert not after.gap_before
    assert after.first_index == block.first_index + 10000
    # What was lost is what the drive did meanwhile: time went on.
    capture, _ = simulate(QUIET, seconds=2.52)
    kept = capture[block.first_index : block.first_index + 10000]
    assert np.array_equal(block.samples_v, kept)


def test_hands_move_the_head_in_the_next_samples():
    source = fast(roles=(Role.DIFFERENTIAL,))
    assert isinstance(source.controls, PracticeControls)
    before = source.read(0.0).samples_v.max()
    source.controls.nudge(40.0)
    assert source.read(0.0).samples_v.max() == pytest.approx(before + 0.4 * 40 / 178, rel=1e-3)
    source.controls.step(1)
    assert not source.read(0.0).samples_v.any()
    source.controls.step(-1)
    assert source.read(0.0).samples_v.any()
    assert source.drive.positioner.offset_um == pytest.approx(25.0 + 40.0 - 6.0)
    seating = source.drive.clamp.seating
    source.controls.reseat()
    # The clamp is open for a while, and nothing is read through it.
    open_s = 0.0
    while not (block := source.read(0.0)).samples_v.any():
        open_s += len(block.samples_v) / block.sample_rate_hz
    assert open_s == pytest.approx(0.8, abs=0.11)
    assert source.drive.clamp.seating is not seating


def test_what_is_asked_of_the_hands_waits_for_its_turn():
    source = fast(roles=(Role.DIFFERENTIAL,))
    source.controls.step(2)
    source.controls.wait(0.5)
    source.controls.step(-2)
    away_s = 0.0
    while not (block := source.read(0.0)).samples_v.any():
        away_s += len(block.samples_v) / block.sample_rate_hz
    assert away_s == pytest.approx(0.5, abs=0.11)


def test_a_live_hand_shows_no_earlier_than_it_moved(clock):
    source = paced(clock, roles=(Role.DIFFERENTIAL,))
    clock.now_s += 0.025
    source.controls.step(1)
    blocks = [source.read(1.0) for _ in range(5)]
    assert [bool(block.samples_v.any()) for block in blocks] == [True, True, True, False, False]


def test_a_nudge_that_is_no_number_is_refused_at_once():
    with pytest.raises(ValueError, match="finite"):
        fast().controls.nudge(float("nan"))


def test_hands_from_many_threads_all_count():
    source = fast(
        VirtualParams(offset_um=0.0, backlash_um=0.0, rate=1e5, hand_percent=0.0, hand_um=0.0)
    )
    hands = [
        threading.Thread(target=lambda: [source.controls.nudge(0.5) for _ in range(100)])
        for _ in range(4)
    ]
    for hand in hands:
        hand.start()
    while any(hand.is_alive() for hand in hands):
        source.read(0.0)
    for hand in hands:
        hand.join()
    source.read(0.0)
    assert source.drive.positioner.offset_um == pytest.approx(200.0)


def test_clipping_is_told():
    assert fast(VirtualParams(full_scale_v=0.05)).read(0.0).clipped
    assert not fast(VirtualParams(full_scale_v=10.0)).read(0.0).clipped


def test_a_closed_source_says_so():
    source = VirtualSource(QUIET)
    with pytest.raises(SourceUnavailable, match="open it"):
        source.read(0.0)
    source.close()
    source.open()
    source.close()
    source.close()
    with pytest.raises(SourceUnavailable):
        source.read(0.0)


def test_opened_again_it_counts_anew_and_the_drive_is_as_it_was_left():
    source = fast()
    source.controls.nudge(10.0)
    first = source.read(0.0)
    source.close()
    source.open()
    again = source.read(0.0)
    assert again.first_index == 0
    assert not again.gap_before
    assert source.drive.positioner.offset_um == pytest.approx(35.0)
    assert not np.array_equal(first.samples_v, again.samples_v)


def test_opening_an_open_source_changes_nothing():
    source = fast()
    source.read(0.0)
    source.open()
    assert source.read(0.0).first_index > 0


def test_closing_ends_a_wait(clock):
    def close_meanwhile(seconds):
        clock.sleep(seconds / 2)
        source.close()

    source = VirtualSource(QUIET, paced=True, clock=clock, sleep=close_meanwhile)
    source.open()
    with pytest.raises(SourceUnavailable):
        source.read(5.0)


def test_the_real_clock_paces_it():
    source = VirtualSource(QUIET)
    source.open()
    first, second = source.read(1.0), source.read(1.0)
    assert second.t0_s - first.t0_s == pytest.approx(0.01)
    source.close()
