"""What happens at a bench while somebody watches: hands, knobs, probes, and what is switched.

Like :mod:`~tests.hunt.unforeseen` it was written by one who had not read the analysis. Where
nothing else is said it is *common practice*: a technician of such drives has seen it. What a
magnitude means stands in each first line, and what changes the truth says so.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from tests.hunt import patterns
from tests.hunt.patterns import Floats
from tests.hunt.signal import INDEX_V, Scene, Stage, mean_rpm, spoils

_SETTLED_S = 1.0
"""A needle has its first second in peace, and its last one."""
_COURSE_S = 2e-3


def _start(scene: Scene, length_s: float) -> float:
    """Return when something begins that lasts so long."""
    latest_s = float(scene.time_s[-1]) - length_s - _SETTLED_S
    return float(scene.rng.uniform(_SETTLED_S, max(_SETTLED_S, latest_s)))


def _starts(scene: Scene, apart_s: float) -> Floats:
    """Return when something begins that happens again and again, about so far apart."""
    waits_s = scene.rng.uniform(0.5, 1.5, int(scene.time_s[-1] / apart_s) + 1) * apart_s
    starts_s = np.cumsum(waits_s)
    return starts_s[starts_s < scene.time_s[-1]]


def _within(scene: Scene, start_s: float, length_s: float) -> NDArray[np.bool_]:
    return (scene.time_s >= start_s) & (scene.time_s < start_s + length_s)


def _risen(scene: Scene, start_s: float, length_s: float) -> Floats:
    """Return the way from 0 to 1 of something that is moved by hand."""
    way = np.clip((scene.time_s - start_s) / length_s, 0.0, 1.0)
    return way**2 * (3.0 - 2.0 * way)


def _unit_v(scene: Scene) -> float:
    return scene.height_v / max(scene.pattern.first, scene.pattern.second)


# -- the spindle -------------------------------------------------------------------------------


def _turning(scene: Scene, speed: Floats) -> Scene:
    """Return the scene at other speeds, parts of its own; a head gives in proportion to them.

    Published: the voltage of a coil is the rate at which its flux changes.
    """
    conditions = scene.conditions
    way = np.cumsum(speed) * conditions.rpm / 60.0 / conditions.rate_hz
    scene = replace(scene, turn=scene.turn[0] + way)
    amplitude_v = _unit_v(scene) * speed * scene.pattern.amplitude(scene.turn % 1.0)
    truth = replace(scene.truth, rpm=mean_rpm(scene))
    return replace(scene, amplitude_v=amplitude_v, truth=truth)


@spoils(Stage.AMPLITUDE)
def hand_on_spindle(scene: Scene, left: float) -> Scene:
    """Brake the spindle by hand to a part of its speed, and let it go; the head stays."""
    rng = scene.rng
    start_s, brake_s, decay_s = _start(scene, 1.5), rng.uniform(0.1, 0.4), rng.uniform(0.1, 0.3)
    let_go_s = start_s + brake_s + rng.uniform(0.0, 0.4)
    back = np.exp(-np.maximum(scene.time_s - let_go_s, 0.0) / decay_s)
    return _turning(scene, 1.0 - (1.0 - left) * _risen(scene, start_s, brake_s) * back)


@spoils(Stage.AMPLITUDE)
def speed_switched(scene: Scene, part: float) -> Scene:
    """Switch the motor to a speed that is more by a part, and let it come there."""
    start_s, decay_s = _start(scene, 2.0), scene.rng.uniform(0.05, 0.3)
    after_s = np.maximum(scene.time_s - start_s, 0.0)
    return _turning(scene, 1.0 + part * (1.0 - np.exp(-after_s / decay_s)))


@spoils(Stage.AMPLITUDE)
def belt_joint(scene: Scene, part: float) -> Scene:
    """Slow the spindle by a part for 20 to 80 ms as often as the belt's joint passes a pulley."""
    rng = scene.rng
    every_s, length_s = rng.uniform(0.23, 0.9), rng.uniform(0.02, 0.08)
    after_s = (scene.time_s + rng.uniform(0.0, every_s)) % every_s
    dip = np.where(after_s < length_s, np.sin(np.pi * after_s / length_s) ** 2, 0.0)
    return _turning(scene, 1.0 - part * dip)


