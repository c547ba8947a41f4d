"""The sound-card source against a scripted PortAudio: what it asks, tells, notices and refuses."""

import functools
import itertools
import re
import sys
import threading
import time
import types

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.address import attached_sources, open_address
from instruments.sound import capture, portaudio
from instruments.sound import source as source_module
from instruments.sound.capture import CaptureRing, Finding, SoundPace, SoundTiming
from instruments.sound.server import ServerInput, ServerState, Watch
from instruments.source import (
    AddressError,
    Role,
    SourceLost,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
    parse_roles,
)
from tests.instruments.sound.fakesound import FakeDevice, FakeSound

RATE_HZ = 192_000
SLOT = RATE_HZ // 100


@pytest.fixture
def sound(monkeypatch):
    fake = FakeSound()
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    # No tool to ask a sound server by, whatever this computer has.
    monkeypatch.setattr("instruments.sound.server.server_state", lambda: None)
    return fake


@pytest.fixture
def opened():
    sources = []

    def opener(address="sound:", roles=None, timing=None):
        request = SourceRequest(roles=None if roles is None else parse_roles(roles))
        source = open_address(address, request)
        if timing is not None:
            source._timing = timing
        sources.append(source)
        source.open()
        return source

    yield opener
    for source in sources:
        source.close()


def slot(value=0.25, channels=2):
    return np.full((SLOT, channels), value, np.float32)


def ramp(start, channels=2, frames=SLOT):
    counts = np.arange(start, start + frames, dtype=np.float32) / 2**20
    return np.column_stack([counts * (-1) ** n for n in range(channels)])


# What is asked of PortAudio


def test_takes_the_highest_usual_rate_and_the_devices_own_blocks(sound, opened):
    source = opened()
    asked = sound.stream.settings
    assert (asked["samplerate"], asked["channels"], asked["blocksize"]) == (RATE_HZ, 2, 0)
    assert asked["dtype"] == "float32"
    assert 0.1 <= asked["latency"] <= 0.2
    assert source.info.sample_rate_hz == RATE_HZ
    assert source.info.bandwidth_hz == pytest.approx(0.45 * RATE_HZ)
    assert source.info.roles == (Role.PLUS, Role.MINUS)
    assert source.info.roles_from == "default"
    assert source.info.live
    assert not source.info.virtual


@pytest.mark.parametrize(
    ("rates", "chosen"),
    [
        ((96_000, 48_000), 96_000),
        ((48_000, 44_100), 48_000),
        ((44_100, 8_000), 44_100),
        ((11_025, 8_000), 11_025),
    ],
)
def test_falls_back_through_the_usual_rates_to_the_devices_own(sound, opened, rates, chosen):
    sound.devices[0].rates = rates
    # PortAudio tells it as a float, which may be a little beside the whole number.
    sound.devices[0].default_rate = rates[0] + 1e-9
    assert opened().info.sample_rate_hz == chosen


def test_one_channel_is_the_differential(sound, opened):
    sound.devices[0].inputs = 1
    assert opened().info.roles == (Role.DIFFERENTIAL,)


def test_options_reach_the_info(sound, opened):
    source = opened("sound:?rate=48000&roles=envelope&full_scale_v=2.0&low_corner_hz=7")
    assert source.info.roles == (Role.ENVELOPE,)
    assert source.info.roles_from == "given"
    assert source.info.sample_rate_hz == 48_000
    assert source.info.full_scale_v == 2.0
    assert source.info.low_corner_hz == 7.0
    assert source.info.notes == ()
    assert source.info.name == "sound:?rate=48000&roles=envelope&full_scale_v=2.0&low_corner_hz=7"


def test_low_corner_is_unknown_unless_said_and_zero_is_dc(sound, opened):
    assert opened("sound:").info.low_corner_hz is None
    assert opened("sound:?low_corner_hz=0").info.low_corner_hz == 0.0
    # The highest that is taken.
    assert opened("sound:?low_corner_hz=1000").info.low_corner_hz == 1000.0


def test_roles_beside_the_address_go_before_those_in_it(sound, opened):
    source = opened("sound:?roles=plus,minus", roles="differential,index")
    assert source.info.roles == (Role.DIFFERENTIAL, Role.INDEX)


