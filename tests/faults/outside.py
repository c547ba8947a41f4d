"""What lies outside the program: a drive, and what a driver, a cable or a system make of it.

A :class:`Bench` plays a drive's signal by the world's clock and hands it to the program as the
system does: by PortAudio's call-backs, as bytes in a pipe, as a capture file. The faults in
:mod:`tests.faults.faults` are done to it.
"""

from __future__ import annotations

import os
import types
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.random import Generator
from numpy.typing import NDArray

from instruments.file.source import FileSource
from instruments.pipe import program as program_module
from instruments.pipe import source as pipe_module
from instruments.pipe.program import ProgramSource
from instruments.pipe.source import PipeSource
from instruments.sound.portaudio import PortAudio
from instruments.sound.source import SoundSource
from instruments.sound.source import read_options as sound_options
from instruments.source import Source, SourceRequest, parse_roles
from instruments.virtual.params import read_options
from instruments.virtual.source import VirtualSource
from tests.faults.world import World
from tests.instruments.sound.fakesound import FakeDevice, FakeSound
from tests.synthesis import Signal, make

CARRIER_HZ = 25_000
RPM = 300.0
_TURNS = 10
"""What is played is so long and begins anew: whole turns, and whole cycles of the carrier."""
_CALL_S = 0.01
_ROWS_AT_ONCE = 4096
RATIOS = (0.95, 0.85, 0.7, 0.5)
RATES_HZ = {
    "plus,minus": 64_000,
    "differential,index": 64_000,
    "envelope": 16_000,
    "envelope,index": 16_000,
}
"""What comes, and how many samples of it in a second."""
Samples = NDArray[np.float32]


@cache
def tape(ratio: float, roles: str, rate_hz: int) -> Samples:
    """Return some turns of a drive's signal, sampled; shape (frames, channels), in volts."""
    signal = Signal(
        ratio=ratio,
        rate_hz=rate_hz,
        carrier_hz=CARRIER_HZ,
        turns=_TURNS,
        start_turns=0.0,
        snr_db=35.0,
        index_high_v=0.8,
        index_low_v=0.05,
    )
    samples = make(signal).columns(*roles.split(","))
    # What a detector gives has noise of its own, which the signal's envelope has not.
    noise = np.random.default_rng(1).standard_normal(len(samples)) * 1e-3
    if roles.startswith("envelope"):
        samples[:, 0] += noise.astype(np.float32)
    return samples


@dataclass(frozen=True, slots=True)
class Stretch:
    """From when on the samples have this ratio; None where they are of no drive's."""

    from_s: float
    ratio: float | None


