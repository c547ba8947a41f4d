"""What spoils a signal: small functions on a scene, each with one magnitude.

What a magnitude means stands in each first line. A spoiler that changes what is true says so in the
scene's truth; all others leave it alone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

from tests.hunt.patterns import Floats, Pattern
from tests.hunt.signal import INDEX_V, Scene, Stage, spoils


def _filtered(ahead: ArrayLike, behind: ArrayLike, signal: Floats) -> Floats:
    return np.asarray(lfilter(ahead, behind, signal))


# -- motion ------------------------------------------------------------------------------------


@spoils(Stage.MOTION)
def wow(scene: Scene, part: float) -> Scene:
    """Let the speed swing by a part, peak, at 0.5 to 12 Hz."""
    hz, phase = scene.rng.uniform(0.5, 12.0), scene.rng.uniform(0.0, 2 * np.pi)
    turn_hz = scene.conditions.rpm / 60.0
    swing = part * turn_hz / (2 * np.pi * hz) * np.sin(2 * np.pi * hz * scene.time_s + phase)
    return replace(scene, turn=scene.turn + swing)


@spoils(Stage.MOTION)
def once_a_turn_wow(scene: Scene, part: float) -> Scene:
    """Let the speed swing by a part, peak, once a turn."""
    phase = scene.rng.uniform(0.0, 2 * np.pi)
    swing = part / (2 * np.pi) * np.sin(2 * np.pi * scene.turn + phase)
    return replace(scene, turn=scene.turn + swing - part / (2 * np.pi) * np.sin(phase))


@spoils(Stage.MOTION)
def speed_drift(scene: Scene, part_a_second: float) -> Scene:
    """Let the speed change by a part a second."""
    turn_hz = scene.conditions.rpm / 60.0
    return replace(scene, turn=scene.turn + 0.5 * part_a_second * turn_hz * scene.time_s**2)


@spoils(Stage.MOTION)
def clock_error(scene: Scene, part: float) -> Scene:
    """Let the sample clock run faster than it says, by a part."""
    return replace(scene, clock=1.0 + part)


# -- amplitude ---------------------------------------------------------------------------------


@spoils(Stage.AMPLITUDE)
def gain_drift(scene: Scene, part_a_second: float) -> Scene:
    """Let the gain change by a part a second, evenly."""
    gain = 1.0 + part_a_second * (scene.time_s - scene.time_s[-1] / 2)
    return replace(scene, amplitude_v=scene.amplitude_v * np.maximum(gain, 0.05))


@spoils(Stage.AMPLITUDE)
def fade(scene: Scene, left: float) -> Scene:
    """Let the signal fade to a part of itself within each second."""
    return replace(scene, amplitude_v=scene.amplitude_v * left**scene.time_s)


@spoils(Stage.AMPLITUDE)
def gain_jump(scene: Scene, part: float) -> Scene:
    """Let the gain jump by a part, once, in the middle half of the capture."""
    at_s = scene.time_s[-1] * scene.rng.uniform(0.25, 0.75)
    return replace(
        scene, amplitude_v=scene.amplitude_v * np.where(scene.time_s > at_s, 1.0 + part, 1.0)
    )


@spoils(Stage.AMPLITUDE)
def flutter(scene: Scene, part: float) -> Scene:
    """Let the gain swing by a part, peak, at 3 to 40 Hz and out of step with the disk."""
    hz = scene.rng.uniform(3.0, 40.0)
    if abs(hz / (scene.conditions.rpm / 60.0) % 1.0 - 0.5) > 0.35:
        hz += 0.5 * scene.conditions.rpm / 60.0
    phase = scene.rng.uniform(0.0, 2 * np.pi)
    gain = 1.0 + part * np.sin(2 * np.pi * hz * scene.time_s + phase)
    return replace(scene, amplitude_v=scene.amplitude_v * gain)


def _seen_through(scene: Scene, pattern: Pattern) -> Scene:
    """Return the scene with another pattern at the same gain, and its truth."""
    own = scene.pattern
    unit_v = scene.height_v / max(own.first, own.second)
    truth = replace(
        scene.truth, ratio=(pattern.ratio, pattern.ratio), balance=float(pattern.balance)
    )
    amplitude_v = unit_v * pattern.amplitude(scene.turn % 1.0)
    return replace(scene, pattern=pattern, truth=truth, amplitude_v=amplitude_v)


@spoils(Stage.AMPLITUDE)
def uneven_disk(scene: Scene, part: float) -> Scene:
    """Let the disk be uneven by a part, peak, once a turn: lobes are as high as they are seen."""
    phase = scene.rng.uniform(0.0, 2 * np.pi)

    def gain(at: Floats) -> Floats:
        return 1.0 + part * np.cos(2 * np.pi * at + phase)

    return _seen_through(scene, scene.pattern.modulated(gain))


@spoils(Stage.AMPLITUDE)
def uneven_twice(scene: Scene, part: float) -> Scene:
    """Let the disk be uneven by a part, peak, twice a turn, as a warped one is."""
    phase = scene.rng.uniform(0.0, 2 * np.pi)

    def gain(at: Floats) -> Floats:
        return 1.0 + part * np.cos(4 * np.pi * at + phase)

    return _seen_through(scene, scene.pattern.modulated(gain))


@spoils(Stage.AMPLITUDE)
def splice(scene: Scene, part: float) -> Scene:
    """Leave a part of the turn blank at the index."""
    away = (scene.turn + 0.5) % 1.0 - 0.5
    return replace(scene, amplitude_v=np.where(np.abs(away) < part / 2, 0.0, scene.amplitude_v))


@spoils(Stage.AMPLITUDE)
def drop_outs(scene: Scene, a_turn: float) -> Scene:
    """Weaken the signal for 0.1 to 2 ms at so many places a turn, anew each turn."""
    rng, rate_hz = scene.rng, scene.conditions.rate_hz
    count = rng.poisson(a_turn * scene.conditions.turns)
    amplitude_v = scene.amplitude_v.copy()
    for start_s in rng.uniform(0.0, scene.time_s[-1], count):
        start, length = int(start_s * rate_hz), int(rng.uniform(0.1e-3, 2e-3) * rate_hz) + 1
        amplitude_v[start : start + length] *= rng.uniform(0.0, 0.6)
    return replace(scene, amplitude_v=amplitude_v)


@spoils(Stage.AMPLITUDE)
def azimuth_fill(scene: Scene, part: float) -> Scene:
    """Fill the nulls alike by a part of the mean lobe, as an azimuth error does.

    Right is the ratio of the lobes as they are seen, and that of the cosine alone.
    """
    fill = part * scene.height_v / (1 + abs(scene.pattern.balance))
    heights = np.array([1 + scene.pattern.balance, 1 - scene.pattern.balance])
    seen = np.hypot(heights, part)
    pure = scene.truth.ratio[0]
    return replace(
        scene,
        quadrature_v=np.full_like(scene.amplitude_v, fill),
        truth=replace(scene.truth, ratio=(pure, float(seen.min() / seen.max()))),
    )


@spoils(Stage.AMPLITUDE)
def residual(scene: Scene, part: float) -> Scene:
    """Add a rest of the same frequency, a part of the taller lobe, 30 to 150° out of phase.

    What is true is the ratio without it. Nearer to the phase of a boundary recording it would be a
    move of the head in all that a probe can see.
    """
    angle = scene.rng.uniform(np.pi / 6, 5 * np.pi / 6)
    rest_v = part * scene.height_v
    return replace(
        scene,
        amplitude_v=scene.amplitude_v + rest_v * np.cos(angle),
        quadrature_v=np.full_like(scene.amplitude_v, rest_v * np.sin(angle)),
    )


@spoils(Stage.AMPLITUDE)
def beat(scene: Scene, balance: float) -> Scene:
    """Make it a beat of two bands: even lobes, and nulls that a head off the line fills."""
    height_v = scene.height_v
    angle = 2 * np.pi * (scene.turn - scene.rng.uniform(0.12, 0.38))
    size = abs(balance)
    ratio = (1 - size) / (1 + size)
    return replace(
        scene,
        amplitude_v=height_v * np.cos(angle),
        quadrature_v=height_v * size * np.sin(angle),
        truth=replace(scene.truth, ratio=(ratio, ratio), balance=float(balance)),
    )


def _moved(pattern: Pattern, scene: Scene, by: Floats) -> Floats:
    """Return amplitudes of a boundary whose head is moved by `by` in balance."""
    unit_v = scene.height_v / max(pattern.first, pattern.second)
    return unit_v * (pattern.amplitude(scene.turn % 1.0) + by)


@spoils(Stage.AMPLITUDE)
def head_moved(scene: Scene, by: float) -> Scene:
    """Move the head over a boundary by a balance, half-way: of such a capture a note is wanted.

    Right is any ratio from that before to that after.
    """
    at_s = scene.time_s[-1] * scene.rng.uniform(0.35, 0.65)
    way = np.where(scene.time_s > at_s, by, 0.0)
    return _on_the_way(scene, way, by, wants_note=True)


@spoils(Stage.AMPLITUDE)
def head_creeps(scene: Scene, by: float) -> Scene:
    """Let the head creep evenly over a boundary by a balance in the whole capture."""
    return _on_the_way(scene, by * scene.time_s / scene.time_s[-1], by, wants_note=False)


def _on_the_way(scene: Scene, way: Floats, by: float, *, wants_note: bool) -> Scene:
    before = scene.pattern.balance
    ratios = _ratio_of(np.array([before, before + by]))
    if before * (before + by) < 0:
        ratios = np.append(ratios, 1.0)
    at = np.linspace(0, len(way) - 1, 200).astype(int)
    course = zip(scene.time_s[at].tolist(), _ratio_of(before + way[at]).tolist(), strict=True)
    truth = replace(
        scene.truth,
        ratio=(float(ratios.min()), float(ratios.max())),
        balance=before + by / 2,
        wants_note=wants_note,
        course=tuple(course),
    )
    return replace(scene, amplitude_v=_moved(scene.pattern, scene, way), truth=truth)


def _ratio_of(balance: Floats) -> Floats:
    return (1 - np.abs(balance)) / (1 + np.abs(balance))


@spoils(Stage.AMPLITUDE)
def away(scene: Scene, part: float) -> Scene:
    """Take the head off the track for a part of the capture: noise alone is left."""
    scene, held = _silent(scene, part)
    return replace(scene, amplitude_v=np.where(held, 0.0, scene.amplitude_v))


def _silent(scene: Scene, part: float) -> tuple[Scene, NDArray[np.bool_]]:
    """Choose a stretch in which nothing is to be read; say so, and which samples it has."""
    length_s = part * float(scene.time_s[-1])
    start_s = scene.rng.uniform(0.0, float(scene.time_s[-1]) - length_s)
    held = (scene.time_s >= start_s) & (scene.time_s < start_s + length_s)
    truth = replace(scene.truth, silent_s=(start_s, start_s + length_s))
    return replace(scene, truth=truth), held


@spoils(Stage.AMPLITUDE)
def narrow_head(scene: Scene, part: float) -> Scene:
    """Let a head be so narrow that the taller lobe is cut flat at a part of its height.

    What is true is the ratio of the places, as the balance stands for an offset.
    """
    limit_v = part * scene.height_v
    return replace(scene, amplitude_v=np.clip(scene.amplitude_v, -limit_v, limit_v))


# -- wave --------------------------------------------------------------------------------------


@spoils(Stage.WAVE)
def third_harmonic(scene: Scene, part: float) -> Scene:
    """Add a third harmonic that flattens the wave, a part of the fundamental."""
    angle = 2 * np.pi * scene.conditions.cycles * scene.turn
    return replace(scene, wave_v=scene.wave_v + part * scene.amplitude_v * np.sin(3 * angle))


@spoils(Stage.WAVE)
def second_harmonic(scene: Scene, part: float) -> Scene:
    """Add a second harmonic, a part of the fundamental."""
    angle = 2 * np.pi * scene.conditions.cycles * scene.turn
    return replace(scene, wave_v=scene.wave_v + part * scene.amplitude_v * np.cos(2 * angle))


@spoils(Stage.WAVE)
def saturation(scene: Scene, part: float) -> Scene:
    """Compress softly: the top of the taller lobe loses a part of its height."""
    share = scene.wave_v / scene.height_v
    # A cube takes three quarters of its coefficient from the fundamental.
    return replace(scene, wave_v=scene.wave_v * (1.0 - part / 0.75 * share**2))


@spoils(Stage.WAVE)
def spikes(scene: Scene, times: float) -> Scene:
    """Add spikes of so many times the amplitude, three a turn, a few samples long."""
    wave_v = scene.wave_v.copy()
    rng = scene.rng
    for start in rng.integers(0, len(wave_v), rng.poisson(3 * scene.conditions.turns) + 1):
        sign = 1.0 if rng.random() < 0.5 else -1.0
        wave_v[start : start + int(rng.integers(1, 5))] += sign * times * scene.height_v
    return replace(scene, wave_v=wave_v)


@spoils(Stage.WAVE)
def stray_tone(scene: Scene, part: float) -> Scene:
    """Add a steady tone beside the carrier, a part of the taller lobe."""
    carrier_hz = scene.conditions.nominal_carrier_hz
    hz = carrier_hz * scene.rng.choice([0.5, 0.71, 1.31, 1.43])
    phase = scene.rng.uniform(0.0, 2 * np.pi)
    tone = part * scene.height_v * np.sin(2 * np.pi * hz * scene.time_s + phase)
    return replace(scene, wave_v=scene.wave_v + tone)


def _hum(scene: Scene, part: float) -> Floats:
    hz, phase = scene.rng.choice([50.0, 60.0]), scene.rng.uniform(0.0, 2 * np.pi)
    hz *= 1.0 + scene.rng.uniform(-2e-3, 2e-3)
    return part * scene.height_v * np.sin(2 * np.pi * hz * scene.time_s + phase)


@spoils(Stage.WAVE)
def hum(scene: Scene, part: float) -> Scene:
    """Add mains hum, a part of the taller lobe, to the differential or the detector's output."""
    return replace(scene, wave_v=scene.wave_v + _hum(scene, part))