@spoils(Stage.AMPLITUDE)
def hub_slips(scene: Scene, turns: float) -> Scene:
    """Let the disk slip in its hub by a part of a turn, once, where the index is the hub's."""
    length_s = scene.rng.uniform(0.01, 0.08)
    slip = turns * _risen(scene, _start(scene, length_s), length_s)
    size_v = _unit_v(scene) * scene.pattern.amplitude((scene.turn - slip) % 1.0)
    angle = 2 * np.pi * scene.conditions.cycles * slip
    return replace(scene, amplitude_v=size_v * np.cos(angle), quadrature_v=-size_v * np.sin(angle))


# -- the head ----------------------------------------------------------------------------------


def _ratio_of(balance: Floats) -> Floats:
    return (1.0 - np.abs(balance)) / (1.0 + np.abs(balance))


def _course(scene: Scene, balance: Floats) -> tuple[tuple[float, float], ...]:
    every = max(1, round(_COURSE_S * scene.conditions.rate_hz))
    times_s, ratios = scene.time_s[::every], _ratio_of(balance[::every])
    return tuple(zip(times_s.tolist(), ratios.tolist(), strict=True))


def _head_at(scene: Scene, way: Floats) -> Scene:
    """Return the scene of a boundary whose head is off its place by balances, which is true."""
    balance = scene.pattern.balance + way
    course = _course(scene, balance)
    ratios = [ratio for _, ratio in course]
    amplitude_v = _unit_v(scene) * (scene.pattern.amplitude(scene.turn % 1.0) + way)
    truth = replace(scene.truth, ratio=(min(ratios), max(ratios)), balance=0.0, course=course)
    return replace(scene, amplitude_v=amplitude_v, truth=truth)


@spoils(Stage.AMPLITUDE)
def trembles(scene: Scene, balance: float) -> Scene:
    """Let the hand that holds the head tremble at 7 to 11 Hz by a balance, peak."""
    hz, wander_hz = scene.rng.uniform(7.0, 11.0), scene.rng.uniform(0.3, 1.5)
    swell = 0.6 + 0.4 * np.sin(2 * np.pi * wander_hz * scene.time_s)
    return _head_at(scene, balance * swell * np.sin(2 * np.pi * hz * scene.time_s))


@spoils(Stage.AMPLITUDE)
def pushed(scene: Scene, balance: float) -> Scene:
    """Push the head by a balance each 0.2 to 0.4 s, eight times to and fro; it rings."""
    rng, way = scene.rng, np.zeros(len(scene.time_s))
    at_s = _SETTLED_S
    for sign in rng.permutation([1.0, 1.0, 1.0, -1.0, -1.0, -1.0, 1.0, -1.0]):
        at_s += rng.uniform(0.2, 0.4)
        way += sign * balance * _rung(scene, at_s, rng.uniform(20.0, 60.0), 0.02)
    return _head_at(scene, way)


def _rung(scene: Scene, at_s: float, hz: float, decay_s: float) -> Floats:
    """Return a step that overshoots and rings."""
    after_s = np.maximum(scene.time_s - at_s, 0.0)
    return 1.0 - np.exp(-after_s / decay_s) * np.cos(2 * np.pi * hz * after_s)


@spoils(Stage.AMPLITUDE)
def tapped(scene: Scene, balance: float) -> Scene:
    """Tap the body with a screwdriver: the head rings by a balance, and is moved by less."""
    rng, way = scene.rng, np.zeros(len(scene.time_s))
    for at_s in _starts(scene, 0.7):
        after_s = np.maximum(scene.time_s - at_s, 0.0)
        ring = np.sin(2 * np.pi * rng.uniform(30.0, 150.0) * after_s)
        ring *= np.exp(-after_s / rng.uniform(0.02, 0.15))
        way += balance * (ring + rng.uniform(-0.2, 0.2) * (after_s > 0.0))
    return _head_at(scene, way)


@spoils(Stage.AMPLITUDE)
def past_and_back(scene: Scene, balance: float) -> Scene:
    """Move the head past the line by a balance and back, within 60 to 200 ms, once a second."""
    rng, way = scene.rng, np.zeros(len(scene.time_s))
    past = -(scene.pattern.balance + np.copysign(balance, scene.pattern.balance))
    for at_s in _starts(scene, 1.0):
        length_s = rng.uniform(0.06, 0.2)
        after = np.clip((scene.time_s - at_s) / length_s, 0.0, 1.0)
        way += past * np.sin(np.pi * after) ** 2
    return _head_at(scene, way)