# What cannot be used


@pytest.mark.parametrize(
    ("address", "names"),
    [
        ("sound:?rate=fast", ("rate", "fast")),
        ("sound:?rate=48000.5", ("rate", "48000.5", "whole")),
        ("sound:?rate=nan", ("rate", "nan")),
        ("sound:?rate=1e9", ("rate", "1e9")),
        ("sound:?full_scale_v=0", ("full_scale_v", "0")),
        ("sound:?full_scale_v=1e200", ("full_scale_v", "1e200")),
        ("sound:?low_corner_hz=-1", ("low_corner_hz", "-1")),
        ("sound:?low_corner_hz=1001", ("low_corner_hz", "1001", "between 0 and 1000")),
        ("sound:?gain=3", ("gain", "full_scale_v")),
        ("sound:?roles=plus", ("plus", "minus")),
        ("sound:?roles=plus,plus,minus", ("plus", "twice")),
        ("sound:?rate=48000&rate=96000", ("rate", "twice")),
    ],
)
def test_options_that_cannot_be_used_are_named(address, names):
    with pytest.raises(AddressError) as told:
        open_address(address)
    for name in names:
        assert name in str(told.value)
    assert "\n" not in str(told.value)


def test_more_roles_than_channels(sound, opened):
    with pytest.raises(SourceUnavailable, match=r"plus,minus,index need 3 .* 2 channels"):
        opened(roles="plus,minus,index")


def test_refused_rate_names_one_that_is_taken(sound, opened):
    with pytest.raises(SourceUnavailable, match=r"12345 .*rate=192000"):
        opened("sound:?rate=12345")


def test_no_rate_at_all(sound, opened):
    sound.devices[0].rates = ()
    with pytest.raises(SourceUnavailable, match="every usual rate"):
        opened()


def test_a_device_that_will_not_start(sound, opened):
    sound.refuses = True
    with pytest.raises(SourceUnavailable, match=r"“Bench \(hw:1,0\), ALSA”.*Device unavailable"):
        opened()


def test_missing_package_and_missing_library_name_what_to_install(monkeypatch, tmp_path, opened):
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(SourceUnavailable, match="pip install sounddevice"):
        opened()
    assert source_module.sound_inputs() == ([], "")
    monkeypatch.delitem(sys.modules, "sounddevice")
    # What sounddevice itself raises where the library is missing.
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(SourceUnavailable, match="apt install libportaudio2"):
        opened()
    assert source_module.sound_inputs() == ([], "")


def test_no_inputs_at_all(sound, opened):
    sound.devices = [FakeDevice("Speaker", inputs=0)]
    sound.default_input = -1
    with pytest.raises(SourceUnavailable, match="there is none"):
        opened()
    assert source_module.sound_inputs() == ([], "")


# Which device


@pytest.mark.parametrize(
    ("wanted", "number"),
    [("", 1), ("0", 0), ("mic", 0), ("USB line, ALSA", 2), ("usb line", 2), ("usb line in", 1)],
)
def test_devices_by_default_number_and_part_of_the_name(sound, opened, wanted, number):
    sound.devices = [FakeDevice("Mic (hw:0)"), FakeDevice("USB line in"), FakeDevice("USB line")]
    sound.default_input = 1
    opened(f"sound:{wanted}")
    assert sound.stream.settings["device"] == number


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        ("line", "several .* 0 is “Line A, ALSA”; 1 is “Line B, ALSA”"),
        ("scope", "“scope”: it is not there"),
        ("7", "“7”: it is not there"),
        ("speaker", "no input"),
    ],
)
def test_devices_that_cannot_be_told(sound, opened, wanted, says):
    sound.devices = [FakeDevice("Line A"), FakeDevice("Line B"), FakeDevice("Speaker", inputs=0)]
    with pytest.raises(SourceUnavailable, match=says):
        opened(f"sound:{wanted}")


def test_one_card_under_two_host_interfaces_is_the_defaults(sound, opened):
    sound.host_apis = ("MME", "WASAPI")
    sound.devices = [FakeDevice("Line", hostapi=0), FakeDevice("Line", hostapi=1)]
    sound.default_input = 1
    opened("sound:line")
    assert sound.stream.settings["device"] == 1


