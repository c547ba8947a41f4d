"""The scope's inputs: probes, coupling, range, the 8-bit converter and peak detection.

The drive is sampled at a rate far above its carrier; each bucket of samples leaves its two
extremes, or one sample.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from instruments.source import Role
from instruments.virtual.digitiser import Digitiser
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.scope.panel import MATHS, Panel
from instruments.virtual.scope.record import Codes, Record, Scale, Traits

Singles = NDArray[np.float32]

WIRED = {1: Role.PLUS, 2: Role.MINUS, 3: Role.INDEX}
"""What each channel's probe is clipped to."""
_SAMPLES_A_CYCLE = 32
_GOLDEN = 0.382
_CHUNK_FRAMES = 65536
_MOST_FRAMES = 1 << 27
"""Of a sweep; a longer one is sampled more coarsely."""


@dataclass(frozen=True, slots=True)
class Input:
    """One channel as it is set for a sweep."""

    scale: Scale
    coupling: str


@dataclass(frozen=True, slots=True)
class Setup:
    """What is set for a sweep; two that are equal give sweeps of one kind."""

    seconds_per_div: float
    divisions: int
    points: int
    peak: bool
    start_s: float
    inputs: tuple[tuple[int, Input], ...]

    @property
    def span_s(self) -> float:
        """Length of the sweep."""
        return self.seconds_per_div * self.divisions


def setup_of(panel: Panel, traits: Traits) -> Setup:
    """Return what a sweep would be like now."""
    span_s = panel.seconds_per_div * traits.divisions
    inputs = []
    for number, channel in panel.channels.items():
        # The maths channel needs its two, shown or not.
        if channel.on or (number in (1, 2) and panel.channels[MATHS].on):
            scale = Scale(
                volts_per_code=channel.volts_per_div / traits.codes_per_div,
                centre_v=channel.centre_v,
                offset_v=channel.offset_v,
                position_div=channel.position_div,
                volts_per_div=channel.volts_per_div,
                probe=channel.probe,
            )
            inputs.append((number, Input(scale, channel.coupling)))
    return Setup(
        seconds_per_div=panel.seconds_per_div,
        divisions=traits.divisions,
        points=panel.memory,
        peak=panel.acquisition == "peak",
        start_s=panel.delay_s - panel.reference * span_s,
        inputs=tuple(inputs),
    )


class FrontEnd:
    """Samples a drive into records. Not for several threads at once.

    Parameters
    ----------
    drive : VirtualDrive
        What the probes are clipped to.
    traits : Traits
        The model.
    seed : int
        Of the scope's own noise.
    noise_codes : float
        Its root mean square in each sample, in codes.
    probes : tuple of float
        Attenuation of the probes that are fitted, for channels 1 to 4.
    """

    def __init__(
        self,
        drive: VirtualDrive,
        traits: Traits,
        *,
        seed: int,
        noise_codes: float,
        probes: tuple[float, ...],
    ) -> None:
        self._drive = drive
        self._traits = traits
        self._noise = np.random.Generator(np.random.SFC64(seed))
        self._noise_codes = noise_codes
        self._probes = probes

    def acquire(self, setup: Setup, begin_s: float, number: int) -> Record:
        """Return the sweep whose first point lies at `begin_s` of the drive's time."""
        sweep = _Sweep(self._drive, setup, begin_s)
        inputs = dict(setup.inputs)
        for chunk in sweep.chunks():
            self._digest(sweep, chunk, inputs)
        levels = {channel: self._levels(sweep, channel, inputs) for channel in inputs}
        scales = {channel: entry.scale for channel, entry in inputs.items()}
        codes = {channel: _codes(levels[channel], scales[channel]) for channel in inputs}
        if setup.peak and MATHS in inputs and self._traits.maths == "points":
            codes[MATHS] = _difference(codes, scales)
        return Record(
            number=number,
            codes=codes,
            scales=scales,
            span_s=setup.span_s,
            start_s=setup.start_s,
            peak=setup.peak,
            seconds_per_div=setup.seconds_per_div,
        )

    def _digest(self, sweep: _Sweep, chunk: _Chunk, inputs: Mapping[int, Input]) -> None:
        """Reduce one stretch of samples, each channel to its buckets."""
        phases: list[Singles] = []
        for channel in sweep.sampled:
            volts = self._at_screen(chunk.column(channel), channel, inputs[channel])
            sweep.keep(channel, chunk, volts)
            if channel in (1, 2):
                phases.append(_railed(volts, inputs[channel].scale))
        if MATHS in inputs:
            sweep.keep(MATHS, chunk, phases[0] - phases[1])

    def _at_screen(self, volts: Singles, channel: int, entry: Input) -> Singles:
        """Return volts as the scope reckons them, with its own noise."""
        scale = entry.scale
        gain = 0.0 if entry.coupling == "gnd" else scale.probe / self._probes[channel - 1]
        volts *= np.float32(gain)
        if self._noise_codes:
            noise = self._noise.standard_normal(volts.size, dtype=np.float32)
            noise *= np.float32(self._noise_codes * scale.volts_per_code)
            volts += noise
        return volts

    def _levels(self, sweep: _Sweep, channel: int, inputs: Mapping[int, Input]) -> Singles:
        """Return what the buckets hold, less what the couplings hold back.

        A coupling's corner lies so far below the sweep that it takes the mean away.
        """
        parts = {1: 1.0, 2: -1.0} if channel == MATHS else {channel: 1.0}
        held_v = sum(
            sign * sweep.mean(part) for part, sign in parts.items() if inputs[part].coupling == "ac"
        )
        return sweep.levels(channel) - np.float32(held_v)


