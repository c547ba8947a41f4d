"""From conditions to samples, in stages after each of which something may spoil them.

A :class:`Scene` is a capture in the making. After each :class:`Stage` the doses of that stage are
applied to it; then :func:`capture` packs what an instrument would deliver.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import IntEnum
from itertools import chain, repeat
from typing import Any, Protocol

import numpy as np
from numpy.random import Generator

from tests.hunt.patterns import Floats, Pattern, Window

INDEX_V = 5.0
RECORD_TURNS = 2.5
"""How much of the disk a record of a scope shows."""
_NOISE_OF_INDEX_V = 0.01


class Kind(IntEnum):
    """How the signal gets into the instrument."""

    DIFFERENTIAL = 0
    """Samples of one differential probe."""
    PHASES = 1
    """Samples of two probes."""
    ENVELOPE = 2
    """Samples behind a detector."""
    PAIRS = 3
    """Records of min/max pairs of one differential probe."""
    PHASE_PAIRS = 4
    """Records of min/max pairs of two probes."""

    @property
    def is_record(self) -> bool:
        """Whether separate records are delivered."""
        return self in (Kind.PAIRS, Kind.PHASE_PAIRS)

    @property
    def has_phases(self) -> bool:
        """Whether there are two signal columns."""
        return self in (Kind.PHASES, Kind.PHASE_PAIRS)


class Stage(IntEnum):
    """Where a spoiler acts; each stage makes something of the one before."""

    MOTION = 0
    """``turn`` and ``stretch`` are there."""
    AMPLITUDE = 1
    """``amplitude_v`` and ``quadrature_v`` are there."""
    WAVE = 2
    """``wave_v`` is there: the differential signal, or the detector's output."""
    COLUMNS = 3
    """``columns`` are there, with their noise."""
    INDEX = 4
    """``pulses`` are there."""
    CONVERTER = 5
    """The column of the index is there too; what the converter does comes last."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """What is drawn before anything spoils it.

    Attributes
    ----------
    kind, has_index : Kind, bool
        What is delivered.
    pattern : Pattern
        Recording and head.
    is_stated : bool
        The disk's profile states geometry and pairs.
    turns : float
        Length of the capture; of records, of all together.
    snr_db : float
        Power of the sine at the top of the taller lobe over that of the noise in the whole band.
    rate_hz, cycles : float, float
        Samples a second; cycles of the carrier a turn.
    height_v : float
        Amplitude of the taller lobe.
    lead : float
        Turns ahead of the first index.
    index_low : bool
        The index rests at its high level and is low for the length of a pulse.
    bin_frames : int
        Of records: how many samples a pair is taken of.
    """

    kind: Kind
    has_index: bool
    pattern: Pattern
    rpm: float
    turns: float
    snr_db: float
    rate_hz: float
    cycles: float
    height_v: float
    lead: float = 0.5
    index_low: bool = True
    is_stated: bool = False
    bin_frames: int = 100

    @property
    def nominal_carrier_hz(self) -> float:
        """Carrier at the speed that the disk's profile states."""
        return self.cycles * 5.0


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of a capture.

    Attributes
    ----------
    ratio : tuple of float
        The least and the most that is right; equal where there is one truth.
    balance : float
        Positive where the lobe that comes first after the index is the taller.
    rpm : float
        Mean speed over the whole turns.
    wants_note : bool
        A valid reading is right only beside a note.
    course : tuple of (float, float)
        Where the ratio changes: times in seconds, and the ratio from each to the next.
    silent_s : tuple of float or None
        From when to when there is nothing that could be read.
    is_nothing : bool
        There is no pattern at all: no reading is right but a parked one.
    is_sided : bool
        The side can be told; else whoever says that it is known is wrong.
    """

    ratio: tuple[float, float]
    balance: float
    rpm: float
    wants_note: bool = False
    course: tuple[tuple[float, float], ...] = ()
    silent_s: tuple[float, float] | None = None
    is_nothing: bool = False
    is_sided: bool = True

    def between(self, start_s: float, end_s: float) -> tuple[float, float]:
        """Return the least and the most that is right of a stretch of time."""
        if not self.course:
            return self.ratio
        ends_s = [*(time_s for time_s, _ in self.course[1:]), float("inf")]
        held = [
            ratio
            for (from_s, ratio), until_s in zip(self.course, ends_s, strict=True)
            if from_s <= end_s and until_s >= start_s
        ]
        return min(held), max(held)


@dataclass(frozen=True, slots=True)
class Stated:
    """What the user says of the signal; None where nothing is said."""

    low_corner_hz: float | None = None
    detector_threshold_v: float | None = None
    geometry: str | None = None
    pairs: int | None = None
    bursts: tuple[Window, ...] = ()


@dataclass(frozen=True, slots=True)
class Scene:
    """A capture in the making.

    Attributes
    ----------
    time_s, turn : numpy.ndarray
        Of each sample: time since the first, and phase in turns, 0 at an index.
    clock : float
        Frequency of the sample clock over what it is said to be.
    pulses : numpy.ndarray
        Shape (n, 2): start and end of each pulse of the index, in seconds.
    trigger_phases : tuple of float
        Phases at which one record after the other begins.
    """

    conditions: Conditions
    rng: Generator
    truth: Truth
    stated: Stated
    time_s: Floats
    turn: Floats
    pattern: Pattern
    amplitude_v: Floats = field(default_factory=lambda: np.empty(0))
    quadrature_v: Floats | None = None
    wave_v: Floats = field(default_factory=lambda: np.empty(0))
    columns: Mapping[str, Floats] = field(default_factory=dict)
    pulses: Floats = field(default_factory=lambda: np.empty((0, 2)))
    clock: float = 1.0
    at_index: bool = True
    trigger_phases: tuple[float, ...] = ()

    @property
    def height_v(self) -> float:
        """Amplitude of the taller lobe before anything spoils it."""
        return self.conditions.height_v

    def moment_of(self, turn: Floats) -> Floats:
        """Return the times at which the disk has come to phases, in seconds."""
        return np.interp(turn, self.turn, self.time_s)

    def on_signals(self, change: Callable[[Floats], Floats]) -> Scene:
        """Return the scene with a change made to each column but the index."""
        changed = {
            role: column if role == "index" else change(column)
            for role, column in self.columns.items()
        }
        return replace(self, columns=changed)


class Change(Protocol):
    """A function of a scene and a magnitude."""

    __name__: str

    def __call__(self, scene: Scene, magnitude: float, /) -> Scene:
        """Return the scene, spoiled."""
        ...


@dataclass(frozen=True, slots=True)
class Spoiler:
    """One fault: where it acts, and what it does at a magnitude."""

    name: str
    stage: Stage
    change: Change
    about: str


@dataclass(frozen=True, slots=True)
class Dose:
    """A spoiler at one magnitude."""

    spoiler: Spoiler
    magnitude: float

    def __str__(self) -> str:
        return f"{self.spoiler.name}={self.magnitude:.4g}"


def spoils(stage: Stage) -> Callable[[Change], Spoiler]:
    """Make a spoiler of a function, under its name."""

    def make(change: Change) -> Spoiler:
        first, _, _ = (change.__doc__ or "").partition("\n")
        return Spoiler(change.__name__, stage, change, first.rstrip("."))

    return make


@dataclass(frozen=True, slots=True)
class Capture:
    """What an instrument delivers, and what is true of it.

    Attributes
    ----------
    parts : tuple of numpy.ndarray
        float32, shape (frames, columns): one part of a continuous source, else one a record.
    starts : tuple of int
        Index of the first frame of each.
    """

    roles: tuple[str, ...]
    parts: tuple[Any, ...]
    starts: tuple[int, ...]
    rate_hz: float
    is_record: bool
    at_index: bool
    stated: Stated
    truth: Truth
    conditions: Conditions


def make_scene(conditions: Conditions, doses: Sequence[Dose], rng: Generator) -> Scene:
    """Return a scene at the end of all stages."""
    scene = _motion(conditions, rng)
    makers = (_unchanged, _amplitude, _wave, _columns, _index, _render_index)
    for stage, make in zip(Stage, makers, strict=True):
        scene = make(scene)
        for dose in doses:
            if dose.spoiler.stage is stage:
                scene = dose.spoiler.change(scene, dose.magnitude)
        if stage is Stage.MOTION:
            scene = replace(scene, truth=replace(scene.truth, rpm=mean_rpm(scene)))
    return scene


def mean_rpm(scene: Scene) -> float:
    """Return the mean speed from the first index to the last."""
    first, last = np.ceil(scene.turn[0]), np.floor(scene.turn[-1])
    if last <= first:
        first, last = scene.turn[0], scene.turn[-1]
    start_s, end_s = scene.moment_of(np.array([first, last]))
    return float(60.0 * (last - first) / (end_s - start_s))


def _unchanged(scene: Scene) -> Scene:
    return scene


def _motion(conditions: Conditions, rng: Generator) -> Scene:
    rate_hz, turn_hz = conditions.rate_hz, conditions.rpm / 60.0
    start = -conditions.lead
    time_s = np.arange(round(conditions.turns / turn_hz * rate_hz)) / rate_hz
    pattern = conditions.pattern
    truth = Truth((pattern.ratio, pattern.ratio), pattern.balance, conditions.rpm)
    stated = Stated()
    if conditions.kind is Kind.ENVELOPE:
        stated = Stated(low_corner_hz=0.0, detector_threshold_v=0.0)
    if conditions.is_stated:
        pairs = None if pattern.bursts else pattern.pairs
        stated = replace(stated, geometry=pattern.geometry, pairs=pairs, bursts=pattern.bursts)
    return Scene(conditions, rng, truth, stated, time_s, start + turn_hz * time_s, pattern)


def _amplitude(scene: Scene) -> Scene:
    pattern = scene.pattern
    unit_v = scene.height_v / max(pattern.first, pattern.second)
    return replace(scene, amplitude_v=unit_v * pattern.amplitude(scene.turn % 1.0))


def _wave(scene: Scene) -> Scene:
    amplitude, quadrature = scene.amplitude_v, scene.quadrature_v
    if scene.conditions.kind is Kind.ENVELOPE:
        size = np.abs(amplitude) if quadrature is None else np.hypot(amplitude, quadrature)
        return replace(scene, wave_v=size)
    angle = 2 * np.pi * scene.conditions.cycles * scene.turn
    wave = amplitude * np.sin(angle)
    if quadrature is not None:
        wave += quadrature * np.cos(angle)
    return replace(scene, wave_v=wave)


def noise_v(conditions: Conditions) -> float:
    """Return the standard deviation of the differential's noise."""
    return conditions.height_v / np.sqrt(2.0) * 10 ** (-conditions.snr_db / 20)