def test_every_listed_address_opens_its_own_device(sound, opened):
    sound.devices = [FakeDevice("Line"), FakeDevice("Line in", inputs=1), FakeDevice("Out", 0)]
    listed = [item for item in attached_sources().sources if item[0].startswith("sound:")]
    assert [title for _, title in listed] == [
        "Line, ALSA (2 channels, default)",
        "Line in, ALSA (1 channel)",
    ]
    for number, (address, _) in enumerate(listed):
        opened(address).close()
        assert sound.stream.settings["device"] == number


# Samples


def test_samples_come_in_volts_with_their_place_and_time(sound, opened):
    source = opened("sound:?full_scale_v=2.5")
    before_s = time.monotonic()
    sound.stream.deliver(ramp(0))
    sound.stream.deliver(ramp(SLOT))
    block = source.read(1.0)
    assert block.samples_v.dtype == np.float32
    assert block.samples_v.flags.c_contiguous
    expected = np.concatenate([ramp(0), ramp(SLOT)]) * np.float32(2.5)
    np.testing.assert_array_equal(block.samples_v, expected)
    assert block.first_index == 0
    assert not block.gap_before
    assert not block.uncalibrated
    assert block.t0_s + 2 * SLOT / RATE_HZ == pytest.approx(before_s, abs=0.5)
    sound.stream.deliver(ramp(2 * SLOT))
    assert source.read(1.0).first_index == 2 * SLOT


def test_a_block_owns_its_samples(sound, opened):
    source = opened(timing=SoundTiming(ring_s=0.05))
    sound.stream.deliver(slot(0.5))
    block = source.read(1.0)
    for _ in range(6):
        sound.stream.deliver(slot(0.125))
        source.read(1.0)
    assert np.all(block.samples_v == 0.5)


def test_skipped_channels_are_captured_and_not_delivered(sound, opened):
    sound.devices[0].inputs = 4
    source = opened(roles="-,differential,-,index")
    assert sound.stream.settings["channels"] == 4
    sound.stream.deliver(np.tile(np.array([1.0, 0.25, 1.0, 0.5], np.float32), (SLOT, 1)))
    block = source.read(1.0)
    assert block.samples_v.shape == (SLOT, 2)
    np.testing.assert_array_equal(block.samples_v[0], [0.25, 0.5])
    assert not block.clipped


def test_relative_volts_say_so(sound, opened):
    source = opened()
    sound.stream.deliver(slot(0.25))
    block = source.read(1.0)
    assert block.uncalibrated
    assert block.samples_v[0, 0] == 0.25
    assert source.info.full_scale_v is None
    assert any("full_scale_v" in note for note in source.info.notes)


# A signed 16-bit code of 32767 is full scale's positive end; PortAudio divides by 32768.
@pytest.mark.parametrize(
    ("column", "value", "clipped"),
    [
        (0, 32767 / 32768, True),
        (0, -1.0, True),
        (1, 1.0, True),
        (0, 32760 / 32768, False),
        (2, 1.0, False),
    ],
)
def test_full_scale_is_clipping_in_a_signal_but_not_in_an_index(
    sound, opened, column, value, clipped
):
    sound.devices[0].inputs = 3
    source = opened("sound:?full_scale_v=10", roles="plus,minus,index")
    samples = slot(0.1, channels=3)
    samples[7, column] = value
    sound.stream.deliver(samples)
    assert source.read(1.0).clipped is clipped


# Loss of samples


def test_a_flagged_overflow_breaks_the_run(sound, opened):
    source = opened()
    sound.stream.deliver(slot())
    sound.stream.deliver(slot(), overflow=True)
    sound.stream.deliver(slot())
    first, second = source.read(1.0), source.read(1.0)
    assert (first.gap_before, second.gap_before) == (False, True)
    assert not second.overrun
    assert len(second.samples_v) == 2 * SLOT


def test_a_reader_that_stalls_is_told_how_much_it_lost(sound, opened):
    source = opened(timing=SoundTiming(ring_s=0.1))
    for number in range(25):
        sound.stream.deliver(ramp(number * SLOT))
    kept = source.read(1.0)
    assert len(kept.samples_v) == 10 * SLOT
    assert not kept.overrun
    sound.stream.deliver(ramp(25 * SLOT))
    after = source.read(1.0)
    assert after.gap_before
    assert after.overrun
    assert after.first_index == 25 * SLOT
    np.testing.assert_array_equal(after.samples_v, ramp(25 * SLOT))
    sound.stream.deliver(ramp(26 * SLOT))
    assert not source.read(1.0).gap_before