@spoils(Stage.WAVE)
def rectified_hum(scene: Scene, part: float) -> Scene:
    """Add hum of twice the mains' frequency, a part of the taller lobe."""
    hz, phase = scene.rng.choice([100.0, 120.0]), scene.rng.uniform(0.0, 2 * np.pi)
    wave = np.sin(2 * np.pi * hz * scene.time_s + phase)
    return replace(scene, wave_v=scene.wave_v + part * scene.height_v * wave)


@spoils(Stage.WAVE)
def differentiator(scene: Scene, hz: float) -> Scene:
    """Put the test points behind a differentiator with a corner at a part of the carrier."""
    alpha = np.exp(-2 * np.pi * hz * scene.conditions.nominal_carrier_hz / scene.conditions.rate_hz)
    return replace(scene, wave_v=_filtered([alpha, -alpha], [1.0, -alpha], scene.wave_v))


# -- a detector ahead of the input -------------------------------------------------------------


@spoils(Stage.WAVE)
def detector_threshold(scene: Scene, part: float) -> Scene:
    """Let the detector keep a part of the taller lobe, and state nothing of it."""
    kept_v = part * scene.height_v
    wave_v = np.maximum(scene.wave_v - kept_v, 0.0)
    return replace(scene, wave_v=wave_v, stated=replace(scene.stated, detector_threshold_v=None))


