"""The virtual scope's inputs: trigger, coupling, converter, and what the time buckets leave.

The drive is sampled at a rate far above its carrier; each bucket of samples leaves its minimum and
maximum in peak detect, else one sample.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from instruments.source import Role
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.sampling import Digitiser
from instruments.virtual.scope.panel import EXTERNAL, MATHS, FrontPanel, TriggerEdge
from instruments.virtual.scope.record import (
    MOST_IN_PAIRS,
    MOST_STORED,
    Codes,
    SweepRecord,
    Traits,
    VerticalScale,
)

_SHORTEST_PATIENCE_S = 0.05


def trigger_time_s(
    drive: VirtualDrive, edge: TriggerEdge, armed_s: float, span_s: float, gain: float
) -> float | None:
    """Return the first edge at or after `armed_s` of the drive's time, None when none comes.

    Channels 1 and 2 carry a signal of noise and carrier, in which an edge comes at once.

    Parameters
    ----------
    drive : VirtualDrive
        Where the index comes from.
    edge : Edge
        What is waited for.
    armed_s : float
        From when on.
    span_s : float
        Length of a sweep; an automatic trigger waits at least that long.
    gain : float
        Volts that the scope reckons for one volt at the probe's tip.
    """
    edge_s = _edge_s(drive, edge, armed_s, gain)
    if not edge.automatic:
        return edge_s
    given_up_s = armed_s + max(span_s, _SHORTEST_PATIENCE_S)
    return given_up_s if edge_s is None else min(edge_s, given_up_s)


def _edge_s(drive: VirtualDrive, edge: TriggerEdge, armed_s: float, gain: float) -> float | None:
    if edge.source in (1, 2):
        return armed_s
    if edge.source not in (3, EXTERNAL):
        return None
    index = drive.index
    part = edge.level_v / (index.amplitude_v * gain)
    if not 0.0 < part < 1.0:
        return None
    edges: list[float] = []
    if edge.slope in ("either", "rise" if index.active_high else "fall"):
        edges.append(_next_s(drive, 0.0, armed_s, part if index.active_high else 1 - part))
    if edge.slope in ("either", "fall" if index.active_high else "rise"):
        late = 1 - part if index.active_high else part
        edges.append(_next_s(drive, index.width_turns, armed_s, late))
    return min(edges)


def _next_s(drive: VirtualDrive, place_turns: float, armed_s: float, part: float) -> float:
    """Return when an edge of the pulse next passes a fraction of its way."""
    spindle = drive.spindle
    # The middle of an edge is at its place; its ends lie half its time to either side.
    shift_s = (part - 0.5) * drive.index.edge_s
    turns = spindle.turns(np.array([armed_s - shift_s]))[0] - place_turns
    numbers = floor(turns) + np.arange(3.0)
    for time_s in spindle.times_s(numbers + place_turns) + shift_s:
        # An edge that armed the last sweep must not be missed by the rounding of its time.
        if time_s >= armed_s - 1e-9:
            return float(time_s)
    raise AssertionError("a spindle turns forward")


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

    scale: VerticalScale
    coupling: str
    sign: float = 1.0
    """-1 for a channel that is inverted."""


@dataclass(frozen=True, slots=True)
class InputSetup:
    """What is set for a sweep; two that are equal give sweeps of one kind."""

    seconds_per_div: float
    divisions: float
    stored: int
    """Points that are made of each channel."""
    points: int
    """Points of each channel as the model counts them."""
    peak: bool
    start_s: float
    inputs: tuple[tuple[int, Input], ...]

    @property
    def span_s(self) -> float:
        """Length of the sweep."""
        return self.seconds_per_div * self.divisions


def input_setup_of(panel: FrontPanel, traits: Traits) -> InputSetup:
    """Return what a sweep would be like now."""
    span_s = panel.seconds_per_div * traits.divisions
    finer = 1 << (traits.bits - 8)
    points = traits.memory_now(panel) // 2 * 2
    peak = panel.acquisition == "peak"
    inputs = []
    for number, channel in panel.channels.items():
        # The maths channel needs its two, shown or not.
        if channel.on or (number in (1, 2) and panel.channels[MATHS].on):
            scale = VerticalScale(
                volts_per_code=channel.volts_per_div / traits.codes_per_div / finer,
                centre_v=channel.centre_v,
                offset_v=channel.offset_v,
                position_div=channel.position_div,
                volts_per_div=channel.volts_per_div,
                probe=channel.probe,
            )
            sign = -1.0 if channel.inverted else 1.0
            inputs.append((number, Input(scale, channel.coupling, sign)))
    return InputSetup(
        seconds_per_div=panel.seconds_per_div,
        divisions=traits.divisions,
        stored=min(points, MOST_IN_PAIRS if peak else MOST_STORED),
        points=points,
        peak=peak,
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

    def acquire(self, setup: InputSetup, begin_s: float, number: int) -> SweepRecord:
        """Return the sweep whose first point lies at `begin_s` of the drive's time."""
        sweep = _Sweep(self._drive, setup, begin_s)
        inputs = dict(setup.inputs)
        for chunk in sweep.chunks():
            self._digest(sweep, chunk, inputs)
        levels = {channel: self._levels(sweep, channel, inputs) for channel in inputs}
        scales = {channel: entry.scale for channel, entry in inputs.items()}
        codes = {channel: self._codes(levels[channel], scales[channel]) for channel in inputs}
        if setup.peak and MATHS in inputs and self._traits.maths == "points":
            codes[MATHS] = self._difference(codes, scales)
        for channel in codes if self._traits.holes else ():
            codes[channel][-self._traits.holes :] = -128 << (self._traits.bits - 8)
        return SweepRecord(
            number=number,
            codes=codes,
            scales=scales,
            points=setup.points,
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
                phases.append(self._railed(volts, inputs[channel].scale))
        if MATHS in inputs:
            sweep.keep(MATHS, chunk, phases[0] - phases[1])

    def _at_screen(self, volts: Singles, channel: int, entry: Input) -> Singles:
        """Return volts as the scope reckons them, with its own noise."""
        scale = entry.scale
        gain = 0.0 if entry.coupling == "gnd" else scale.probe / self._probes[channel - 1]
        gain *= entry.sign
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

    @property
    def _rails(self) -> tuple[int, int]:
        """Lowest and highest code of the converter's own bits."""
        finer = 1 << (self._traits.bits - 8)
        low, high = self._traits.rails
        return low * finer, (high + 1) * finer - 1

    def _railed(self, volts: Singles, scale: VerticalScale) -> Singles:
        low, high = (code * scale.volts_per_code + scale.centre_v for code in self._rails)
        return np.clip(volts, np.float32(low), np.float32(high))

    def _codes(self, levels: Singles, scale: VerticalScale) -> Codes:
        steps = (levels - np.float32(scale.centre_v)) / np.float32(scale.volts_per_code)
        kind = np.int8 if self._traits.bits == 8 else np.int16
        return np.clip(np.rint(steps), *self._rails).astype(kind)

    def _difference(self, codes: Mapping[int, Codes], scales: Mapping[int, VerticalScale]) -> Codes:
        volts = [
            codes[channel] * scales[channel].volts_per_code + scales[channel].centre_v
            for channel in (1, 2)
        ]
        return self._codes((volts[0] - volts[1]).astype(np.float32), scales[MATHS])


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

    def __init__(self, drive: VirtualDrive, setup: InputSetup, begin_s: float) -> None:
        self._peak = setup.peak
        self._buckets = max(setup.stored // 2 if setup.peak else setup.stored, 1)
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