class Bench(ABC):
    """A drive on the bench, with one way into the program.

    Attributes
    ----------
    change : callable or None
        What becomes of the samples on their way.
    holds : bool
        The driver passes nothing on; what comes meanwhile waits there, or is lost with `drops`.
    pace : float
        Samples that come in a second, as a part of those that should.
    truth : list of Stretch
        What is true from when on, in order.
    tells_speed : bool
        The samples come at the rate that is stated, so that the speed can be judged.
    cause_s, over_s : float or None
        When the fault began, and when all was well outside again.
    """

    kind = ""
    is_live = True

    def __init__(self, world: World, rng: Generator, folder: Path) -> None:
        self.world = world
        self.rng = rng
        self.folder = folder
        self.roles = str(rng.choice(list(RATES_HZ)))
        self.rate_hz = RATES_HZ[self.roles]
        self.ratio = float(rng.choice(RATIOS))
        self.tape = tape(self.ratio, self.roles, self.rate_hz)
        self.change: Callable[[Samples], Samples] | None = None
        self.holds = self.drops = False
        self.pace = 1.0
        self.truth = [Stretch(0.0, self.ratio)]
        self.tells_speed = self.kind != "sim"
        self.cause_s: float | None = None
        self.over_s: float | None = None
        self._place = int(rng.integers(len(self.tape)))
        self._since_s = world.now_s
        self._owed = 0.0
        self._kept: list[Samples] = []

    @abstractmethod
    def source(self) -> Source:
        """Return the program's source of it, not yet open."""

    def modules(self) -> tuple[types.ModuleType, ...]:
        """Return the modules of that source that have a clock or threads."""
        return ()

    def patches(self) -> tuple[tuple[Any, str, Any], ...]:
        """Return what of the system is replaced: where, by what name, with what."""
        return ()

    def start(self) -> None:
        """Begin to play, on a thread of its own."""
        self.world.Thread(target=self._run, name=f"outside-{self.kind}").start()

    # -- what faults do

    def unplug(self) -> None:  # noqa: B027 - not every bench has it
        """Take it away."""

    def plug(self) -> None:  # noqa: B027 - not every bench has it
        """Put it back."""

    def swap(self) -> None:
        """Put another drive's signal in its place."""
        self.ratio = next(each for each in RATIOS if each != self.ratio)
        self.tape = tape(self.ratio, self.roles, self.rate_hz)
        self.truth.append(Stretch(self.world.now_s, self.ratio))

    def tell_overflow(self) -> None:  # noqa: B027 - not every bench has it
        """Let the driver say that it has lost something, where it can."""

    def skip(self, seconds: float) -> None:
        """Let so much of the signal be lost on its way."""
        self._place += round(seconds * self.rate_hz)

    # -- playing

    def _run(self) -> None:
        while True:
            self.world.sleep(_CALL_S * float(self.rng.uniform(0.8, 1.2)))
            samples = self._due()
            if self.holds:
                if not self.drops:
                    self._kept.append(samples)
                continue
            if self._kept:
                samples = np.concatenate([*self._kept, samples])
                self._kept = []
            if len(samples):
                self.deliver(samples)

    def _due(self) -> Samples:
        passed_s = self.world.now_s - self._since_s
        self._since_s = self.world.now_s
        self._owed += passed_s * self.rate_hz * self.pace
        count = int(self._owed)
        self._owed -= count
        rows = (self._place + np.arange(count)) % len(self.tape)
        self._place += count
        samples = self.tape[rows]
        return samples if self.change is None else self.change(samples)

    def forget_time(self) -> None:
        """Let the time until now have passed without a signal."""
        self._since_s = self.world.now_s

    def deliver(self, samples: Samples) -> None:  # noqa: B027 - some are read, and deliver nothing
        """Hand samples to the program."""


class SoundBench(Bench):
    """A sound input that PortAudio gives."""

    kind = "sound"

    def __init__(self, world: World, rng: Generator, folder: Path) -> None:
        super().__init__(world, rng, folder)
        self._device = FakeDevice("Bench (hw:1,0)", self.tape.shape[1], rates=(self.rate_hz,))
        self._other = FakeDevice("Camera (hw:2,0)", self.tape.shape[1], rates=(self.rate_hz,))
        self.fake = FakeSound([self._device])
        self._overflow = False
        self._finishes = bool(rng.random() < 0.5)
        """Some drivers end the stream of a device that goes, others call back no more."""

    def source(self) -> Source:
        """Return the default input."""
        given = {"rate": str(self.rate_hz), "full_scale_v": "1"}
        options = sound_options("sound:", given, SourceRequest(roles=parse_roles(self.roles)))
        return SoundSource("", options, "sound:", portaudio=PortAudio(self.fake))

    def modules(self) -> tuple[types.ModuleType, ...]:
        """Return those of the capture."""
        from instruments.sound import capture

        return (capture,)

    def unplug(self) -> None:
        """Pull the card."""
        self.fake.devices = []
        self.holds = self.drops = True
        if self._finishes and self.fake.streams:
            self.fake.stream.finish()
        self._pulled = len(self.fake.streams)

    def plug(self) -> None:
        """Plug the card in; a stream of before stays dead."""
        self.fake.devices = [self._device]
        self.holds = self.drops = False

    def swap(self) -> None:
        """Pull the card and plug another in."""
        self.unplug()
        super().swap()
        self.fake.devices = [self._other]
        self.holds = self.drops = False

    def tell_overflow(self) -> None:
        """Flag the next call-back."""
        self._overflow = True

    def deliver(self, samples: Samples) -> None:
        """Call back, unless the stream has been closed or its device was pulled."""
        streams = self.fake.streams
        if len(streams) == getattr(self, "_pulled", 0) or streams[-1].closed:
            return
        streams[-1].deliver(np.clip(samples, -1.0, 1.0), self._overflow)
        self._overflow = False