@spoils(Stage.AMPLITUDE)
def pushed_and_weaker(scene: Scene, balance: float) -> Scene:
    """Push the head by a balance again and again; with each push the gain falls or rises."""
    rng, way = scene.rng, np.zeros(len(scene.time_s))
    gain = np.ones(len(scene.time_s))
    for at_s in _starts(scene, 0.8):
        length_s = rng.uniform(0.01, 0.15)
        way += rng.choice([-1.0, 1.0]) * balance * _risen(scene, at_s, length_s)
        gain *= 1.0 + rng.uniform(-0.1, 0.1) * _risen(scene, at_s, length_s)
    way = np.clip(scene.pattern.balance + way, -0.6, 0.6) - scene.pattern.balance
    moved = _head_at(scene, way)
    return replace(moved, amplitude_v=moved.amplitude_v * gain)


def _gone(scene: Scene, start_s: float, length_s: float) -> Scene:
    silent_s = (start_s, start_s + length_s)
    return replace(scene, truth=replace(scene.truth, silent_s=silent_s))


def _bouncing(scene: Scene, at_s: float) -> Floats:
    """Return the gain of a head that lands, jumps off again, each time for less, and stays."""
    gain = np.where(scene.time_s < at_s, 0.0, 1.0)
    flight_s = scene.rng.uniform(0.005, 0.03)
    while flight_s > 0.5e-3:
        at_s += scene.rng.uniform(0.5e-3, 4e-3)
        gain[_within(scene, at_s, flight_s)] = 0.0
        at_s += flight_s
        flight_s *= scene.rng.uniform(0.3, 0.6)
    return gain


@spoils(Stage.AMPLITUDE)
def unloaded(scene: Scene, seconds: float) -> Scene:
    """Unload the head for so many seconds; it lands with a bounce, a little aside."""
    start_s = _start(scene, seconds + 1.0)
    back_s = start_s + seconds
    aside = scene.rng.uniform(-0.1, 0.1)
    landed = _head_at(scene, np.where(scene.time_s < back_s, 0.0, aside))
    gain = np.where(scene.time_s < start_s, 1.0, _bouncing(scene, back_s))
    landed = replace(landed, amplitude_v=landed.amplitude_v * gain)
    return _gone(landed, start_s, seconds)


@spoils(Stage.AMPLITUDE)
def disk_changed(scene: Scene, seconds: float) -> Scene:
    """Change the disk within so many seconds for one with groups, read by its own ratio."""
    rng = scene.rng
    start_s = float(rng.uniform(1.2, 1.8))
    back_s = start_s + seconds
    balance, own = rng.uniform(-0.4, 0.4), scene.pattern
    pairs, fill = int(rng.integers(4, 9)), rng.uniform(0.6, 0.85)
    other = patterns.alternating(balance, pairs, fill, 0.1, 0.03)
    seen_v = scene.height_v * other.amplitude((scene.turn - rng.uniform(0.0, 0.01)) % 1.0)
    is_before = scene.time_s < back_s
    gain = np.where(scene.time_s < start_s, 1.0, _bouncing(scene, back_s))
    course = ((0.0, own.ratio), (back_s, other.ratio))
    ratios = sorted((own.ratio, other.ratio))
    truth = replace(scene.truth, ratio=(ratios[0], ratios[1]), balance=0.0, course=course)
    amplitude_v = gain * np.where(is_before, scene.amplitude_v, seen_v)
    return _gone(replace(scene, amplitude_v=amplitude_v, truth=truth), start_s, seconds)


@spoils(Stage.AMPLITUDE)
def pad_bounces(scene: Scene, a_second: float) -> Scene:
    """Let the head leave the disk for 3 to 25 ms so often a second, for a second."""
    rng, gain = scene.rng, np.ones(len(scene.time_s))
    start_s = _start(scene, 1.0)
    for at_s in start_s + rng.uniform(0.0, 1.0, rng.poisson(a_second) + 1):
        length_s = rng.uniform(3e-3, 25e-3)
        after = np.clip((scene.time_s - at_s) / length_s, 0.0, 1.0)
        # Published: a signal falls by 54.6 dB for each wavelength of distance (Wallace, 1951).
        gain *= np.exp(-rng.uniform(0.3, 6.0) * np.sin(np.pi * after))
    return replace(scene, amplitude_v=scene.amplitude_v * gain)


