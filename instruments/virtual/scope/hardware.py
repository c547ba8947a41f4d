"""The virtual scope's hardware: front panel, trigger, inputs with their 8-bit converter, records.

The drive is sampled at a rate far above its carrier; each bin of samples leaves its minimum and
maximum in peak detect, else one sample.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from math import ceil, floor, log10

import numpy as np
from numpy.typing import NDArray

from instruments.source import Role
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.sampling import Digitiser

CHANNELS = (1, 2, 3, 4)
"""1 carries plus, 2 minus, 3 the index (as does the external input), 4 nothing."""
MATHS = 0
"""Where a channel's number is asked for: the maths channel, 1 minus 2."""
EXTERNAL, LINE = -1, -2
"""Where a trigger's channel is asked for: the external input, and the mains."""

SHORTEST_S, LONGEST_S = 5e-9, 50.0
FINEST_V, COARSEST_V = 0.5e-3, 10.0
"""Limits of time and of volts a division, volts without a probe."""


class FrontPanelError(Exception):
    """A value that the panel cannot be set to; it stays as it was."""


@dataclass(slots=True)
class Channel:
    """One channel's settings; volts are at the probe's tip.

    Attributes
    ----------
    on : bool
        Whether it is acquired.
    volts_per_div : float
        Vertical scale.
    offset_v : float
        Volts that lie at `position_div`.
    position_div : float
        Divisions above the middle of the screen at which `offset_v` lies.
    coupling : str
        ``"dc"``, ``"ac"`` or ``"gnd"``.
    probe : float
        Attenuation that the scope reckons with.
    """

    on: bool = False
    volts_per_div: float = 1.0
    offset_v: float = 0.0
    position_div: float = 0.0
    coupling: str = "dc"
    probe: float = 10.0

    @property
    def centre_v(self) -> float:
        """Volts in the middle of the screen."""
        return self.offset_v - self.position_div * self.volts_per_div

    def set_scale(self, volts_per_div: float) -> None:
        """Set the vertical scale, to three digits as the knob does."""
        if not FINEST_V <= volts_per_div / self.probe * (1 + 1e-9) <= COARSEST_V * (1 + 1e-6):
            raise FrontPanelError
        self.volts_per_div = rounded(volts_per_div, 3)

    def set_probe(self, probe: float) -> None:
        """Set the attenuation; what the scope itself does stays, so the tip's volts follow."""
        if not 0.001 <= probe <= 10000:
            raise FrontPanelError
        self.volts_per_div *= probe / self.probe
        self.offset_v *= probe / self.probe
        self.probe = probe


@dataclass(frozen=True, slots=True)
class TriggerEdge:
    """The trigger's settings at one moment; fields as in :class:`Trigger`."""

    source: int
    level_v: float
    slope: str
    automatic: bool


@dataclass(slots=True)
class Trigger:
    """When a record starts.

    Attributes
    ----------
    source : int
        A channel, :data:`EXTERNAL` or :data:`LINE`.
    levels_v : dict of int to float
        Level for each source.
    slope : str
        ``"rise"``, ``"fall"`` or ``"either"``.
    automatic : bool
        Whether a record is made also where no trigger comes.
    """

    source: int = 1
    levels_v: dict[int, float] = field(default_factory=dict)
    slope: str = "rise"
    automatic: bool = True

    @property
    def edge(self) -> TriggerEdge:
        """What is waited for."""
        level_v = self.levels_v.get(self.source, 0.0)
        return TriggerEdge(self.source, level_v, self.slope, self.automatic)


