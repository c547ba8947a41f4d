"""The sound path, end to end: a real PortAudio, a real sound server, and known frames."""

import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from instruments.source import Role
from instruments.virtual import VirtualParams, simulate
from tests.integration.soundserver import running_server

pytestmark = [pytest.mark.real_time, pytest.mark.xdist_group("sound")]

RATE_HZ = 192_000
COUNT = 2**24  # float32 holds every whole number up to this, and its quotients by it, exactly
ROOT = Path(__file__).parents[2]


class Child:
    """A capturing process: its events, and what it captured."""

    def __init__(self, address, environment, folder):
        self._out = folder / f"captured-{time.monotonic_ns()}.npz"
        self._events = queue.Queue()
        self.seen = []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.integration.capturing", address, str(self._out)],
            cwd=ROOT,
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def _listen(self):
        for line in self.process.stdout:
            self._events.put(json.loads(line))
        self._events.put({"event": "ended"})

    def await_event(self, name, within_s=20):
        """Return the next event of that name; the time is a safeguard, not what is tested."""
        deadline_s = time.monotonic() + within_s
        while True:
            try:
                event = self._events.get(timeout=max(0.0, deadline_s - time.monotonic()))
            except queue.Empty:
                pytest.fail(f"no “{name}” within {within_s} s; before: {self.seen}")
            self.seen.append(event)
            if event["event"] == name:
                return event
            if event["event"] == "ended":
                pytest.fail(f"the capture ended before “{name}”: {self.seen}")

    def say(self, *words):
        self.process.stdin.write(" ".join(words) + "\n")
        self.process.stdin.flush()

    def stop(self):
        """Return samples and their absolute indices since the source was last opened."""
        self.say("stop")
        self.await_event("done")
        assert self.process.wait(60) == 0
        with np.load(self._out) as captured:
            return captured["samples"], captured["index"]

    def events(self, name):
        return [event for event in self.seen if event["event"] == name]

    def end(self):
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self._listener.join()
        self.process.stdin.close()
        self.process.stdout.close()


@pytest.fixture
def server():
    with running_server() as running:
        yield running


@pytest.fixture
def capture(server, tmp_path):
    children = []

    def start(address="sound:?full_scale_v=1", source="bench.monitor"):
        environment = dict(server.environment)
        if source is not None:
            environment["PULSE_SOURCE"] = source
        children.append(Child(address, environment, tmp_path))
        return children[-1]

    yield start
    for child in children:
        child.end()


def ramp(seconds):
    """A count of frames from 1 up, and its negative."""
    counts = (np.arange(1, round(seconds * RATE_HZ) + 1) / COUNT).astype(np.float32)
    return np.column_stack([counts, -counts])


def played(server, child, samples, rate=RATE_HZ):
    """Play to a capture until it has heard the last of it."""
    # A sink that wakes up has already passed silence on in place of the first frames.
    lead_in = np.zeros((rate, samples.shape[1]), np.float32)
    process = server.play("bench", np.concatenate([lead_in, samples]), rate)
    assert process.wait(60) == 0
    child.await_event("quiet")


def counted(samples, index):
    """Return the counts of a captured ramp and the frames' indices, silence left out."""
    heard = samples[:, 0] != 0
    return np.rint(samples[heard, 0].astype(np.float64) * COUNT).astype(np.int64), index[heard]


def test_frames_come_back_bit_exact_and_without_a_gap(server, capture):
    server.plug("bench")
    child = capture()
    told = child.await_event("open")
    assert told["roles"] == ["plus", "minus"]
    assert told["rate"] == RATE_HZ
    assert told["bandwidth"] == pytest.approx(0.45 * RATE_HZ)
    assert told["notes"] == []
    child.await_event("samples")
    sent = ramp(5.0)
    played(server, child, sent)
    samples, index = child.stop()
    assert child.events("gap") == []
    assert np.array_equal(index, np.arange(len(index)))
    first = int(np.flatnonzero(samples[:, 0])[0])
    np.testing.assert_array_equal(samples[first : first + len(sent)], sent)
    assert child.events("done")[0]["closed_s"] <= 2.0  # the protocol's promise