def paced(pace, count, start_s, lag_s=0.0, first=0):
    """Let call-backs arrive on time, `lag_s` late, and return the findings."""
    step_s = SLOT / RATE_HZ
    return [pace.observe(SLOT, start_s + lag_s + (first + n + 1) * step_s) for n in range(count)]


def test_jitter_and_late_bursts_without_loss_are_no_loss():
    pace = SoundPace(RATE_HZ)
    jitter = np.random.default_rng(5)
    step_s = SLOT / RATE_HZ
    arrivals = (np.arange(2000) + 1) * step_s + jitter.exponential(0.004, 2000)
    arrivals[800:900] = np.maximum(arrivals[800:900], 901 * step_s)  # a second's stall
    findings = [pace.observe(SLOT, at) for at in np.maximum.accumulate(arrivals) + 100.0]
    assert Finding.LOST not in findings
    assert findings[-1] is Finding.SOUND
    assert pace.end == 2000 * SLOT


@pytest.mark.parametrize("lost_s", [0.08, 0.25, 3.0])
def test_a_lasting_deficit_is_counted(lost_s):
    pace = SoundPace(RATE_HZ)
    assert set(paced(pace, 300, 50.0)) == {Finding.SOUND}
    after = paced(pace, 100, 50.0, lag_s=lost_s, first=300)
    assert after.count(Finding.LOST) == 1
    assert after[: after.index(Finding.LOST)] == [Finding.HELD] * after.index(Finding.LOST)
    assert set(after[after.index(Finding.LOST) + 1 :]) == {Finding.SOUND}
    assert pace.end == pytest.approx(400 * SLOT + lost_s * RATE_HZ, abs=2)
    assert pace.time_of(pace.end) == pytest.approx(50.0 + 4.0 + lost_s, abs=1e-3)


def test_a_backlog_before_the_loss_does_not_count_as_loss():
    """A server gives what it had kept in a burst; only what it threw away is missing."""
    pace = SoundPace(RATE_HZ)
    paced(pace, 300, 50.0)
    step_s = SLOT / RATE_HZ
    burst = [pace.observe(SLOT, 57.0 + n * 1e-4) for n in range(270)]  # stalled from 53 to 57 s
    assert set(burst) == {Finding.HELD}
    after = [pace.observe(SLOT, 57.03 + n * step_s) for n in range(100)]
    assert after.count(Finding.LOST) == 1
    assert pace.end / RATE_HZ == pytest.approx(57.03 + 0.99 - 50.0, abs=0.002)


def test_a_slow_clock_is_followed():
    pace = SoundPace(RATE_HZ)
    step_s = SLOT / RATE_HZ * (1 + 300e-6)  # three times a poor crystal's error
    findings = {pace.observe(SLOT, 10.0 + n * step_s) for n in range(20_000)}
    assert findings == {Finding.SOUND}
    assert pace.end == 20_000 * SLOT
    assert pace.time_of(pace.end) == pytest.approx(10.0 + 20_000 * step_s, abs=0.05)


def test_frames_in_doubt_are_dropped_and_counted(sound, opened, monkeypatch):
    clock = {"now": 1000.0}
    stopped = types.SimpleNamespace(monotonic=lambda: clock["now"])
    monkeypatch.setattr(capture, "time", stopped)
    source = opened()
    step_s = SLOT / RATE_HZ
    blocks = []

    def run(count):
        for _ in range(count):
            clock["now"] += step_s
            sound.stream.deliver(slot())
            try:
                blocks.append(source.read(0.0))
            except SourceTimeout:
                continue

    run(300)
    clock["now"] += 0.25
    run(100)
    gaps = [block for block in blocks if block.gap_before]
    assert len(gaps) == 1
    end = blocks[-1].first_index + len(blocks[-1].samples_v)
    assert end == pytest.approx(400 * SLOT + 0.25 * RATE_HZ, abs=2)
    delivered = sum(len(block.samples_v) for block in blocks)
    assert delivered == pytest.approx((400 - 51) * SLOT, abs=2 * SLOT)
    assert not gaps[0].overrun


