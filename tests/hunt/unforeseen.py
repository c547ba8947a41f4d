"""What else spoils a signal on a bench, written after the analysis by one who had not read it.

Beside each stands what it rests on: published, *common practice*, or *from memory*. As in
:mod:`~tests.hunt.spoilers` a magnitude's meaning stands in each first line, and what changes the
truth says so. Where a capture cannot tell what is right, the truth is as wide as that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d
from scipy.signal import lfilter

from tests.hunt.patterns import Floats
from tests.hunt.signal import INDEX_V, Scene, Stage, columns_of, noise_v, spoils

# -- what is on the disk -----------------------------------------------------------------------

_SECTORS = (8, 9, 10, 16, 18, 26)
_FILLS = (0xE5, 0xF6, 0x00)
"""What formatters leave in the data (from memory)."""
# Bytes of one sector of 128 bytes in single density: sync, address and its check, gap, sync, data
# and check, gap. Published: the format table of the SMSC FDC37B78x data sheet, "System 3740".
_SINGLE_DENSITY = ((0x00, 6), (None, 7), (0xFF, 11), (0x00, 6), ("data", 131), (0xFF, 27))
_EXAMPLE_BYTES = sum(count for _, count in _SINGLE_DENSITY)


def _bits(byte: int, count: int) -> NDArray[np.uint8]:
    return np.tile(np.unpackbits(np.array([byte], np.uint8)), count)


def _formatted(scene: Scene, cells: int) -> NDArray[np.uint8]:
    """Return the bits of a turn of sectors, as many as there are cells."""
    rng = scene.rng
    sectors = int(rng.choice(_SECTORS))
    fill = int(rng.choice(_FILLS)) if rng.random() < 0.5 else None
    scale = cells / 8 / sectors / _EXAMPLE_BYTES
    turn = []
    for _ in range(sectors):
        for what, length in _SINGLE_DENSITY:
            count = max(1, int(scale * length))
            byte = fill if what == "data" else what
            drawn = rng.integers(0, 2, 8 * count).astype(np.uint8)
            turn.append(drawn if byte is None else _bits(int(byte), count))
    bits = np.concatenate(turn)[:cells]
    return np.concatenate([bits, np.ones(cells - len(bits), np.uint8)])


@spoils(Stage.WAVE)
def ordinary_track(scene: Scene, part: float) -> Scene:
    """Put a formatted track of data in place of the pattern, uneven by a part once a turn.

    A one in single density is a whole cycle of the alignment carrier in its cell, a nought half a
    cycle (published: ECMA-54 and its kin; the weaker output at the double frequency: resolution,
    *common practice*). Gaps of ones are bursts at the carrier, as many as there are sectors.
    There is nothing to be read: it is to be refused.
    """
    cells = int(scene.conditions.cycles)
    bits = _formatted(scene, cells)
    weak = scene.rng.uniform(0.6, 0.95)
    ends = np.concatenate([[0.0], np.cumsum(np.where(bits, 1.0, 0.5))])
    phase = scene.turn % 1.0
    cycles = np.interp(phase * cells, np.arange(cells + 1), ends)
    size = np.where(bits[(phase * cells).astype(int) % cells], weak, 1.0)
    size *= 1.0 + part * np.cos(2 * np.pi * (phase - scene.rng.random()))
    wave_v = scene.height_v * size * np.sin(2 * np.pi * cycles)
    return replace(scene, wave_v=wave_v, truth=replace(scene.truth, is_nothing=True))


_GRAINS_A_TURN = (100, 2000)


def _fitted(amplitude: Floats, gain: Floats, kind: NDArray[np.bool_]) -> float:
    """Return by how much a lobe is higher that is fitted as a whole, by least squares."""
    weight = np.where(kind, amplitude, 0.0) ** 2
    return float((weight * gain).sum() / weight.sum())


@spoils(Stage.AMPLITUDE)
def grain(scene: Scene, part: float) -> Scene:
    """Let the coating modulate what is recorded by a part, root mean square, alike in each turn.

    Published: noise of a particulate medium is in proportion to what is recorded (Bertram, Theory
    of Magnetic Recording, chapter 10; Hedeman, Write Noise in Magnetic Recording, 1985). It is of
    the disk, so that more turns do not lessen it, and it shows along each lobe. Whether a lobe's
    height is that with its grain or without is open: right is either, fitted over the whole lobe.
    """
    count = int(scene.rng.integers(*_GRAINS_A_TURN))
    knots = 1.0 + part * np.sqrt(1.5) * scene.rng.standard_normal(count)
    places = np.arange(count) / count

    def gain(phase: Floats) -> Floats:
        return np.interp(phase, places, knots, period=1.0)

    grid = np.arange(50_000) / 50_000
    plain, own = scene.pattern.amplitude(grid), scene.pattern
    first = own.first * _fitted(plain, gain(grid), plain > 0)
    second = own.second * _fitted(plain, gain(grid), plain < 0)
    seen = min(first, second) / max(first, second)
    ratios = sorted((own.ratio, seen))
    least, most = ratios[0], ratios[1]
    balance = (first - second) / (first + second)
    if balance * own.balance < 0.0:
        most, balance = 1.0, 0.0
    else:
        balance = own.balance
    return replace(
        scene,
        amplitude_v=scene.amplitude_v * gain(scene.turn % 1.0),
        truth=replace(scene.truth, ratio=(least, most), balance=balance),
    )


@spoils(Stage.AMPLITUDE)
def older_recording(scene: Scene, part: float) -> Scene:
    """Leave an older recording of a near-by frequency under the pattern, a part of the taller lobe.

    Published: what is overwritten is some 30 dB down, and lives on as an interfering tone
    (Overwrite as a function of record gap length, IEEE Trans. Magn.). It turns with the disk, 15 to
    250 cycles a turn beside the carrier, and may have been a pattern off centre itself.
    """
    rng = scene.rng
    phase = scene.turn % 1.0
    cycles = rng.choice([-1.0, 1.0]) * np.exp(rng.uniform(np.log(15.0), np.log(250.0)))
    angle = 2 * np.pi * (cycles * phase + rng.random())
    size_v = np.full_like(scene.amplitude_v, part * scene.height_v)
    if rng.random() < 0.5:
        size_v *= np.cos(2 * np.pi * (phase - rng.random()))
    return replace(
        scene,
        amplitude_v=scene.amplitude_v + size_v * np.cos(angle),
        quadrature_v=size_v * np.sin(angle),
    )


@spoils(Stage.AMPLITUDE)
def two_passes(scene: Scene, part: float) -> Scene:
    """Let the second kind of lobe be written in a pass of its own, its carrier off by a part.

    *From memory*: bands are written one after the other, and between two passes a spindle's speed
    is not the same, nor does the carrier begin at the same phase.
    """
    phase = scene.turn % 1.0
    off = part * scene.conditions.cycles * phase + scene.rng.random()
    angle = np.where(scene.amplitude_v < 0.0, 2 * np.pi * off, 0.0)
    return replace(
        scene,
        amplitude_v=scene.amplitude_v * np.cos(angle),
        quadrature_v=scene.amplitude_v * np.sin(angle),
    )


# -- what is between the head and the converter ------------------------------------------------


@spoils(Stage.COLUMNS)
def crossover(scene: Scene, part: float) -> Scene:
    """Let a probe's amplifier keep a part of its highest swing at each passage through nothing.

    Published: the output stages of LM358 and LM324 are class B, and swing through a gap in which no
    current flows (TI, SLOA277B, 4.3 to 4.5). A sine far above the gap loses 4/π of it, a taller one
    no more than a lower one, and gains odd harmonics that do not grow with it.
    """
    lost_v = part * scene.height_v * (0.5 if scene.conditions.kind.has_phases else 1.0)
    return scene.on_signals(
        lambda column: np.sign(column) * np.maximum(np.abs(column) - lost_v, 0.0)
    )


@spoils(Stage.WAVE)
def supply_bursts(scene: Scene, part: float) -> Scene:
    """Add what a supply's rectifier rings at twice the mains, a part of the taller lobe.

    Published: trains of a damped sine of 2 kHz and more, 100 or 120 times a second (sound-au.com,
    Snubbers; Linear Audio, Soft Recovery Diodes). Against 300 rpm they all but stand still.
    """
    rng, time_s = scene.rng, scene.time_s
    burst_hz = rng.choice([100.0, 120.0]) * (1.0 + rng.uniform(-5e-4, 5e-4))
    ring_hz = np.exp(rng.uniform(np.log(2e3), np.log(0.45 * scene.conditions.rate_hz)))
    decay_s = np.exp(rng.uniform(np.log(1e-4), np.log(1e-3)))
    after_s = (time_s + rng.random() / burst_hz) % (1.0 / burst_hz)
    rings = np.exp(-after_s / decay_s) * np.sin(2 * np.pi * ring_hz * after_s)
    return replace(scene, wave_v=scene.wave_v + part * scene.height_v * rings)


@spoils(Stage.COLUMNS)
def loose_probe(scene: Scene, a_second: float) -> Scene:
    """Let the second probe lose its contact so often a second, for 3 to 60 ms each.

    *Common practice*: a hand on the stepper body shakes what is clipped to a test point. An open
    tip is left with a few hundredths by its capacitance, and with hum.
    """
    rng, rate_hz = scene.rng, scene.conditions.rate_hz
    held = np.zeros(len(scene.time_s), bool)
    for start_s in rng.uniform(0.0, scene.time_s[-1], rng.poisson(a_second * scene.time_s[-1]) + 1):
        length_s = np.exp(rng.uniform(np.log(3e-3), np.log(60e-3)))
        held[int(start_s * rate_hz) : int((start_s + length_s) * rate_hz)] = True
    mains = np.sin(2 * np.pi * rng.choice([50.0, 60.0]) * scene.time_s + 2 * np.pi * rng.random())
    left = rng.uniform(0.0, 0.05) * scene.columns["minus"]
    left += rng.uniform(0.0, 0.5) * scene.height_v * mains
    minus = np.where(held, left, scene.columns["minus"])
    return replace(scene, columns={**scene.columns, "minus": minus})


# -- what the instrument does ------------------------------------------------------------------

_STEP_DB = 0.75
_MOST_STEPS = 16
_CONTROL_S = 1e-4
_ATTACK_OVER_DECAY = 104 / 410
_HELD_S = 5e-3
_STRONG = 0.4
_STEADY_S = 1e-3
_STEADY = 0.1
"""A step of the gain is seen where the signal is strong and changes by less than it all around."""


def controlled(level: Floats, target: float, decay_s: float) -> NDArray[np.int64]:
    """Return a level control's gain, in steps, after each tenth of a millisecond of a level."""
    gains = np.zeros(len(level), np.int64)
    gain, changed_s, peak = 0, 0.0, 0.0
    step, fall = 10 ** (_STEP_DB / 20), float(np.exp(-_CONTROL_S / _HELD_S))
    for place, now in enumerate(level.tolist()):
        peak = max(now * step**gain, fall * peak)
        since_s = place * _CONTROL_S - changed_s
        way = 0
        if peak > target and since_s >= _ATTACK_OVER_DECAY * decay_s:
            way = -1
        elif peak < target / step and since_s >= decay_s:
            way = 1
        if way and abs(gain + way) <= _MOST_STEPS:
            gain, changed_s = gain + way, place * _CONTROL_S
            peak *= step**way
        gains[place] = gain
    return gains