@dataclass(slots=True)
class FrontPanel:
    """All of the front panel.

    Attributes
    ----------
    seconds_per_div : float
        Time base.
    delay_s : float
        Time from the trigger to the screen's reference point.
    reference : float
        Place of the reference point, as a fraction of the screen's width from its left edge.
    acquisition : str
        ``"normal"``, ``"peak"``, ``"average"`` or ``"hires"``; the last two acquire as normal.
    memory : int
        Points of a record; a pair of extremes is two.
    channels : dict of int to Channel
        By number; the maths channel under :data:`MATHS`.
    trigger : Trigger
        When a record starts.
    """

    seconds_per_div: float = 1e-3
    delay_s: float = 0.0
    reference: float = 0.5
    acquisition: str = "normal"
    memory: int = 12000
    channels: dict[int, Channel] = field(default_factory=dict)
    trigger: Trigger = field(default_factory=Trigger)

    def set_timebase(self, seconds_per_div: float, *, stepped: bool = True) -> None:
        """Set the time base, to the next step of 1, 2, 5 where it is `stepped`."""
        value = step_up(seconds_per_div) if stepped else rounded(seconds_per_div, 4)
        if not SHORTEST_S <= value * (1 + 1e-9) <= LONGEST_S * (1 + 1e-6):
            raise FrontPanelError
        self.seconds_per_div = value


def new_front_panel(memory: int) -> FrontPanel:
    """Return the panel as it is after a reset."""
    channels = {number: Channel(on=number == 1) for number in (MATHS, *CHANNELS)}
    return FrontPanel(memory=memory, channels=channels)


def rounded(value: float, digits: int) -> float:
    """Return `value` rounded to that many significant digits."""
    return float(f"{value:.{digits - 1}e}")


