"""A stand-in for the sounddevice module whose devices and call-backs a test scripts."""

import threading
import time
import types
from dataclasses import dataclass, field

import numpy as np


class PortAudioError(Exception):
    pass


@dataclass
class FakeDevice:
    name: str
    inputs: int = 2
    hostapi: int = 0
    outputs: int = 0
    rates: tuple[int, ...] = (192_000, 96_000, 48_000, 44_100)
    default_rate: float = 44_100.0


class FakeStream:
    """Takes the settings of sounddevice.InputStream; the test calls the call-back."""

    def __init__(self, module, **settings):
        self.module = module
        self.settings = settings
        self.closed = False
        self.pulse = None
        if module.refuses:
            raise PortAudioError("Device unavailable", -9985)

    def start(self):
        self.module.streams.append(self)
        if self.module.live:
            self.pulse = threading.Thread(target=self._run, daemon=True)
            self.pulse.start()

    def _run(self):
        frames = self.settings["samplerate"] // 100
        due = time.monotonic()
        while not self.closed:
            self.deliver(np.full((frames, self.settings["channels"]), 0.25, np.float32))
            due += frames / self.settings["samplerate"]
            time.sleep(max(0.0, due - time.monotonic()))

    def deliver(self, samples, overflow=False):
        samples = np.asarray(samples, np.float32)
        status = types.SimpleNamespace(input_overflow=overflow)
        self.settings["callback"](samples, len(samples), None, status)

    def finish(self):
        self.settings["finished_callback"]()

    def abort(self, ignore_errors=True):
        self.module.close_barrier.wait(60)

    def close(self, ignore_errors=True):
        if not self.closed:
            self.closed = True
            self.finish()


class FakeOutput(FakeStream):
    """Takes the settings of sounddevice.OutputStream; the test asks for what is played."""

    def start(self):
        self.module.streams.append(self)

    def played(self, frames):
        out = np.full((frames, self.settings["channels"]), np.nan, np.float32)
        self.settings["callback"](out, frames, None, None)
        return out

    def finish(self):
        """Nobody asked to be told."""


@dataclass
class FakeSound:
    """Install with ``monkeypatch.setitem(sys.modules, "sounddevice", fake)``."""

    devices: list[FakeDevice] = field(default_factory=lambda: [FakeDevice("Bench (hw:1,0)")])
    host_apis: tuple[str, ...] = ("ALSA",)
    default_input: int = 0
    default_output: int = -1
    live: bool = False
    refuses: bool = False
    streams: list[FakeStream] = field(default_factory=list)
    rescans: int = 0
    _initialized: int = 1
    PortAudioError = PortAudioError

    def __post_init__(self):
        self.close_barrier = threading.Event()  # clear it to make closing hang
        self.close_barrier.set()

    @property
    def default(self):
        return types.SimpleNamespace(device=(self.default_input, self.default_output))

    def query_hostapis(self):
        return [{"name": name} for name in self.host_apis]

    def query_devices(self):
        return [
            {
                "name": one.name,
                "hostapi": one.hostapi,
                "max_input_channels": one.inputs,
                "max_output_channels": one.outputs,
                "default_samplerate": one.default_rate,
            }
            for one in self.devices
        ]

    def check_input_settings(self, device, channels, dtype, samplerate):
        if samplerate not in self.devices[device].rates:
            raise PortAudioError("Invalid sample rate", -9997)

    def InputStream(self, **settings):  # noqa: N802 - sounddevice's name
        return FakeStream(self, **settings)

    def OutputStream(self, **settings):  # noqa: N802 - sounddevice's name
        return FakeOutput(self, **settings)

    def _terminate(self):
        assert not [one for one in self.streams if not one.closed], "a rescan stops open streams"
        self._initialized -= 1

    def _initialize(self):
        self._initialized += 1
        self.rescans += 1

    @property
    def stream(self):
        return self.streams[-1]