def _is_steady(scene: Scene, level: Floats) -> NDArray[np.bool_]:
    """Tell where the lobes themselves are strong, and even for a millisecond to either side."""
    size = 2 * round(_STEADY_S / _CONTROL_S) + 1
    most, least = maximum_filter1d(level, size), minimum_filter1d(level, size)
    return (least > _STRONG * scene.height_v) & (most < (1.0 + _STEADY) * least)


@spoils(Stage.CONVERTER)
def level_control(scene: Scene, decay_s: float) -> Scene:
    """Leave a sound input's automatic level on, which steps up once in so many seconds at most.

    Published: Wolfson WM8976, ALC: gain in steps of 0.75 dB, up every 0.41 to 420 ms while the peak
    is below a target, down every 0.104 to 106 ms while above. Steps within a lobe can be seen;
    where there is not one a turn, all are in gaps, nulls and edges, and any ratio is right.
    """
    size = np.abs(scene.amplitude_v)
    every = max(1, round(_CONTROL_S * scene.conditions.rate_hz))
    coarse = size[::every]
    target = scene.rng.uniform(0.6, 1.0) * scene.height_v
    # It has run for as long before: the second half is what is captured.
    steps = controlled(np.concatenate([coarse, coarse]), target, decay_s)[len(coarse) :]
    gain = np.repeat(10 ** (_STEP_DB / 20 * (steps - steps.max())), every)[: len(size)]
    truth = scene.truth
    stepped = np.diff(steps, append=steps[-1]) != 0
    if stepped.any() and (stepped & _is_steady(scene, coarse)).sum() < scene.conditions.turns:
        truth = replace(truth, ratio=(0.0, 1.0), balance=0.0)
    return replace(scene.on_signals(lambda column: column * gain), truth=truth)