def _columns(scene: Scene) -> Scene:
    return replace(scene, columns=columns_of(scene, scene.wave_v, noise_v(scene.conditions)))


def columns_of(scene: Scene, wave: Floats, sigma_v: float) -> dict[str, Floats]:
    """Return the signal columns of a wave, with a noise of the differential."""
    kind, rng = scene.conditions.kind, scene.rng
    if kind.has_phases:
        each_v = sigma_v / np.sqrt(2.0)
        return {
            "plus": wave / 2 + each_v * _normal(rng, len(wave)),
            "minus": -wave / 2 + each_v * _normal(rng, len(wave)),
        }
    name = "envelope" if kind is Kind.ENVELOPE else "differential"
    return {name: wave + sigma_v * _normal(rng, len(wave))}


def _normal(rng: Generator, count: int) -> Floats:
    # Single precision: twice as fast, and far finer than any converter.
    return rng.standard_normal(count, np.float32).astype(np.float64)


def _index(scene: Scene) -> Scene:
    length_s = scene.rng.uniform(0.5e-3, 5e-3)
    edges = np.arange(np.floor(scene.turn[0]), np.ceil(scene.turn[-1]) + 1)
    edges = edges[(edges >= scene.turn[0]) & (edges <= scene.turn[-1])]
    start_s = scene.moment_of(edges)
    return replace(scene, pulses=np.stack([start_s, start_s + length_s], axis=1))


