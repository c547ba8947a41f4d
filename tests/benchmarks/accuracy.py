"""How near the ratio comes to the truth, and how near to the Cramér-Rao bound."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import hilbert, lfilter

from app.analysis.envelope.setup import Columns, Setup
from app.analysis.lobes.analyser import Analyser
from app.analysis.results import Reading
from tests.app.analysis.running import block_of
from tests.benchmarks.tables import table
from tests.synthesis import Made, Signal, make

CHUNK = 1 << 18


@dataclass(frozen=True)
class Case:
    """One named case: the signal, and how far from the truth its ratio may be."""

    name: str
    signal: Signal
    allowed: float = 0.001


ALL_TOGETHER = Signal(snr_db=25, bits=8, hum=1.0, mismatch=0.05, third=0.05, wow=0.01, drops=3)
CASES = (
    Case("40 dB, 1 MS/s", Signal(snr_db=40)),
    Case("20 dB, 1 MS/s", Signal(snr_db=20)),
    Case("10 dB, 1 MS/s", Signal(snr_db=10)),
    Case("0 dB, 1 MS/s", Signal(snr_db=0)),
    Case("25 dB, 192 kS/s", Signal(snr_db=25, rate_hz=192e3, carrier_hz=0.35 * 192e3)),
    Case("25 dB, 8 bit, hum, mismatch, third harmonic, wow, drop-outs", ALL_TOGETHER, 0.003),
)
CORNER_HZ = 7.0
ENVELOPE_ALLOWED = 0.005
SPEED_ALLOWED = 2e-4


def analyse(made: Made, signal: Signal, *names: str, **setup: float) -> Reading:
    """Return the summary of a made signal, its columns as named."""
    samples = made.columns(*names)
    columns = Columns(**{name: place for place, name in enumerate(names)})
    analyser = Analyser(
        Setup(columns, len(names), signal.rate_hz, 0.5 * signal.rate_hz, **setup), keep_all=True
    )
    for start in range(0, len(samples), CHUNK):
        analyser.push(block_of(samples[start : start + CHUNK], start))
    analyser.finish()
    return analyser.summary()


@dataclass(frozen=True)
class Errors:
    """Errors of the ratio over seeds, by three ways of reading it; and those of the speed."""

    ours: np.ndarray
    graticule: np.ndarray
    hilbert: np.ndarray
    speed: np.ndarray
    bound: float


def errors(case: Case, seeds: range, others: bool = True) -> Errors:
    """Measure one case over seeds.

    Raises
    ------
    ValueError
        When a reading is not valid.
    """
    ours, graticule, by_hilbert, speed = [], [], [], []
    for seed in seeds:
        signal = replace(case.signal, seed=seed)
        made = make(signal)
        reading = analyse(made, signal, "plus", "minus", "index")
        if reading.ratio is None or reading.speed_rpm is None:
            raise ValueError(f"{case.name}, seed {seed}: {[str(why) for why in reading.reasons]}")
        ours.append(reading.ratio.value - made.ratio)
        speed.append(reading.speed_rpm.value / true_speed(made, signal) - 1.0)
        if others:
            differential = made.plus_v - made.minus_v
            graticule.append(highest(np.abs(differential), made, signal) - made.ratio)
            by_hilbert.append(highest(np.abs(hilbert(differential)), made, signal) - made.ratio)
    return Errors(
        *(np.array(each) for each in (ours, graticule, by_hilbert, speed)), made.bound(10)
    )


def true_speed(made: Made, signal: Signal) -> float:
    """Return the mean speed over the whole turns of a capture."""
    edges = np.flatnonzero(np.diff(np.floor(made.turns)) > 0)
    first, last = edges[0], edges[-1]
    turns = round(made.turns[last + 1] - made.turns[first + 1])
    return 60.0 * turns / ((last - first) / signal.rate_hz)


def highest(size: np.ndarray, made: Made, signal: Signal) -> float:
    """Return the ratio of the highest samples of each lobe, averaged over turns."""
    lobe = np.floor(2.0 * (made.turns - signal.centre + 0.25)).astype(int)
    tops = []
    for number in range(lobe[0] + 1, lobe[-1]):
        low, high = np.searchsorted(lobe, [number, number + 1])
        tops.append((number % 2, size[low:high].max()))
    first = np.mean([top for which, top in tops if which == 0])
    second = np.mean([top for which, top in tops if which == 1])
    return float(min(first, second) / max(first, second))


def envelope_errors(seeds: range) -> np.ndarray:
    """Return the ratio's errors of an envelope at 48 kS/s behind a corner of 7 Hz, at 35 dB.

    The high-pass is scipy's filter by the bilinear transform, not the analysis's own formula.
    """
    found = []
    for seed in seeds:
        signal = Signal(rate_hz=48e3, carrier_hz=16e3, seed=seed)
        made = make(signal)
        # x[n] - x[n-1] through 1/(1 + w) and (1 - w)/(1 + w), w = tan(pi f / rate).
        warped = np.tan(np.pi * CORNER_HZ / signal.rate_hz)
        behind = lfilter(
            np.array([1.0, -1.0]) / (1.0 + warped),
            np.array([1.0, -(1.0 - warped) / (1.0 + warped)]),
            np.concatenate([made.envelope_v[:9600]] * 10 + [made.envelope_v]),
        )[96000:]
        sigma = max(made.tops_v) / np.sqrt(2.0) * 10.0 ** (-35.0 / 20.0)
        noise = np.random.default_rng(seed).standard_normal(len(behind)) * sigma
        made = replace(made, envelope_v=behind + noise)
        reading = analyse(
            made, signal, "envelope", "index", low_corner_hz=CORNER_HZ, detector_threshold_v=0.0
        )
        if reading.ratio is None:
            raise ValueError(f"envelope, seed {seed}: {[str(why) for why in reading.reasons]}")
        found.append(reading.ratio.value - made.ratio)
    return np.array(found)


def scatter(snr_db: float, seeds: range) -> float:
    """Return the one-turn ratio's standard deviation over the bound's."""
    signal = Signal(snr_db=snr_db, turns=1.6, centre=0.29)
    case = Case("", signal)
    found = errors(case, seeds, others=False)
    return float(np.std(found.ours)) / make(signal).bound(1)


def report(say: Callable[[str], object], seeds: range = range(20)) -> None:
    """Print the tables."""
    rows = []
    for case in CASES:
        found = errors(case, seeds)
        tolerance = case.allowed + 4.0 * found.bound
        rows.append(
            [
                case.name,
                f"{np.abs(found.ours).max():.5f}",
                f"{tolerance:.5f}",
                f"{np.std(found.ours) / found.bound:.2f}",
                f"{np.abs(found.graticule).max():.4f}",
                f"{np.abs(found.hilbert).max():.4f}",
                f"{100 * np.abs(found.speed).max():.4f} %",
            ]
        )
    worst = np.abs(envelope_errors(seeds)).max()
    rows.append(
        ["envelope, 48 kS/s behind 7 Hz, 35 dB", f"{worst:.5f}", f"{ENVELOPE_ALLOWED:.5f}"]
        + ["–"] * 4
    )
    heads = ["ten turns, ratio 0.85", "worst error", "allowed", "scatter / bound"]
    heads += ["graticule", "Hilbert", "speed, worst"]
    say(table(f"Accuracy over {len(seeds)} seeds", heads, rows))
    levels = (0.0, 10.0, 20.0, 30.0)
    many = range(4 * len(seeds))
    rows = [[f"{level:g} dB", f"{scatter(level, many):.2f}", "1.30"] for level in levels]
    heads = ["one turn, ratio 0.85", "scatter / bound", "allowed"]
    say(table(f"Scatter of the one-turn ratio over {len(many)} seeds", heads, rows))