def _railed(volts: Singles, scale: Scale) -> Singles:
    low, high = (code * scale.volts_per_code + scale.centre_v for code in (-128, 127))
    return np.clip(volts, np.float32(low), np.float32(high))


def _codes(levels: Singles, scale: Scale) -> Codes:
    steps = (levels - np.float32(scale.centre_v)) / np.float32(scale.volts_per_code)
    return np.clip(np.rint(steps), -128, 127).astype(np.int8)


def _difference(codes: Mapping[int, Codes], scales: Mapping[int, Scale]) -> Codes:
    volts = [
        codes[channel] * scales[channel].volts_per_code + scales[channel].centre_v
        for channel in (1, 2)
    ]
    return _codes((volts[0] - volts[1]).astype(np.float32), scales[MATHS])


@dataclass(frozen=True, slots=True)
class _Chunk:
    """Some whole buckets of samples."""

    first_bucket: int
    buckets: int
    samples_v: Singles
    columns: Mapping[int, int]

    def column(self, channel: int) -> Singles:
        place = self.columns.get(channel)
        if place is None:
            return np.zeros(self.samples_v.shape[0], dtype=np.float32)
        return self.samples_v[:, place].copy()


class _Sweep:
    """Samples of a sweep, and what its buckets leave."""

    def __init__(self, drive: VirtualDrive, setup: Setup, begin_s: float) -> None:
        self._peak = setup.peak
        self._buckets = max(setup.points // 2 if setup.peak else setup.points, 1)
        bucket_hz = self._buckets / setup.span_s
        carrier_hz = drive.disk.cycles_per_turn * drive.spindle.speed_hz
        self._each = _samples_a_bucket(bucket_hz, carrier_hz, self._buckets, peak=setup.peak)
        rate_hz = bucket_hz * self._each
        self.sampled = sorted(number for number, _ in setup.inputs if number != MATHS)
        wired = [number for number in self.sampled if number in WIRED]
        self._columns = {number: place for place, number in enumerate(wired)}
        roles = tuple(WIRED[number] for number in wired)
        self._digitiser = Digitiser(drive, roles, rate_hz)
        self._first = ceil(begin_s * rate_hz - 1e-6)
        shape = (self._buckets, 2) if setup.peak else (self._buckets,)
        numbers = [number for number, _ in setup.inputs]
        self._levels = {number: np.empty(shape, dtype=np.float32) for number in numbers}
        self._sums = dict.fromkeys(numbers, 0.0)

    def chunks(self) -> Iterator[_Chunk]:
        step = max(_CHUNK_FRAMES // self._each, 1)
        for first in range(0, self._buckets, step):
            buckets = min(step, self._buckets - first)
            samples_v, _ = self._digitiser.take(
                self._first + first * self._each, buckets * self._each
            )
            yield _Chunk(first, buckets, samples_v, self._columns)

    def keep(self, channel: int, chunk: _Chunk, volts: Singles) -> None:
        self._sums[channel] += float(volts.sum(dtype=np.float64))
        buckets = volts.reshape(chunk.buckets, self._each)
        out = self._levels[channel][chunk.first_bucket : chunk.first_bucket + chunk.buckets]
        if self._peak:
            buckets.min(axis=1, out=out[:, 0])
            buckets.max(axis=1, out=out[:, 1])
        else:
            out[:] = buckets[:, 0]

    def levels(self, channel: int) -> Singles:
        return self._levels[channel]

    def mean(self, channel: int) -> float:
        return self._sums[channel] / (self._buckets * self._each)


def _samples_a_bucket(bucket_hz: float, carrier_hz: float, buckets: int, *, peak: bool) -> int:
    """Return how many samples a bucket needs for its extremes to be the carrier's.

    Among the numbers that are enough the one is taken at which the samples fall on new phases
    of each cycle, so that a bucket of some cycles meets the crests.
    """
    least = max(ceil(_SAMPLES_A_CYCLE * carrier_hz / bucket_hz), 2 if peak else 1)
    least = min(least, max(_MOST_FRAMES // buckets, 2 if peak else 1))
    if least < 16:
        return least
    options = np.arange(least, least + max(least // 8, 1))
    away = np.abs((options * bucket_hz / carrier_hz) % 1.0 - _GOLDEN)
    return int(options[np.argmin(away)])