@spoils(Stage.WAVE)
def threshold_stated(scene: Scene, part: float) -> Scene:
    """Let the detector keep a part of the taller lobe, and state it rightly."""
    kept_v = part * scene.height_v
    wave_v = np.maximum(scene.wave_v - kept_v, 0.0)
    return replace(scene, wave_v=wave_v, stated=replace(scene.stated, detector_threshold_v=kept_v))


@spoils(Stage.WAVE)
def threshold_misstated(scene: Scene, part: float) -> Scene:
    """Let the detector keep a tenth of the taller lobe, and state a part more than that."""
    kept_v = 0.1 * scene.height_v
    wave_v = np.maximum(scene.wave_v - kept_v, 0.0)
    stated = replace(scene.stated, detector_threshold_v=kept_v * (1.0 + part))
    return replace(scene, wave_v=wave_v, stated=stated)


@spoils(Stage.WAVE)
def soft_knee(scene: Scene, part: float) -> Scene:
    """Round the detector's foot over a part of the taller lobe, the threshold stated 0.

    The root of a sum of squares less its constant: linear far above, a square near nothing.
    """
    knee_v = part * scene.height_v
    return replace(scene, wave_v=np.hypot(scene.wave_v, knee_v) - knee_v)


@spoils(Stage.WAVE)
def detector_offset(scene: Scene, part: float) -> Scene:
    """Add a constant to the detector's output, a part of the taller lobe."""
    return replace(scene, wave_v=scene.wave_v + part * scene.height_v)