class Bytes:
    """A pipe's bytes, as the system holds them."""

    def __init__(self) -> None:
        self.held = bytearray()
        self.is_over = False
        self.fault: OSError | None = None

    @property
    def is_ready(self) -> bool:
        """Whether a read would not wait."""
        return bool(self.held or self.is_over or self.fault)

    def read(self, _: int, count: int) -> bytes:
        """Read as the system does."""
        if self.fault is not None:
            raise self.fault
        data = bytes(self.held[:count])
        del self.held[:count]
        return data


class PipeBench(Bench):
    """A program's output, piped in as raw frames or as WAV."""

    kind = "pipe"

    def __init__(self, world: World, rng: Generator, folder: Path) -> None:
        super().__init__(world, rng, folder)
        self.form = str(rng.choice(("float32", "int16", "wav")))
        self.bytes = Bytes()
        self._torn = bool(rng.random() < 0.5)
        self._begin()

    def source(self) -> Source:
        """Return standard input."""
        options = pipe_module.read_options("pipe:", self._stated())
        request = SourceRequest(roles=parse_roles(self.roles))
        return PipeSource(options, request, "pipe:")

    def modules(self) -> tuple[types.ModuleType, ...]:
        """Return the one that reads."""
        return (pipe_module,)

    def patches(self) -> tuple[tuple[Any, str, Any], ...]:
        """Return the descriptor's other side."""
        system = types.SimpleNamespace(
            read=lambda *of: self.bytes.read(*of), fstat=lambda _: None, isatty=lambda _: False
        )

        def is_ready(_: int) -> bool:
            return self.world.wait(lambda: self.bytes.is_ready, 0.1)

        return ((pipe_module, "os", system), (pipe_module, "_is_ready", is_ready))

    def unplug(self) -> None:
        """Let the program that writes die, maybe in the middle of a frame."""
        self.holds = self.drops = True
        if self._torn:
            self.bytes.held += b"\0"
        if self.rng.random() < 0.3:
            self.bytes.fault = OSError(5, os.strerror(5))
        self.bytes.is_over = True

    @property
    def sample_bytes(self) -> int:
        """Bytes of one sample of one channel."""
        return 2 if self.form == "int16" else 4

    def insert(self, data: bytes) -> None:
        """Put bytes among those of the samples."""
        self.bytes.held += data

    def deliver(self, samples: Samples) -> None:
        """Write frames."""
        if self.form == "int16":
            with np.errstate(all="ignore"):
                samples = np.clip(samples * 32767.0, -32768, 32767).astype("<i2")
        self.bytes.held += samples.tobytes()

    def _stated(self) -> dict[str, str]:
        if self.form == "wav":
            return {"full_scale_v": "1"}
        raw = {"rate": str(self.rate_hz), "dtype": self.form, "channels": str(self.tape.shape[1])}
        return raw | {"full_scale_v": "1"}

    def _begin(self) -> None:
        if self.form == "wav":
            self.bytes.held += wav_header(self.rate_hz, self.tape.shape[1])


def wav_header(rate_hz: int, channels: int) -> bytes:
    """Return the header of a float WAV that does not know its length."""
    form = np.array(
        [(3, channels, rate_hz, 4 * channels * rate_hz, 4 * channels, 32)],
        "<u2,<u2,<u4,<u4,<u2,<u2",
    )
    long = b"\xff\xff\xff\x7f"
    return b"RIFF" + long + b"WAVEfmt " + b"\x10\0\0\0" + form.tobytes() + b"data" + long