_AVERAGED = (4, 8, 16)


@spoils(Stage.CONVERTER)
def scope_average(scene: Scene, cycles: float) -> Scene:
    """Let a scope average records that walk by so many cycles of the carrier in a turn.

    Published: average mode takes several waveforms and shows their mean (Tektronix TBS1052B manual,
    page 23). *From memory*: what follows a trigger walks the more the later it is, so that a sine's
    mean falls by exp(−(2π·walk)²/2), for few records to a rest of one over their root. The noise
    falls by that root.
    """
    conditions, rng = scene.conditions, scene.rng
    half = int(rng.choice(_AVERAGED)) // 2
    off = rng.standard_normal(half) * cycles / conditions.cycles
    # In pairs, faster and slower, so that the mean speed is what it was.
    turns = [scene.turn * (1.0 + each) for each in np.concatenate([off, -off])]
    whole = round(conditions.cycles)
    unit_v = conditions.height_v / max(scene.pattern.first, scene.pattern.second)
    wave_v = np.mean(
        [
            unit_v * scene.pattern.amplitude(turn % 1.0) * np.sin(2 * np.pi * whole * (turn % 1.0))
            for turn in turns
        ],
        axis=0,
    )
    left_v = noise_v(conditions) / np.sqrt(2 * half)
    columns = columns_of(scene, wave_v, left_v)
    if "index" in scene.columns:
        length = float(np.diff(scene.pulses, axis=1).mean()) * conditions.rpm / 60.0
        high = np.mean([(turn >= 0.0) & (turn % 1.0 < length) for turn in turns], axis=0)
        columns["index"] = INDEX_V * (1.0 - high if conditions.index_low else high)
    return replace(scene, columns=columns)