@spoils(Stage.AMPLITUDE)
def mains_dips(scene: Scene, part: float) -> Scene:
    """Let all gains be more or less by a part for 60 to 160 ms, about each 0.8 s."""
    gain = np.ones(len(scene.time_s))
    for at_s in _starts(scene, 0.8):
        length_s, edge_s = scene.rng.uniform(0.06, 0.16), scene.rng.uniform(1e-3, 20e-3)
        dip = _risen(scene, at_s, edge_s) - _risen(scene, at_s + length_s, edge_s)
        gain += scene.rng.choice([-1.0, 1.0]) * part * dip
    return replace(scene, amplitude_v=scene.amplitude_v * gain)


_SCRATCHED = 0.3


@spoils(Stage.AMPLITUDE)
def scratch(scene: Scene, part: float) -> Scene:
    """Let a scratch take a part of the turn out of a lobe, in three turns of ten."""
    rng = scene.rng
    grid = np.arange(2000) / 2000
    size = np.abs(scene.pattern.amplitude(grid))
    place = rng.choice(grid[size > 0.8 * size.max()])
    away = (scene.turn - place + 0.5) % 1.0 - 0.5
    number = np.floor(scene.turn - place + 0.5).astype(int)
    lifted = rng.random(number[-1] - number[0] + 1) < _SCRATCHED
    left = rng.uniform(0.0, 0.6)
    held = lifted[number - number[0]] & (np.abs(away) < part / 2)
    return replace(scene, amplitude_v=np.where(held, left, 1.0) * scene.amplitude_v)


@spoils(Stage.AMPLITUDE)
def lobe_at_index(scene: Scene, turns: float) -> Scene:
    """Let a lobe's top stand so many turns from the index: no side is held."""
    grid = np.arange(20_000) / 20_000
    size = scene.pattern.amplitude(grid) * scene.rng.choice([-1.0, 1.0])
    shift = turns - float(grid[np.argmax(size)])
    amplitude_v = _unit_v(scene) * scene.pattern.amplitude((scene.turn - shift) % 1.0)
    return replace(scene, amplitude_v=amplitude_v, truth=replace(scene.truth, balance=0.0))


# -- what is picked up -------------------------------------------------------------------------


@spoils(Stage.WAVE)
def neighbour(scene: Scene, part: float) -> Scene:
    """Let the head's edge reach a neighbouring track with a carrier some hundredths off, by a part.

    It does so where the disk runs out furthest to one side, that is in one kind of lobe alone.
    """
    rng = scene.rng
    grid = np.arange(2000) / 2000
    place = grid[np.argmax(scene.pattern.amplitude(grid) * rng.choice([-1.0, 1.0]))]
    near = np.maximum(np.cos(2 * np.pi * (scene.turn - place)) - rng.uniform(0.0, 0.7), 0.0)
    cycles = scene.conditions.cycles * (1.0 + rng.choice([-1.0, 1.0]) * rng.uniform(0.03, 0.08))
    angle = 2 * np.pi * (np.round(cycles) * scene.turn + rng.random())
    return replace(
        scene, wave_v=scene.wave_v + part * scene.height_v * near / near.max() * np.sin(angle)
    )


_PACKET_HZ = 26e6 / 120_000
_PACKET_S = 577e-6


@spoils(Stage.WAVE)
def phone(scene: Scene, part: float) -> Scene:
    """Let a telephone send for a second: packets of noise about the carrier, a part of the lobe.

    *From memory*: a call sends in one of the eight slots of a frame of 120/26 ms.
    """
    rng, rate_hz = scene.rng, scene.conditions.rate_hz
    length_s = rng.uniform(0.5, 1.5)
    sending = _within(scene, _start(scene, length_s), length_s)
    sending &= (scene.time_s + rng.random()) % (1.0 / _PACKET_HZ) < _PACKET_S
    smooth = max(1, round(rate_hz / 3e3))
    noise = uniform_filter1d(rng.standard_normal(len(scene.time_s)), smooth) * np.sqrt(smooth)
    angle = 2 * np.pi * scene.conditions.nominal_carrier_hz * scene.time_s
    heard = noise * np.sin(angle) + rng.uniform(-1.0, 1.0)
    return replace(scene, wave_v=scene.wave_v + part * scene.height_v * np.where(sending, heard, 0))