@given(
    sizes=st.lists(st.integers(1, 40), max_size=60),
    reads=st.lists(st.integers(0, 3), max_size=60),
    deliveries=st.integers(1, 20),
)
def test_ring_keeps_every_frame_or_counts_it(sizes, reads, deliveries):
    ring = CaptureRing(frames=64, channels=2, deliveries=deliveries)
    sent = 0
    met = 0  # frames read or counted as dropped
    for size, reading in itertools.zip_longest(sizes, reads, fillvalue=0):
        ring.put(ramp(sent, frames=size), False, float(sent))
        sent += size
        for number in range(ring.released, min(ring.released + reading, ring.written)):
            met += ring.delivery(number).dropped
            kept = ring.samples(number)
            np.testing.assert_array_equal(kept, ramp(met, frames=len(kept)))
            met += len(kept)
            ring.release(number + 1)
    waiting = [ring.delivery(number) for number in range(ring.released, ring.written)]
    met += sum(one.dropped + one.frames for one in waiting)
    ring.release(ring.written)
    ring.put(ramp(sent, frames=1), False, 0.0)
    assert met + ring.delivery(ring.written - 1).dropped == sent


def test_a_full_ring_makes_one_gap_also_where_short_callbacks_would_fit():
    ring = CaptureRing(frames=100, channels=2)
    for size in (60, 50, 5, 50, 5, 50):
        ring.put(ramp(0, frames=size), False, 0.0)
    assert ring.written == 1
    ring.release(1)
    ring.put(ramp(0, frames=5), False, 0.0)
    assert ring.delivery(1).dropped == 160


# Loss of the device


def test_timeout_leaves_the_source_open(sound, opened):
    source = opened()
    with pytest.raises(SourceTimeout, match="no samples within"):
        source.read(0.02)
    sound.stream.deliver(slot())
    assert len(source.read(1.0).samples_v) == SLOT


def test_a_stream_that_finishes_by_itself_is_lost_after_its_last_samples(sound, opened):
    source = opened()
    sound.stream.deliver(slot())
    sound.stream.finish()
    assert len(source.read(1.0).samples_v) == SLOT
    with pytest.raises(SourceLost, match="it stopped"):
        source.read(1.0)


def test_a_silent_device_is_lost_once_the_grace_is_over(sound, opened):
    source = opened(timing=SoundTiming(grace_s=0.3, silence_s=0.1, look_s=0.02))
    with pytest.raises(SourceTimeout):
        source.read(0.1)
    with pytest.raises(SourceLost, match="no samples have come"):
        source.read(10.0)


def test_the_grace_ends_with_the_first_samples(sound, opened):
    source = opened(timing=SoundTiming(grace_s=60.0, silence_s=0.1, look_s=0.02))
    sound.stream.deliver(slot())
    source.read(1.0)
    with pytest.raises(SourceLost, match="no samples have come"):
        source.read(10.0)


def test_lost_closed_and_opened_again(sound, opened):
    source = opened()
    sound.stream.finish()
    with pytest.raises(SourceLost):
        source.read(1.0)
    source.close()
    kept, sound.devices = sound.devices, []
    with pytest.raises(SourceUnavailable, match="it is not there; plug it in again"):
        source.open()
    sound.devices = [FakeDevice("Webcam"), *kept]
    source.open()
    assert sound.stream.settings["device"] == 1  # its number changed, and so did the default
    sound.stream.deliver(slot())
    block = source.read(1.0)
    assert block.first_index == 0
    assert not block.gap_before
    assert sound.rescans >= 2


def test_nothing_is_rescanned_under_an_open_stream(sound, opened):
    opened()
    before = sound.rescans
    assert source_module.sound_inputs()[0]
    assert sound.rescans == before