class ProgramBench(PipeBench):
    """A capture program that the source starts, again when it dies."""

    kind = "program"

    def source(self) -> Source:
        """Return the program."""
        options = pipe_module.read_options("run:", self._stated())
        roles = parse_roles(self.roles)
        return ProgramSource(["capture"], options, roles, "run:capture", self.world.monotonic)

    def patches(self) -> tuple[tuple[Any, str, Any], ...]:
        """Return the program in place of a process."""
        return (*super().patches(), (program_module, "Program", self._started))

    def unplug(self) -> None:
        """Let the program die, maybe in the middle of a frame."""
        super().unplug()
        self.is_there = False

    def plug(self) -> None:
        """Let the program run once it is started again."""
        self.is_there = True

    is_there = True

    def _started(self, _: list[str]) -> Any:
        """Stand in for a process."""
        self.bytes = Bytes()
        self._begin()
        self.holds = self.drops = not self.is_there
        self.bytes.is_over = not self.is_there
        ended = types.SimpleNamespace(
            output=3,
            said="" if self.is_there else "no such device",
            end=lambda: None,
            release=lambda: None,
            wait=lambda: 1,
        )
        self.forget_time()
        return ended


class FileBench(Bench):
    """A capture file, played."""

    kind = "file"
    is_live = False

    def __init__(self, world: World, rng: Generator, folder: Path) -> None:
        super().__init__(world, rng, folder)
        self.form = str(rng.choice(("wav", "csv")))
        self.path = folder / f"capture.{self.form}"
        self.stated_hz = self.rate_hz

    def source(self) -> Source:
        """Return the file."""
        request = SourceRequest(roles=parse_roles(self.roles))
        return FileSource(str(self.path), request)

    def modules(self) -> tuple[types.ModuleType, ...]:
        """Return the one that plays."""
        from instruments.file import source as file_module

        return (file_module,)

    def start(self) -> None:
        """Do nothing: it is read, and does not come by itself."""

    def write(self, samples: Samples, lost: tuple[int, int] | None = None) -> None:
        """Write the file; frames that are `lost` are missing, with their times where it has any."""
        kept = np.ones(len(samples), bool)
        if lost is not None:
            kept[slice(*lost)] = False
        if self.form == "wav":
            soundfile.write(self.path, samples[kept], self.stated_hz, subtype="FLOAT")
            return
        times_s = np.arange(len(samples))[kept] / self.stated_hz
        rows = np.column_stack([times_s, samples[kept]])
        titles = ",".join(("Time (s)", *(f"{each} (V)" for each in self.roles.split(","))))
        # As np.savetxt would, which writes row by row.
        form = ",".join(["%.9g"] * rows.shape[1]) + "\n"
        with self.path.open("w", encoding="ascii", newline="") as stream:
            stream.write(f"{titles}\n")
            for start in range(0, len(rows), _ROWS_AT_ONCE):
                part = rows[start : start + _ROWS_AT_ONCE]
                stream.write(form * len(part) % tuple(part.ravel().tolist()))

    def whole(self, seconds: float) -> Samples:
        """Return so much of the signal."""
        rows = (self._place + np.arange(ceil(seconds * self.rate_hz))) % len(self.tape)
        return self.tape[rows]


class SimBench(Bench):
    """The virtual drive, which nothing can happen to but what happens to the machine."""

    kind = "sim"

    def __init__(self, world: World, rng: Generator, folder: Path) -> None:
        super().__init__(world, rng, folder)
        self.rate_hz = RATES_HZ["plus,minus"]
        self.roles = "plus,minus,index"
        options = f"rate={self.rate_hz}&carrier_hz={CARRIER_HZ}&clamp_um=0&oval_um=0"
        offset = f"&offset_um={rng.uniform(-60, 60):.1f}&seed={rng.integers(1000)}"
        address = f"sim:{options}{offset}"
        params = read_options(address, dict(pair.split("=") for pair in address[4:].split("&")))
        self._source = VirtualSource(
            replace(params, pace="live"),
            address=address,
            clock=world.monotonic,
            sleep=world.sleep,
        )
        self.truth = [Stretch(0.0, self._source.drive.truth(0.0, 1.0).ratio)]

    def source(self) -> Source:
        """Return the drive."""
        return self._source

    def start(self) -> None:
        """Do nothing: it is asked."""


BENCHES: dict[str, type[Bench]] = {
    each.kind: each for each in (SimBench, FileBench, PipeBench, ProgramBench, SoundBench)
}
"""What can be on the bench, by the kind of source."""