@spoils(Stage.WAVE)
def touched(scene: Scene, times: float) -> Scene:
    """Touch a probe with a finger for half a second: mains hum, so many times the taller lobe."""
    rng = scene.rng
    start_s, length_s = _start(scene, 1.0), rng.uniform(0.2, 1.0)
    held = _risen(scene, start_s, 0.01) - _risen(scene, start_s + length_s, 0.01)
    angle = 2 * np.pi * (rng.choice([50.0, 60.0]) * scene.time_s + rng.random())
    hum = np.sin(angle) + 0.3 * np.sin(3 * angle) + 0.1 * np.sin(11 * angle)
    # The body's capacitance takes some of the signal, from both lobes alike.
    left = 1.0 - rng.uniform(0.0, 0.2) * held
    return replace(scene, wave_v=scene.wave_v * left + times * scene.height_v * held * hum)


@spoils(Stage.COLUMNS)
def noisy_spell(scene: Scene, part: float) -> Scene:
    """Let a motor's brushes spark for a second or two: white noise, a part of the taller lobe."""
    length_s = scene.rng.uniform(0.5, 2.0)
    held = _within(scene, _start(scene, length_s), length_s)
    sigma_v = part * scene.height_v * held

    def sparked(column: Floats) -> Floats:
        return column + sigma_v * scene.rng.standard_normal(len(column))

    return scene.on_signals(sparked)


# -- probes ------------------------------------------------------------------------------------


def _open_tip(scene: Scene) -> Floats:
    """Return what a tip in the air picks up: a little of its point, and mains."""
    mains = np.sin(2 * np.pi * (50.0 * scene.time_s + scene.rng.random()))
    left = scene.rng.uniform(0.0, 0.05) * scene.columns["minus"]
    return left + scene.rng.uniform(0.0, 0.5) * scene.height_v * mains


def _minus(scene: Scene, held: NDArray[np.bool_], other: Floats) -> Scene:
    minus = np.where(held, other, scene.columns["minus"])
    return replace(scene, columns={**scene.columns, "minus": minus})


@spoils(Stage.COLUMNS)
def probe_slips(scene: Scene, seconds: float) -> Scene:
    """Let the second probe slip off for so many seconds, within a lobe, about each 0.6 s."""
    held = np.zeros(len(scene.time_s), bool)
    for at_s in _starts(scene, 0.6):
        held |= _within(scene, at_s, seconds)
    return _minus(scene, held, _open_tip(scene))


@spoils(Stage.COLUMNS)
def probe_rubs(scene: Scene, seconds: float) -> Scene:
    """Let the second probe's contact chatter for so many seconds, about each 0.8 s."""
    held = np.zeros(len(scene.time_s), bool)
    for start_s in _starts(scene, 0.8):
        at_s = start_s
        while at_s < start_s + seconds:
            open_s = scene.rng.exponential(1e-3)
            held |= _within(scene, at_s, open_s)
            at_s += open_s + scene.rng.exponential(1e-3)
    return _minus(scene, held, _open_tip(scene))