def test_what_is_listed_again_is_looked_for_when_a_card_has_come_or_is_free(
    sound, tmp_path, monkeypatch
):
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(portaudio, "_CARDS", tmp_path)
    cards, status = tmp_path / "cards", tmp_path / "card1/pcm0c/sub0/status"
    status.parent.mkdir(parents=True)

    def rescans(*, anew=False):
        before = sound.rescans
        assert card.devices(anew=anew).inputs
        return sound.rescans - before

    cards.write_text("1 [Bench]")
    status.write_text("state: RUNNING\nhw_ptr: 480\n")
    card = portaudio.PortAudio()
    assert rescans() == 1
    status.write_text("state: RUNNING\nhw_ptr: 960\n")
    assert rescans() == 0
    assert rescans(anew=True) == 1
    status.write_text("closed\n")
    assert rescans() == 1
    cards.write_text("1 [Bench]\n2 [Probe]")
    assert rescans() == 1
    assert rescans() == 0
    monkeypatch.setattr(portaudio, "_NEW_S", 0.0)
    assert rescans() == 1


# Closing


def test_close_twice_and_read_after(sound, opened):
    source = opened()
    source.close()
    source.close()
    assert sound.stream.closed
    with pytest.raises(SourceUnavailable, match="not open"):
        source.read(0.1)


def test_never_opened(sound):
    source = open_address("sound:")
    source.close()
    with pytest.raises(SourceUnavailable, match="not open"):
        source.read(0.1)


def test_close_from_another_thread_ends_a_waiting_read(sound, opened):
    source = opened()
    waiting = threading.Event()
    caught = []

    def reader():
        waiting.set()
        try:
            source.read(120.0)
        except (SourceLost, SourceUnavailable) as error:
            caught.append(str(error))

    thread = threading.Thread(target=reader)
    thread.start()
    waiting.wait(30)
    source.close()
    thread.join(30)
    assert not thread.is_alive()
    assert "closed" in caught[0] or "not open" in caught[0]


def test_closed_while_it_is_being_opened(sound, opened, monkeypatch):
    source = open_address("sound:")
    monkeypatch.setattr(sound, "check_input_settings", lambda **_: source.close())
    source.open()
    assert sound.stream.closed
    with pytest.raises(SourceUnavailable, match="not open"):
        source.read(0.1)


def test_a_live_device_is_read_without_a_gap(sound, opened):
    sound.live = True
    source = opened("sound:?full_scale_v=4")
    end = 0
    while end < RATE_HZ:
        block = source.read(5.0)
        assert block.first_index == end
        assert not block.gap_before
        assert np.all(block.samples_v == 1.0)
        end += len(block.samples_v)


def test_close_does_not_wait_for_a_device_that_hangs(sound, opened):
    source = opened(timing=SoundTiming(close_s=0.05))
    sound.close_barrier.clear()
    source.close()  # the test's own time-out tells if it hangs
    assert not sound.stream.closed
    before = sound.rescans
    sound.close_barrier.set()
    assert source_module.sound_inputs()[0]
    for thread in threading.enumerate():
        if thread.name == "soundcard-close":
            thread.join(30)
    assert sound.rescans in (before, before + 1)
    assert sound.stream.closed


# The sound server


def served(**changes):
    known = {
        "capture": 3,
        "name": "usb.line",
        "channels": 2,
        "rate_hz": RATE_HZ,
        "muted": False,
        "volume": 1.0,
    }
    return ServerInput(**{**known, **changes})


@pytest.fixture
def server(sound, monkeypatch):
    """A sound server whose answers the test sets."""
    sound.devices = [FakeDevice("default", inputs=32)]
    answer = {"input": served()}
    monkeypatch.setattr(source_module, "server_input", lambda: answer["input"])
    monkeypatch.setattr("instruments.sound.server.server_input", lambda capture: answer["input"])
    return answer


def test_a_server_that_resamples_limits_the_bandwidth(server, opened):
    server["input"] = served(rate_hz=48_000)
    info = opened("sound:?full_scale_v=1").info
    assert info.sample_rate_hz == RATE_HZ
    assert info.bandwidth_hz == pytest.approx(0.45 * 48_000)
    assert "48000" in info.notes[0]
    assert "21.6 kHz" in info.notes[0]


def test_a_server_that_mutes_or_scales_is_told(server, opened):
    server["input"] = served(muted=True, volume=0.4)
    notes = " ".join(opened("sound:?full_scale_v=1").info.notes)
    assert "mutes" in notes
    assert "40 %" in notes