def _render_index(scene: Scene) -> Scene:
    if not scene.conditions.has_index:
        return scene
    count = len(scene.time_s)
    column = np.zeros(count)
    frames = np.clip(np.ceil(scene.pulses * scene.conditions.rate_hz), 0, count).astype(int)
    for start, end in frames:
        column[start:end] = INDEX_V
    if scene.conditions.index_low:
        column = INDEX_V - column
    column += _NOISE_OF_INDEX_V * _normal(scene.rng, count)
    return replace(scene, columns={**scene.columns, "index": column})


def capture(conditions: Conditions, doses: Sequence[Dose], rng: Generator) -> Capture:
    """Return the capture that is made under conditions, with doses of spoilers."""
    scene = make_scene(conditions, doses, rng)
    roles = tuple(scene.columns)
    samples = np.stack([scene.columns[role] for role in roles], axis=1).astype(np.float32)
    parts, starts, rate_hz = (samples,), (0,), conditions.rate_hz
    if conditions.kind.is_record:
        parts, starts = _records(scene, samples)
        roles = ("differential", *(role for role in roles if role == "index"))
        rate_hz *= 2.0 / conditions.bin_frames
    return Capture(
        roles=roles,
        parts=parts,
        starts=starts,
        rate_hz=rate_hz / scene.clock,
        is_record=conditions.kind.is_record,
        at_index=scene.at_index,
        stated=scene.stated,
        truth=scene.truth,
        conditions=conditions,
    )


