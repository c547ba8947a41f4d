"""How fast captures are read and analysed, against plain passes over the same samples."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import hilbert

from app.analysis.envelope.setup import Columns, Setup
from app.analysis.lobes.analyser import Analyser
from app.live.measurement import EnvelopeOptions, measure
from app.profiles import load_profile
from instruments.address import open_address
from instruments.source import Role, SourceRequest
from instruments.virtual import VirtualParams
from instruments.virtual.sampling import simulate
from tests.app.analysis.running import block_of
from tests.benchmarks.tables import table
from tests.synthesis import Signal, make

CHUNK = 1 << 19
RATE_HZ = 2e6
HILBERT_TIMES = 10.0
PASS_TIMES = 2.75
ANALYSIS_MFPS = 100.0
FILE_MFPS = 50.0


@dataclass(frozen=True)
class Rates:
    """Million two-channel frames in a second of a processor, of one run, the best of several."""

    analysis: float
    with_index: float
    from_file: float
    one_pass: float
    hilbert: float
    drive_times_real: float


def measure_rates(turns: float = 50.4, rounds: int = 5) -> Rates:
    """Measure all rates side by side."""
    made = make(Signal(rate_hz=RATE_HZ, turns=turns, snr_db=25))
    phases = made.columns("plus", "minus")
    indexed = made.columns("differential", "index")
    differential = phases[:, 0] - phases[:, 1]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.wav"
        soundfile.write(path, phases, int(RATE_HZ), subtype="FLOAT")
        profile = load_profile("130mm-48tpi")
        roles = (Role.PLUS, Role.MINUS)

        def from_file() -> None:
            source = open_address(str(path), SourceRequest(roles=roles))
            assert measure(source, profile, EnvelopeOptions(), None).reading.valid

        jobs: dict[str, tuple[Callable[[], object], int]] = {
            "analysis": (lambda: _analyse(phases, Columns(plus=0, minus=1)), len(phases)),
            "with_index": (
                lambda: _analyse(indexed, Columns(differential=0, index=1)),
                len(indexed),
            ),
            "from_file": (from_file, len(phases)),
            "one_pass": (lambda: np.abs(phases).max(), len(phases)),
            "hilbert": (lambda: np.abs(hilbert(differential)).max(), len(differential)),
        }
        best = dict.fromkeys(jobs, np.inf)
        # In turn, round by round: a machine that slows down slows all of them.
        for _ in range(rounds):
            for name, (job, _) in jobs.items():
                begun_s = time.process_time()
                job()
                best[name] = min(best[name], time.process_time() - begun_s)
    rates = {name: frames / best[name] / 1e6 for name, (_, frames) in jobs.items()}
    return Rates(**rates, drive_times_real=_drive_times_real())


def _analyse(samples: np.ndarray, columns: Columns) -> None:
    analyser = Analyser(Setup(columns, 2, RATE_HZ, 0.5 * RATE_HZ), keep_all=True)
    for start in range(0, len(samples), CHUNK):
        analyser.push(block_of(samples[start : start + CHUNK], start))
    analyser.finish()
    assert analyser.summary().valid


def _drive_times_real(seconds: float = 1.0) -> float:
    """Return how many seconds of drive at 10 MS/s, two phases and index, come in one."""
    params = VirtualParams(rate=10e6, hum_v=0.1, third_harmonic=0.02, drop_outs=2)
    begun_s = time.perf_counter()
    simulate(params, seconds=seconds)
    return seconds / (time.perf_counter() - begun_s)


def report(say: Callable[[str], object]) -> None:
    """Print the table."""
    rates = measure_rates()
    hilbert_times = rates.analysis / rates.hilbert
    pass_times = rates.one_pass / rates.analysis
    rows = [
        ["analysis, plus and minus", f"{rates.analysis:.0f} M/s", f"{ANALYSIS_MFPS:.0f} M/s"],
        ["analysis, differential and index", f"{rates.with_index:.0f} M/s", ""],
        ["file to reading", f"{rates.from_file:.0f} M/s", f"{FILE_MFPS:.0f} M/s"],
        ["numpy.abs(x).max()", f"{rates.one_pass:.0f} M/s", ""],
        [
            "scipy.signal.hilbert's envelope of the differential alone",
            f"{rates.hilbert:.1f} M/s",
            "",
        ],
        ["analysis over Hilbert's envelope", f"{hilbert_times:.0f} ×", f"{HILBERT_TIMES:.0f} ×"],
        ["numpy.abs(x).max() over analysis", f"{pass_times:.1f} ×", f"at most {PASS_TIMES:g} ×"],
        ["virtual drive at 10 MS/s", f"{rates.drive_times_real:.1f} × real time", "1 ×"],
    ]
    say(
        table(
            "Throughput, two-channel float32 frames on one core", ["what", "rate", "wanted"], rows
        )
    )