@spoils(Stage.INDEX)
def trigger_walks(scene: Scene, phase: float) -> Scene:
    """Let a scope trigger now at the index, now at another pulse of the turn, at a phase near half.

    *Common practice*: light that leaks past the shutter, or a disk with two holes, gives two pulses
    a turn, and a record begins at whichever comes first after the last has been read. Of one record
    nobody can tell the side; of several that differ the side is not known.
    """
    phases = scene.rng.permutation([0.0, phase]).tolist()
    phases += scene.rng.choice([0.0, phase], 6).tolist()
    truth = scene.truth
    is_single = scene.conditions.turns < 2 * 3.5
    if is_single and phases[0] != 0.0:
        truth = replace(truth, balance=0.0)
    elif not is_single:
        truth = replace(truth, is_sided=False)
    return replace(scene, trigger_phases=tuple(phases), truth=truth)


@spoils(Stage.CONVERTER)
def unmarked_loss(scene: Scene, seconds: float) -> Scene:
    """Lose so many seconds of all columns without a word, or play them twice where negative.

    Published: an overrun loses what the buffer could not hold (alsa-lib, SND_PCM_STATE_XRUN), and
    programs that record go on after it; *from memory*: few of them write a gap. The speed is what
    the disk does and not what the file says.
    """
    count = max(1, round(abs(seconds) * scene.conditions.rate_hz))
    total = len(scene.time_s)
    losses = int(scene.rng.integers(1, 4)) if scene.conditions.turns > 7.0 else 1
    starts = np.sort(scene.rng.integers(0, total - count, losses))[::-1]
    kept = np.arange(total)
    for start in starts:
        if seconds > 0.0:
            kept = np.concatenate([kept[:start], kept[start + count :]])
        else:
            kept = np.concatenate([kept[: start + count], kept[start:]])
    return replace(scene, columns=_each(scene.columns, kept))


def _each(columns: Mapping[str, Floats], kept: NDArray[np.int64]) -> dict[str, Floats]:
    return {role: column[kept] for role, column in columns.items()}


@spoils(Stage.COLUMNS)
def index_droop(scene: Scene, part: float) -> Scene:
    """Let the index leak into a detector's channel, a part of the taller lobe, and droop there.

    *Common practice*: two channels of a sound input share a ground and a cable. *From memory*: what
    leaks is stored by the coupling and decays in 2 to 40 ms, so that the lobe behind the index
    stands on more of it than the other, and the nulls do not stand alike.
    """
    decay_s = np.exp(scene.rng.uniform(np.log(2e-3), np.log(40e-3)))
    rate_hz = scene.conditions.rate_hz
    edges_s = scene.moment_of(np.arange(np.ceil(scene.turn[0]), scene.turn[-1]))
    kicks = np.zeros(len(scene.time_s))
    kicks[np.minimum(np.ceil(edges_s * rate_hz).astype(int), len(kicks) - 1)] = 1.0
    left = float(np.exp(-1.0 / (decay_s * rate_hz)))
    # What is left of the turn before the first is there too.
    before = left ** (rate_hz * 60.0 / scene.conditions.rpm * (1.0 - scene.conditions.lead % 1.0))
    leak, _ = lfilter([1.0], [1.0, -left], kicks, zi=np.array([left * before]))
    return scene.on_signals(lambda column: column + part * scene.height_v * np.asarray(leak))