@spoils(Stage.COLUMNS)
def wrong_point(scene: Scene, seconds: float) -> Scene:
    """Put the second probe on a wrong point for the first seconds, then on the right one.

    It is its fellow's, ground, a supply, or logic. Whatever is read is read of the first probe
    alone, or of what is left: the ratio is what it was.
    """
    rng, count = scene.rng, len(scene.time_s)
    small = 1e-3 * scene.height_v * rng.standard_normal(count)
    every = max(1, round(scene.conditions.rate_hz * rng.uniform(4e-6, 200e-6)))
    logic = np.repeat(rng.integers(0, 2, count // every + 1), every)[:count]
    others = (
        scene.columns["plus"] * rng.uniform(0.98, 1.02),
        np.zeros(count),
        10.0 * scene.height_v * (1.0 + 0.01 * np.sin(2 * np.pi * 100.0 * scene.time_s)),
        rng.uniform(1.0, 10.0) * scene.height_v * logic,
    )
    return _minus(scene, scene.time_s < seconds, others[int(rng.integers(4))] + small)


# -- the instrument ----------------------------------------------------------------------------


@spoils(Stage.CONVERTER)
def gain_knob(scene: Scene, times: float) -> Scene:
    """Turn the gain by two steps of so many times, up or down, each with a gap of some ms."""
    rng, gain = scene.rng, np.ones(len(scene.time_s))
    at_s = _start(scene, 1.5)
    for step in rng.choice([times, 1.0 / times], 2):
        gain = np.where(scene.time_s >= at_s, gain * step, gain)
        gain[_within(scene, at_s, rng.uniform(0.0, 0.02))] = 0.0
        at_s += rng.uniform(0.15, 1.0)
    return scene.on_signals(lambda column: gain * column)


@spoils(Stage.CONVERTER)
def gain_turned(scene: Scene, times: float) -> Scene:
    """Turn a potentiometer until the gain is so many times what it was, within half a second."""
    length_s = scene.rng.uniform(0.1, 1.0)
    gain = times ** _risen(scene, _start(scene, length_s + 0.5), length_s)
    return scene.on_signals(lambda column: gain * column)


@spoils(Stage.CONVERTER)
def offset_knob(scene: Scene, times: float) -> Scene:
    """Turn the offset by so many times the taller lobe, to and fro, within a second or two."""
    rng = scene.rng
    start_s = _start(scene, 2.0)
    there_s, held_s = rng.uniform(0.05, 0.7), rng.uniform(0.0, 0.6)
    moved = _risen(scene, start_s, there_s) - _risen(scene, start_s + there_s + held_s, there_s)
    return scene.on_signals(lambda column: column + times * scene.height_v * moved)


@spoils(Stage.CONVERTER)
def drifts_to_rail(scene: Scene, part: float) -> Scene:
    """Let a steady voltage drift until the rail takes a part off the taller lobe, on one side."""
    half = 0.5 if scene.conditions.kind.has_phases else 1.0
    length_s = scene.rng.uniform(0.5, 2.0)
    drift_v = half * scene.height_v * _risen(scene, _start(scene, length_s + 1.0), length_s)
    room_v = half * scene.height_v * (2.0 - part)
    sign = scene.rng.choice([-1.0, 1.0])
    return scene.on_signals(lambda column: sign * np.minimum(sign * column + drift_v, room_v))


@spoils(Stage.CONVERTER)
def stutters(scene: Scene, seconds: float) -> Scene:
    """Let a card give a buffer of so many seconds again in place of the next, about each 0.7 s.

    *From memory*: a driver that is late finds the old content of its ring buffer.
    """
    size = max(1, round(seconds * scene.conditions.rate_hz))
    taken = np.arange(len(scene.time_s))
    for at_s in _starts(scene, 0.7):
        start = int(at_s * scene.conditions.rate_hz) // size * size
        if start >= size:
            taken[start : start + size] -= size
    return replace(scene, columns={role: each[taken] for role, each in scene.columns.items()})


# -- the index ---------------------------------------------------------------------------------


def _sorted(scene: Scene, *more: Floats) -> Scene:
    pulses = np.concatenate([scene.pulses, *more])
    return replace(scene, pulses=pulses[np.argsort(pulses[:, 0])])


@spoils(Stage.INDEX)
def index_doubles(scene: Scene, seconds: float) -> Scene:
    """Let a second pulse come at one phase for so many seconds, as when light falls in aside."""
    start_s, phase = _start(scene, seconds), scene.rng.uniform(0.1, 0.9)
    turns = np.arange(np.floor(scene.turn[0]), scene.turn[-1]) + phase
    at_s = scene.moment_of(turns[(turns > scene.turn[0]) & (turns < scene.turn[-1])])
    at_s = at_s[(at_s > start_s) & (at_s < start_s + seconds)]
    return _sorted(scene, np.stack([at_s, at_s + 1e-3], axis=1))


@spoils(Stage.INDEX)
def index_rings(scene: Scene, seconds: float) -> Scene:
    """Let each pulse open again three times, the last after so many seconds."""
    own = np.stack([scene.pulses[:, 0], scene.pulses[:, 0] + 0.1 * seconds], axis=1)
    scene = replace(scene, pulses=own)
    return _sorted(scene, *(own + share * seconds for share in (0.3, 0.6, 1.0)))


@spoils(Stage.INDEX)
def hard_sectored(scene: Scene, count: float) -> Scene:
    """Let the disk have so many sector holes beside its index, which is half-way between two."""
    holes = (np.arange(round(count)) + 0.5) / round(count)
    turns = (np.arange(np.floor(scene.turn[0]), scene.turn[-1])[:, None] + holes).ravel()
    at_s = scene.moment_of(turns[(turns > scene.turn[0]) & (turns < scene.turn[-1])])
    return _sorted(scene, np.stack([at_s, at_s + 1e-3], axis=1))


@spoils(Stage.CONVERTER)
def index_comes(scene: Scene, part: float) -> Scene:
    """Let the index rest for the first part of the capture, until somebody clips it on."""
    column = scene.columns["index"].copy()
    column[: int(part * len(column))] = INDEX_V if scene.conditions.index_low else 0.0
    return replace(scene, columns={**scene.columns, "index": column})