@spoils(Stage.WAVE)
def logarithmic(scene: Scene, decades: float) -> Scene:
    """Let the detector be logarithmic over some decades, and say nothing of it."""
    floor = 10.0**-decades
    part = np.log10(np.maximum(scene.wave_v / scene.height_v, floor)) / decades + 1.0
    return replace(
        scene,
        wave_v=scene.height_v * part,
        stated=replace(scene.stated, detector_threshold_v=None),
    )


@spoils(Stage.WAVE)
def slow_detector(scene: Scene, seconds: float) -> Scene:
    """Let the detector's capacitor hold: the output falls no faster than a decay in seconds."""
    left = float(np.exp(-1.0 / (seconds * scene.conditions.rate_hz)))
    held = scene.wave_v.tolist()
    for place in range(1, len(held)):
        held[place] = max(held[place], left * held[place - 1])
    return replace(scene, wave_v=np.array(held))


@spoils(Stage.WAVE)
def carrier_ripple(scene: Scene, part: float) -> Scene:
    """Leave ripple of the carrier on the detector's output, a part of it, as an alias."""
    hz = scene.rng.uniform(0.2, 0.45) * scene.conditions.rate_hz
    ripple = 1.0 + part * np.sin(2 * np.pi * hz * scene.time_s)
    return replace(scene, wave_v=scene.wave_v * ripple)