def _records(scene: Scene, samples: Any) -> tuple[tuple[Any, ...], tuple[int, ...]]:
    """Cut records that begin at an edge of the index, and keep the extremes of each bin.

    Of two probes the differential is delivered: lowest less highest, and highest less lowest.
    """
    conditions = scene.conditions
    edge, last = np.ceil(scene.turn[0]), scene.turn[-1]
    parts: list[Any] = []
    starts: list[int] = []
    phases = chain(scene.trigger_phases, repeat(0.0))
    while (begin := edge + next(phases)) + RECORD_TURNS < last:
        ends_s = scene.moment_of(np.array([begin, begin + RECORD_TURNS]))
        start, end = np.ceil(ends_s * conditions.rate_hz).astype(int)
        if not scene.at_index:
            start -= int(scene.rng.integers(0, round(conditions.rate_hz * 0.02)))
        bins = (end - max(start, 0)) // conditions.bin_frames
        part = samples[max(start, 0) :][: bins * conditions.bin_frames]
        folded = part.reshape(bins, conditions.bin_frames, -1)
        low, high = folded.min(axis=1), folded.max(axis=1)
        if conditions.kind.has_phases:
            low, high = (
                np.concatenate([one[:, :1] - other[:, 1:2], one[:, 2:]], axis=1)
                for one, other in ((low, high), (high, low))
            )
        pairs = np.stack([low, high], axis=1)
        parts.append(np.ascontiguousarray(pairs.reshape(2 * bins, -1)))
        starts.append(2 * max(start, 0) // conditions.bin_frames)
        # The next trigger is the first edge after the record, and not always that.
        edge = np.ceil(begin + RECORD_TURNS + scene.rng.uniform(0.0, 0.5))
    return tuple(parts), tuple(starts)
