"""Seeded probes, and their truths by the circuit alone."""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from instruments.source import Role
from tests.virtualprobe.card import VirtualCard
from tests.virtualprobe.circuit import Parts, Stepped

RATES_HZ = (44_100, 48_000, 96_000)
_GRID = np.linspace(0.0, 1.0, 1201)


@dataclass(frozen=True)
class Truth:
    """Of a detector probe, in the card's volts."""

    corner_hz: float
    threshold_v: float
    knee_v: float
    top_v: float


def drawn(seed):
    """Parts of a detector probe and its card, their rate, and the clock's error."""
    rng = np.random.default_rng(seed)
    kind = ("full", "half", "precise")[seed % 3]
    drive_v = float(np.exp(rng.uniform(np.log(0.6), np.log(3.0))))
    shares = {"full": 0.64, "half": 0.32, "precise": 0.64}
    parts = Parts(
        kind=kind,
        drive_v=drive_v,
        output_corner_hz=float(rng.uniform(1.0, 30.0)),
        saturation_a=float(np.exp(rng.uniform(np.log(1e-8), np.log(3e-7)))),
        n_vt_v=float(rng.uniform(0.026, 0.030)),
        load_ohm=float(np.exp(rng.uniform(np.log(10e3), np.log(100e3)))),
        dead_v=float(rng.uniform(0.02, 0.15)) * drive_v,
        smoothing_hz=float(rng.uniform(700.0, 4000.0)),
        input_corner_hz=float(np.exp(rng.uniform(np.log(0.5), np.log(40.0)))),
        gains=(float(rng.uniform(0.35, 0.95)) / (shares[kind] * drive_v),),
        offset=float(rng.uniform(-0.01, 0.01)),
        noise=float(np.exp(rng.uniform(np.log(1e-5), np.log(3e-4)))),
        hum=float(rng.choice([0.0, 3e-4, 2e-3])),
        hum_hz=float(rng.choice([50.0, 60.0]) * rng.uniform(0.999, 1.001)),
        bits=int(rng.choice([14, 16, 20])),
        seed=seed,
    )
    return parts, int(rng.choice(RATES_HZ)), float(rng.uniform(-150e-6, 150e-6))


def card_of(seed):
    """The virtual card of a seed."""
    parts, rate_hz, fast_part = drawn(seed)
    return VirtualCard(parts, rate_hz, fast_part=fast_part)


def offset_um_of(seed):
    """The head's offset in the reading behind the probe of a seed."""
    return float(np.random.default_rng(seed + 1000).uniform(-60.0, 60.0))


def phases_of(seed):
    """A card whose two columns hear one output without a detector, and minus's gain over plus's."""
    parts, rate_hz, fast_part = drawn(seed)
    match = float(np.random.default_rng(seed + 2000).uniform(0.9, 1.1))
    gain = 0.6 / parts.drive_v
    straight = replace(parts, kind="none", gains=(gain, match * gain), outputs_to=((1.0,), (1.0,)))
    return VirtualCard(straight, rate_hz, (Role.PLUS, Role.MINUS), fast_part), match


def truth_of(parts, level, upper=0.6):
    """What the circuit's own law says, over the levels that were played."""
    levels = np.linspace(1 / 30, 1.0, 30) * level
    out_v = parts.gains[0] * parts.static_v(levels * parts.drive_v)
    line = levels >= upper * level
    slope, at_nought = np.polyfit(levels[line], out_v[line], 1)
    return Truth(
        parts.input_corner_hz,
        -at_nought,
        float(np.interp(-at_nought / slope, levels, out_v)),
        out_v[-1],
    )


@cache
def _law(parts, octave):
    """The detector's law up to a power of two volts, as two arrays."""
    grid_v = _GRID * 2.0**octave
    return grid_v, parts.static_v(grid_v)


def detected(parts, amplitude_v, rate_hz):
    """What the card makes of a slow amplitude at the probe, in volts."""
    rng = np.random.default_rng(parts.seed + 7)
    grid_v, static_v = _law(parts, int(np.ceil(np.log2(max(1.0, 1.2 * amplitude_v.max())))))
    volts = np.interp(amplitude_v, grid_v, static_v)
    smoothing = Stepped(parts.smoothing_hz, 1 / rate_hz, high=False)
    coupling = Stepped(parts.input_corner_hz, 1 / rate_hz, high=True)
    heard = parts.gains[0] * coupling(smoothing(volts)) + parts.offset
    times_s = np.arange(len(heard)) / rate_hz
    heard += parts.hum * np.sin(2 * np.pi * parts.hum_hz * times_s)
    heard += parts.noise * rng.standard_normal(len(heard))
    step = 2.0 ** (1 - parts.bits)
    return (np.round(heard / step) * step).astype(np.float32)