def test_channels_that_the_server_makes_up_are_not_used(server, opened):
    server["input"] = served(channels=1)
    assert opened().info.roles == (Role.DIFFERENTIAL,)
    with pytest.raises(SourceUnavailable, match=r"plus,minus need 2 .* 1 channel"):
        opened(roles="plus,minus")


GONE, EMPTY = ServerState(""), ServerState("pulseaudio")


@pytest.fixture
def stands(monkeypatch):
    """Sets how the sound server stands, as its own tool tells it."""

    def set_to(state):
        monkeypatch.setattr("instruments.sound.server.server_state", lambda: state)

    return set_to


@pytest.mark.parametrize("silent", [False, True])
@pytest.mark.parametrize(
    ("state", "told"),
    [
        (GONE, "the sound server “pulseaudio” does not answer any more; start it again"),
        (
            EMPTY,
            "“usb.line” is gone from the sound server “pulseaudio”; plug it in again, or choose "
            "another input",
        ),
        (
            ServerState("pulseaudio", ("usb.line",)),
            "it stopped; check that it is plugged in and that the sound server runs",
        ),
        (None, "it stopped; check that it is plugged in and that the sound server runs"),
    ],
)
def test_who_is_gone_is_told_device_or_server(server, sound, opened, stands, state, told, silent):
    server["input"] = served(server="pulseaudio")
    source = opened(timing=SoundTiming(grace_s=0.05, silence_s=0.05, look_s=0.02))
    stands(state)
    if not silent:
        sound.stream.finish()
    elif told.startswith("it stopped"):
        told = "no samples have come for 0.1 s; check that it is plugged in and switched on"
    with pytest.raises(SourceLost) as lost:
        source.read(10.0)
    # By how much it was late is the machine's business.
    words = re.sub(r"for \d\.\d s", "for 0.1 s", str(lost.value))
    assert words == f"sound input “default, ALSA”: {told}"


@pytest.mark.parametrize(
    ("state", "told"),
    [
        (GONE, "no sound server answers; start it, or plug in an input that needs none"),
        (EMPTY, "the sound server “pulseaudio” has no input to give; plug one in"),
        (None, "it refuses every usual rate; check that no other program holds it"),
    ],
)
def test_a_server_without_an_input_is_told_apart_from_one_that_is_busy(
    server, sound, opened, stands, state, told
):
    sound.devices[0].rates = ()
    stands(state)
    with pytest.raises(SourceUnavailable) as refused:
        opened()
    assert str(refused.value) == f"sound input “default, ALSA”: {told}"
    # A device of its own has nothing to do with the server.
    sound.devices = [FakeDevice("Bench (hw:1,0)", rates=())]
    with pytest.raises(SourceUnavailable, match=r"Bench.*refuses every usual rate"):
        opened()


def test_the_same_input_without_a_server_is_told_as_it_is_opened_again(
    server, sound, opened, stands
):
    source = opened()
    sound.devices = []
    stands(GONE)
    with pytest.raises(SourceUnavailable) as refused:
        source.open()
    why = "no sound server answers; start it, or plug in an input that needs none"
    assert str(refused.value) == f"sound input “default, ALSA”: {why}"
    with pytest.raises(SourceUnavailable) as refused:
        opened()
    assert str(refused.value) == f"sound input: {why}"
    assert source_module.sound_inputs() == ([], f"sound input: {why}")
    # An input that needs no server is there: nothing keeps it from being used.
    sound.devices = [FakeDevice("Bench (hw:1,0)")]
    inputs, why_none = source_module.sound_inputs()
    assert (len(inputs), why_none) == (1, "")


def test_a_capture_that_the_server_moved_is_lost(server, sound, opened, monkeypatch):
    monkeypatch.setattr(source_module, "Watch", functools.partial(Watch, interval_s=0.02))
    source = opened()
    sound.stream.deliver(slot())
    source.read(1.0)
    server["input"] = served(name="webcam")
    with pytest.raises(SourceLost, match="moved the capture to “webcam”"):
        source.read(10.0)
    with pytest.raises(SourceUnavailable, match=r"“usb\.line”.*“webcam” in its place"):
        source.open()
    server["input"] = served()
    source.open()