def high_pass(signal: Floats, corner_hz: float, rate_hz: float) -> Floats:
    """Return a signal behind a capacitor that has long been connected to its mean.

    The bilinear form of s/(s + 2π·corner).
    """
    warped = np.tan(np.pi * corner_hz / rate_hz)
    ahead = np.array([1.0, -1.0]) / (1.0 + warped)
    behind = np.array([1.0, -(1.0 - warped) / (1.0 + warped)])
    # Connected for so long that nothing of its beginning is left, or for the half of the signal.
    settle = min(len(signal) // 2, int(6.0 / (2 * np.pi * corner_hz) * rate_hz))
    led = np.concatenate([_led_in(signal, settle), signal]) - signal.mean()
    return _filtered(ahead, behind, led)[settle:]


def _led_in(signal: Floats, count: int) -> Floats:
    """Return what may have come before: the signal's own beginning, mirrored in time."""
    return signal[1 : count + 1][::-1]


@spoils(Stage.WAVE)
def coupled(scene: Scene, corner_hz: float) -> Scene:
    """Put a capacitor of a corner in Hz ahead of the input, rightly stated."""
    wave_v = high_pass(scene.wave_v, corner_hz, scene.conditions.rate_hz)
    return replace(scene, wave_v=wave_v, stated=replace(scene.stated, low_corner_hz=corner_hz))


@spoils(Stage.WAVE)
def corner_misstated(scene: Scene, part: float) -> Scene:
    """Put a capacitor ahead of the input, its corner less than stated or more by a part."""
    corner_hz = scene.rng.uniform(2.0, 10.0)
    wave_v = high_pass(scene.wave_v, corner_hz, scene.conditions.rate_hz)
    stated = replace(scene.stated, low_corner_hz=corner_hz * (1.0 + part))
    return replace(scene, wave_v=wave_v, stated=stated)


@spoils(Stage.WAVE)
def corner_unstated(scene: Scene, corner_hz: float) -> Scene:
    """Put a capacitor of a corner in Hz ahead of the input, and state nothing of it."""
    wave_v = high_pass(scene.wave_v, corner_hz, scene.conditions.rate_hz)
    return replace(scene, wave_v=wave_v, stated=replace(scene.stated, low_corner_hz=None))


@spoils(Stage.WAVE)
def offset_behind_coupling(scene: Scene, part: float) -> Scene:
    """Put a capacitor ahead of the input, and the card's own offset behind it."""
    scene = coupled.change(scene, scene.rng.uniform(2.0, 10.0))
    return replace(scene, wave_v=scene.wave_v + part * scene.height_v)


@spoils(Stage.WAVE)
def second_corner(scene: Scene, corner_hz: float) -> Scene:
    """Put a second capacitor, of a corner in Hz that nobody states, behind the stated one."""
    scene = coupled.change(scene, scene.rng.uniform(2.0, 10.0))
    return replace(scene, wave_v=high_pass(scene.wave_v, corner_hz, scene.conditions.rate_hz))


@spoils(Stage.WAVE)
def upside_down(scene: Scene, corner_hz: float) -> Scene:
    """Turn the envelope upside down, behind a capacitor of a corner in Hz, or none for 0."""
    scene = replace(scene, wave_v=-scene.wave_v)
    return coupled.change(scene, corner_hz) if corner_hz else scene


# -- columns -----------------------------------------------------------------------------------


def _with(scene: Scene, **columns: Floats) -> Scene:
    return replace(scene, columns={**scene.columns, **columns})


@spoils(Stage.COLUMNS)
def mismatch(scene: Scene, part: float) -> Scene:
    """Let the gain of one probe be more by a part than that of the other."""
    return _with(scene, plus=scene.columns["plus"] * (1.0 + part))


@spoils(Stage.COLUMNS)
def skew(scene: Scene, cycles: float) -> Scene:
    """Delay one probe by a part of the carrier's cycle."""
    late_s = cycles / scene.conditions.nominal_carrier_hz
    minus = scene.columns["minus"]
    length = 1 << (len(minus) - 1).bit_length()
    hz = np.fft.rfftfreq(length, 1.0 / scene.conditions.rate_hz)
    spectrum = np.fft.rfft(minus, length) * np.exp(-2j * np.pi * hz * late_s)
    return _with(scene, minus=np.fft.irfft(spectrum, length)[: len(minus)])


@spoils(Stage.COLUMNS)
def common_hum(scene: Scene, times: float) -> Scene:
    """Add mains hum, so many times the taller lobe, to both probes alike."""
    wave = _hum(scene, times)
    return _with(scene, plus=scene.columns["plus"] + wave, minus=scene.columns["minus"] + wave)


@spoils(Stage.COLUMNS)
def offset(scene: Scene, times: float) -> Scene:
    """Add so many times the taller lobe, steadily, to every signal column."""
    return scene.on_signals(lambda column: column + times * scene.height_v)


@spoils(Stage.COLUMNS)
def dead_phase(scene: Scene, noise: float) -> Scene:
    """Let one probe carry nothing but a noise, a part of the taller lobe; a note is wanted."""
    silent = noise * scene.height_v * scene.rng.standard_normal(len(scene.time_s))
    return _with(replace(scene, truth=replace(scene.truth, wants_note=True)), minus=silent)


@spoils(Stage.COLUMNS)
def both_on_one(scene: Scene, part: float) -> Scene:
    """Put both probes on the same point, their gains apart by a part: nothing is left to read."""
    rest = scene.columns["plus"] * (1.0 + part)
    sigma_v = 1e-3 * scene.height_v
    return _with(scene, minus=rest + sigma_v * scene.rng.standard_normal(len(rest)))


@spoils(Stage.COLUMNS)
def index_crosstalk(scene: Scene, part: float) -> Scene:
    """Let the edges of the index ring into the signal, a part of the taller lobe, for 20 µs."""
    edges_s = scene.moment_of(np.arange(np.ceil(scene.turn[0]), scene.turn[-1]))
    ringing = np.zeros(len(scene.time_s))
    for edge_s in edges_s:
        after_s = np.maximum(scene.time_s - edge_s, 0.0)
        ringing += np.where(scene.time_s >= edge_s, np.exp(-after_s / 20e-6), 0.0)
    return scene.on_signals(lambda column: column + part * scene.height_v * ringing)


@spoils(Stage.COLUMNS)
def red_noise(scene: Scene, part: float) -> Scene:
    """Add noise that grows towards low frequencies, a part of the taller lobe."""
    white = scene.rng.standard_normal(len(scene.time_s))
    pole = 1.0 - 2 * np.pi * 200.0 / scene.conditions.rate_hz
    walk = _filtered([np.sqrt(1.0 - pole**2)], [1.0, -pole], white)
    return scene.on_signals(lambda column: column + part * scene.height_v * walk)


# -- index -------------------------------------------------------------------------------------


@spoils(Stage.INDEX)
def index_jitter(scene: Scene, seconds: float) -> Scene:
    """Let each pulse come early or late, by seconds, root mean square."""
    late_s = seconds * scene.rng.standard_normal((len(scene.pulses), 1))
    return replace(scene, pulses=scene.pulses + late_s)


@spoils(Stage.INDEX)
def index_missing(scene: Scene, part: float) -> Scene:
    """Leave out a part of the pulses."""
    kept = scene.rng.random(len(scene.pulses)) >= part
    return replace(scene, pulses=scene.pulses[kept])


def _pulses_at(scene: Scene, phase: float, part: float) -> Floats:
    turns = np.arange(np.floor(scene.turn[0]), scene.turn[-1]) + phase
    turns = turns[(turns > scene.turn[0]) & (turns < scene.turn[-1])]
    turns = turns[scene.rng.random(len(turns)) < part]
    start_s = scene.moment_of(turns)
    return np.stack([start_s, start_s + 1e-3], axis=1)


@spoils(Stage.INDEX)
def second_pulse_opposite(scene: Scene, part: float) -> Scene:
    """Add a pulse half a turn on, in a part of the turns."""
    stray = _pulses_at(scene, 0.5, part)
    return replace(scene, pulses=np.concatenate([scene.pulses, stray]))


@spoils(Stage.INDEX)
def second_pulse(scene: Scene, part: float) -> Scene:
    """Add a pulse at another phase, the same in each of a part of the turns."""
    stray = _pulses_at(scene, scene.rng.uniform(0.08, 0.92), part)
    return replace(scene, pulses=np.concatenate([scene.pulses, stray]))


@spoils(Stage.INDEX)
def index_bounce(scene: Scene, edges: float) -> Scene:
    """Let each pulse begin with so many short ones, within half a millisecond."""
    rng, own = scene.rng, scene.pulses
    short = [own[:, :1] + np.array([0.0, 2e-5])]
    for start_s in own[:, 0]:
        starts_s = start_s + rng.uniform(5e-5, 5e-4, max(0, round(edges) - 1))
        lengths_s = rng.uniform(1e-5, 4e-5, len(starts_s))
        short.append(np.stack([starts_s, starts_s + lengths_s], axis=1))
    # The first edge is where it was; the lasting level comes after the bounce.
    lasting = own + np.array([6e-4, 0.0])
    return replace(scene, pulses=np.concatenate([lasting, *short]))


@spoils(Stage.INDEX)
def index_glitches(scene: Scene, a_turn: float) -> Scene:
    """Add pulses of 20 µs anywhere, so many a turn."""
    count = scene.rng.poisson(a_turn * scene.conditions.turns)
    start_s = scene.rng.uniform(0.0, scene.time_s[-1], count)
    stray = np.stack([start_s, start_s + 20e-6], axis=1)
    return replace(scene, pulses=np.concatenate([scene.pulses, stray]))


@spoils(Stage.INDEX)
def index_length(scene: Scene, part: float) -> Scene:
    """Let each pulse last a part of the turn."""
    length_s = part * 60.0 / scene.conditions.rpm
    pulses = np.stack([scene.pulses[:, 0], scene.pulses[:, 0] + length_s], axis=1)
    return replace(scene, pulses=pulses)


# -- converter ---------------------------------------------------------------------------------


@spoils(Stage.CONVERTER)
def clipping(scene: Scene, part: float) -> Scene:
    """Clip each signal column at a part of its own highest swing."""
    limit_v = part * scene.height_v * (0.5 if scene.conditions.kind.has_phases else 1.0)
    return scene.on_signals(lambda column: np.clip(column, -limit_v, limit_v))


@spoils(Stage.CONVERTER)
def one_rail(scene: Scene, part: float) -> Scene:
    """Clip each signal column on one side alone, at a part of its highest swing."""
    limit_v = part * scene.height_v * (0.5 if scene.conditions.kind.has_phases else 1.0)
    return scene.on_signals(lambda column: np.minimum(column, limit_v))


@spoils(Stage.CONVERTER)
def codes(scene: Scene, count: float) -> Scene:
    """Let a converter give so many codes from the lowest to the highest of a signal column."""
    swing_v = scene.height_v * (1.0 if scene.conditions.kind.has_phases else 2.0)
    if "envelope" in scene.columns:
        swing_v = scene.height_v
    step_v = swing_v / count
    place = scene.rng.uniform(-0.5, 0.5)
    return scene.on_signals(lambda column: step_v * (np.round(column / step_v + place) - place))


@spoils(Stage.CONVERTER)
def index_slow_edges(scene: Scene, seconds: float) -> Scene:
    """Let the index rise and fall with a time constant."""
    left = float(np.exp(-1.0 / (seconds * scene.conditions.rate_hz)))
    column = scene.columns["index"]
    slow = _filtered([1.0 - left], [1.0, -left], column - column[0]) + column[0]
    return _with(scene, index=slow)


@spoils(Stage.CONVERTER)
def index_hum(scene: Scene, part: float) -> Scene:
    """Add mains hum to the index, a part of its pulse."""
    wave = np.sin(2 * np.pi * 50.0 * scene.time_s + scene.rng.uniform(0.0, 2 * np.pi))
    return _with(scene, index=scene.columns["index"] + part * INDEX_V * wave)


@spoils(Stage.CONVERTER)
def muted(scene: Scene, part: float) -> Scene:
    """Put plain zeros in place of the signal, and not of the index, for a part of the capture."""
    scene, held = _silent(scene, part)
    return scene.on_signals(lambda column: np.where(held, 0.0, column))


@spoils(Stage.CONVERTER)
def silence(scene: Scene, part: float) -> Scene:
    """Put plain zeros in place of all columns for a part of the capture."""
    scene, held = _silent(scene, part)
    return _with(scene, **{role: np.where(held, 0.0, c) for role, c in scene.columns.items()})


@spoils(Stage.CONVERTER)
def lost_samples(scene: Scene, part: float) -> Scene:
    """Put not-a-number in place of all columns for a part of the capture."""
    scene, held = _silent(scene, part)
    return _with(scene, **{role: np.where(held, np.nan, c) for role, c in scene.columns.items()})


@spoils(Stage.CONVERTER)
def stuck(scene: Scene, part: float) -> Scene:
    """Let the signal columns stand still for a part of the capture."""
    scene, held = _silent(scene, part)
    first = int(np.argmax(held))
    return scene.on_signals(lambda column: np.where(held, column[first], column))


@spoils(Stage.CONVERTER)
def one_stuck(scene: Scene, part: float) -> Scene:
    """Let the second probe stand still for the last part of the capture."""
    column = scene.columns["minus"].copy()
    last = max(1, int(part * len(column)))
    column[-last:] = column[-last]
    return _with(scene, minus=column)


@spoils(Stage.CONVERTER)
def index_lost(scene: Scene, part: float) -> Scene:
    """Let the index rest for the last part of the capture."""
    column = scene.columns["index"].copy()
    column[-max(1, int(part * len(column))) :] = INDEX_V if scene.conditions.index_low else 0.0
    return _with(scene, index=column)


@spoils(Stage.CONVERTER)
def free_trigger(scene: Scene, _: float) -> Scene:
    """Let the records begin up to 20 ms ahead of an index, which nobody says."""
    return replace(scene, at_index=False)