def fitted_amplitude(signal, cycles_per_frame, frames):
    """Amplitudes by the three-parameter sine fit of IEEE 1057, one for each run of `frames`."""
    phase = 2 * np.pi * cycles_per_frame * np.arange(frames)
    columns = np.column_stack([np.cos(phase), np.sin(phase), np.ones(frames)])
    runs = signal[: len(signal) // frames * frames].reshape(-1, frames).astype(np.float64)
    solved = np.linalg.lstsq(columns, runs.T, rcond=None)[0]
    return np.hypot(solved[0], solved[1])


def test_the_virtual_drive_by_way_of_the_sound_server(server, capture):
    steady = {"wow_percent": 0.0, "drift_percent": 0.0, "third_harmonic": 0.0}
    drive = VirtualParams(offset_um=40.0, carrier_hz=62_500.0, **steady)
    sent_v, truth = simulate(drive, (Role.PLUS, Role.MINUS), rate_hz=RATE_HZ, seconds=3.0)
    server.plug("bench")
    child = capture("sound:?full_scale_v=2")
    child.await_event("samples")
    played(server, child, sent_v / np.float32(2))
    samples_v, _ = child.stop()
    assert child.events("gap") == []
    first = int(np.flatnonzero(samples_v[:, 0])[0]) - int(np.flatnonzero(sent_v[:, 0])[0])
    heard_v = samples_v[first : first + len(sent_v)]
    np.testing.assert_array_equal(heard_v, sent_v)
    # A fit over 1 ms, in which an envelope of 5 turns a second hardly bends.
    heights_v = fitted_amplitude(
        heard_v[:, 0] - heard_v[:, 1], truth.carrier_hz / RATE_HZ, RATE_HZ // 1000
    )
    turns_v = heights_v[:3000].reshape(15, 200)
    top = int(turns_v.mean(axis=0).argmax())
    turns_v = np.roll(turns_v, 50 - top, axis=1)
    taller_v, lower_v = turns_v[:, :100].max(axis=1), turns_v[:, 100:].max(axis=1)
    # 35 dB of noise is 1.8 % of the amplitude in a frame, 0.18 % in the fit of 192.
    assert taller_v.mean() == pytest.approx(max(truth.first_v, truth.second_v), rel=0.01)
    assert lower_v.mean() == pytest.approx(min(truth.first_v, truth.second_v), rel=0.01)


def test_a_stalled_reader_is_told_the_frames_it_lost(server, capture):
    server.plug("bench")
    child = capture()
    child.await_event("samples")
    playing = server.play("bench", ramp(9.0), RATE_HZ)
    child.await_event("heard")
    child.say("stall", "6")  # the ring holds four
    gap = child.await_event("gap")
    assert playing.wait(60) == 0
    samples, index = child.stop()
    assert gap["told"]
    assert gap["overrun"]
    assert 1.0 * RATE_HZ < gap["lost"] < 3.0 * RATE_HZ
    assert len(child.events("gap")) == 1
    counts, places = counted(samples, index)
    assert len(counts) > 6 * RATE_HZ
    assert len(np.unique(counts - places)) == 1  # every frame is where its index says


@pytest.mark.slow
def test_a_stall_of_the_whole_process_is_found_by_the_clock(server, capture):
    """Nothing flags this loss: the server throws away what nobody fetches in time."""
    server.plug("bench")
    child = capture()
    child.await_event("samples")
    playing = server.play("bench", ramp(12.0), RATE_HZ)
    for _ in range(3):
        child.await_event("second")
    os.kill(child.process.pid, signal.SIGSTOP)
    time.sleep(5.0)  # longer than the server keeps what nobody fetches
    os.kill(child.process.pid, signal.SIGCONT)
    gap = child.await_event("gap")
    assert playing.wait(60) == 0
    samples, index = child.stop()
    assert gap["told"]
    assert child.events("lost") == []
    assert len(child.events("gap")) == 1
    counts, places = counted(samples, index)
    before = places < places[0] + 2 * RATE_HZ
    moved = (counts - places)[~before] - (counts - places)[0]
    assert len(np.unique((counts - places)[before])) == 1
    # One shift, at the gap, of less than 20 ms: no run has a break inside it.
    assert len(np.unique(moved)) <= 2
    assert np.abs(moved).max() < 0.020 * RATE_HZ
    breaks = np.flatnonzero(np.diff(places) != 1)
    assert len(breaks) == 1
    assert np.all(np.delete(np.diff(counts), breaks) == 1)


def test_an_unplugged_input_is_lost_and_taken_up_again(server, capture):
    number = server.plug("bench")
    child = capture()
    child.await_event("samples")
    server.unplug(number)
    assert "sound input" in child.await_event("lost", within_s=5)["message"]
    assert "sound input" in child.await_event("refused")["message"]
    server.plug("bench")
    child.await_event("open")
    child.await_event("samples")
    sent = ramp(1.0)
    played(server, child, sent)
    samples, _ = child.stop()
    first = int(np.flatnonzero(samples[:, 0])[0])
    np.testing.assert_array_equal(samples[first : first + len(sent)], sent)


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_a_server_that_ends_is_a_loss_and_its_return_is_taken_up(server, capture, how):
    server.plug("bench")
    child = capture()
    child.await_event("samples")
    server.stop(how)
    child.await_event("lost", within_s=5)
    child.await_event("refused")
    server.start()
    server.plug("bench")
    child.await_event("open")
    child.await_event("samples")
    samples, index = child.stop()
    assert len(samples) == len(index) > 0


def test_a_capture_that_the_server_moves_is_lost(server, capture):
    server.plug("bench")
    server.plug("webcam")
    child = capture()
    child.await_event("samples")
    number = server.pactl("list", "short", "source-outputs").split()[0]
    server.pactl("move-source-output", number, "webcam.monitor")
    assert "webcam.monitor" in child.await_event("lost", within_s=10)["message"]
    child.await_event("open")  # PULSE_SOURCE still names the bench


def test_another_input_is_not_taken_in_place_of_the_one_that_went(server, capture):
    number = server.plug("bench")
    server.plug("webcam")
    server.pactl("set-default-source", "bench.monitor")
    child = capture(source=None)
    child.await_event("samples")
    server.unplug(number)
    child.await_event("lost", within_s=10)
    message = child.await_event("refused")["message"]
    assert "bench.monitor" in message
    assert "webcam.monitor" in message
    server.plug("bench")
    server.pactl("set-default-source", "bench.monitor")
    child.await_event("open")
    child.await_event("samples")


def test_what_the_server_does_to_the_samples_is_told(server, capture):
    server.plug("bench", rate=48_000, channels=1)
    server.pactl("set-source-volume", "bench.monitor", "50%")
    server.pactl("set-source-mute", "bench.monitor", "1")
    child = capture("sound:")
    told = child.await_event("open")
    assert told["roles"] == ["differential"]
    assert told["bandwidth"] == pytest.approx(0.45 * 48_000)
    notes = " ".join(told["notes"])
    for word in ("full_scale_v", "48000", "mutes", "50 %"):
        assert word in notes


def output_of(program, environment):
    """Run a few lines in a process of their own, whose PortAudio starts in `environment`."""
    found = subprocess.run(
        [sys.executable, "-c", program],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert found.returncode == 0, found.stderr
    return found.stdout


CLOSE_UNDER_A_READER = """
import threading
from instruments.address import open_address
from instruments.source import SourceLost, SourceUnavailable

source = open_address("sound:")
for pause_s in (0.0, 0.1, 1.0, 2.5):
    source.open()

    def read(source=source):
        try:
            while True:
                source.read(30.0)
        except (SourceLost, SourceUnavailable) as error:
            print(error)

    reader = threading.Thread(target=read)
    reader.start()
    reader.join(pause_s)
    source.close()
    reader.join(60.0)
    assert not reader.is_alive()
print("ended")
"""


def test_closing_under_a_waiting_reader_harms_nobody(server):
    server.plug("bench")
    *told, last = output_of(CLOSE_UNDER_A_READER, server.environment).splitlines()
    assert last == "ended"
    assert len(told) == 4
    assert all("closed" in line or "not open" in line for line in told)


LIST = "from instruments.sound.source import sound_inputs; print(sound_inputs())"


def test_inputs_are_listed_with_a_server_and_none_without(server):
    server.plug("bench")
    assert "sound:default, ALSA" in output_of(LIST, server.environment)
    server.stop()
    without = output_of(LIST, server.environment)
    assert "sound:default" not in without
    assert "no sound server answers; start it" in without