def step_up(value: float) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that is not below `value`."""
    if not value > 0:
        raise FrontPanelError
    decade = floor(log10(value) + 1e-9)
    for digit in (1, 2, 5, 10):
        step = float(f"{digit}e{decade}")
        if value <= step * (1 + 1e-6):
            return step
    return float(f"1e{decade + 1}")


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


Codes = NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class Traits:
    """What families and models do differently with one and the same record.

    Attributes
    ----------
    divisions : int
        Width of the screen.
    codes_per_div : float
        Codes of the converter in a vertical division.
    memory : int
        Points of a record after a reset.
    order : str
        Of a pair of extremes: ``"min-max"`` or ``"max-min"``.
    xinc : str
        What the increment told with a record of pairs is: a ``"point"``'s, a ``"pair"``'s, or
        ``"zero"``.
    maths : str
        The maths channel of a record of pairs: ``"extremes"`` of the difference itself, or the
        difference of the stored ``"points"``, in which the lobes cancel.
    descriptor : int
        Bytes of a binary descriptor, where there is one.
    """

    divisions: int = 10
    codes_per_div: float = 25.0
    memory: int = 12000
    order: str = "min-max"
    xinc: str = "point"
    maths: str = "extremes"
    descriptor: int = 346

    def with_quirks(self, quirks: Mapping[str, str | int]) -> Traits:
        """Return these traits with some of another model's.

        Raises
        ------
        ValueError
            When a quirk or its value is not known.
        """
        for name, value in quirks.items():
            if value not in QUIRKS.get(name, ()):
                known = "; ".join(f"{key}: {', '.join(map(str, QUIRKS[key]))}" for key in QUIRKS)
                raise ValueError(f"quirk {name}={value} is not known; there are {known}")
        return replace(self, **quirks)  # type: ignore[arg-type] - checked above


QUIRKS: Mapping[str, tuple[str | int, ...]] = {
    "order": ("min-max", "max-min"),
    "xinc": ("point", "pair", "zero"),
    "maths": ("extremes", "points"),
    "descriptor": (346, 368, 369),
}
"""What can be chosen of a model, and the choices."""


@dataclass(frozen=True, slots=True)
class VerticalScale:
    """Codes to volts at the probe's tip: ``code · volts_per_code + centre_v``.

    Attributes
    ----------
    volts_per_code, centre_v : float
        Of the range at which the record was taken.
    offset_v, position_div : float
        What `centre_v` is made of.
    volts_per_div, probe : float
        As they stood on the panel.
    """

    volts_per_code: float
    centre_v: float
    offset_v: float
    position_div: float
    volts_per_div: float
    probe: float


@dataclass(frozen=True, slots=True)
class SweepRecord:
    """One sweep.

    Attributes
    ----------
    number : int
        Sweeps so far, this one included.
    codes : mapping of int to numpy.ndarray
        int8 by channel: shape (points,), or (pairs, 2) with the minimum first.
    scales : mapping of int to Scale
        By channel.
    span_s : float
        From the first point to one past the last.
    start_s : float
        From the trigger to the first point.
    peak : bool
        Whether the codes are pairs of extremes.
    seconds_per_div : float
        Time base at which it was taken.
    """

    number: int
    codes: Mapping[int, Codes]
    scales: Mapping[int, VerticalScale]
    span_s: float
    start_s: float
    peak: bool
    seconds_per_div: float

    @property
    def points(self) -> int:
        """Points of each channel; a pair is two."""
        return next(iter(self.codes.values())).size if self.codes else 0


@dataclass(frozen=True, slots=True)
class WireTrace:
    """One channel of a record as it goes over the wire.

    Attributes
    ----------
    codes : numpy.ndarray
        int8, shape (points,): pairs flattened, in the model's order.
    scale : Scale
        Codes to volts.
    increment_s : float
        As the model tells it, which need not be true.
    interval_s : float
        Time from one point to the next.
    start_s : float
        From the trigger to the first point.
    peak : bool
        Whether the codes are pairs of extremes.
    """

    codes: Codes
    scale: VerticalScale
    increment_s: float
    interval_s: float
    start_s: float
    peak: bool


def trace_of(
    record: SweepRecord, channel: int, traits: Traits, points: int | None = None
) -> WireTrace:
    """Return a channel of a record, on `points` points where that is fewer than it has.

    Raises
    ------
    KeyError
        When the channel was not on.
    """
    codes = record.codes[channel]
    if points is not None and points < codes.size:
        codes = _thinned(codes, points)
    if codes.ndim == 2:
        codes = (codes if traits.order == "min-max" else codes[:, ::-1]).reshape(-1)
    interval_s = record.span_s / max(codes.size, 1)
    told_s = {"point": interval_s, "pair": 2 * interval_s, "zero": 0.0}[traits.xinc]
    return WireTrace(
        codes=codes,
        scale=record.scales[channel],
        increment_s=told_s if record.peak else interval_s,
        interval_s=interval_s,
        start_s=record.start_s,
        peak=record.peak,
    )


def _thinned(codes: Codes, points: int) -> Codes:
    if codes.ndim == 1:
        return codes[(np.arange(points) * codes.size) // points]
    pairs = max(points // 2, 1)
    edges = (np.arange(pairs) * codes.shape[0]) // pairs
    lowest = np.minimum.reduceat(codes[:, 0], edges)
    highest = np.maximum.reduceat(codes[:, 1], edges)
    return np.stack((lowest, highest), axis=1)


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


@dataclass(frozen=True, slots=True)
class InputSetup:
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


def input_setup_of(panel: FrontPanel, traits: Traits) -> InputSetup:
    """Return what a sweep would be like now."""
    span_s = panel.seconds_per_div * traits.divisions
    inputs = []
    for number, channel in panel.channels.items():
        # The maths channel needs its two, shown or not.
        if channel.on or (number in (1, 2) and panel.channels[MATHS].on):
            scale = VerticalScale(
                volts_per_code=channel.volts_per_div / traits.codes_per_div,
                centre_v=channel.centre_v,
                offset_v=channel.offset_v,
                position_div=channel.position_div,
                volts_per_div=channel.volts_per_div,
                probe=channel.probe,
            )
            inputs.append((number, Input(scale, channel.coupling)))
    return InputSetup(
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

    def acquire(self, setup: InputSetup, begin_s: float, number: int) -> SweepRecord:
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
        return SweepRecord(
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


def _railed(volts: Singles, scale: VerticalScale) -> Singles:
    low, high = (code * scale.volts_per_code + scale.centre_v for code in (-128, 127))
    return np.clip(volts, np.float32(low), np.float32(high))


def _codes(levels: Singles, scale: VerticalScale) -> Codes:
    steps = (levels - np.float32(scale.centre_v)) / np.float32(scale.volts_per_code)
    return np.clip(np.rint(steps), -128, 127).astype(np.int8)


def _difference(codes: Mapping[int, Codes], scales: Mapping[int, VerticalScale]) -> Codes:
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

    def __init__(self, drive: VirtualDrive, setup: InputSetup, begin_s: float) -> None:
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
