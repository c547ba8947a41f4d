"""The six named cases of accuracy, one capture each; tests/benchmarks prints the table over seeds.

The bound is Cramér and Rao's for each lobe with shape and carrier known and the phase unknown,
var(A) >= 2 sigma² / sum(s²): Kay, Fundamentals of Statistical Signal Processing (from memory).
"""

import numpy as np
import pytest
from scipy.signal import butter, lfilter

from tests.app.analysis.running import RAW, analyse, measured
from tests.synthesis import Signal, make

CASES = {
    "40 dB": (Signal(snr_db=40), 0.001),
    "20 dB": (Signal(snr_db=20), 0.001),
    "10 dB": (Signal(snr_db=10), 0.001),
    "0 dB": (Signal(snr_db=0), 0.001),
    "25 dB at 192 kS/s": (Signal(snr_db=25, rate_hz=192e3, carrier_hz=0.35 * 192e3), 0.001),
    "all at once": (
        Signal(snr_db=25, bits=8, hum=1.0, mismatch=0.05, third=0.05, wow=0.01, drops=3),
        0.003,
    ),
}


def true_speed_rpm(signal, made):
    edges = np.flatnonzero(np.diff(np.floor(made.turns)) > 0)
    return 60.0 * signal.rate_hz * (len(edges) - 1) / (edges[-1] - edges[0])


@pytest.mark.parametrize("case", CASES)
@pytest.mark.few(2)
def test_the_ratio_of_ten_turns_is_within_its_limit_and_the_speed_too(case):
    signal, limit = CASES[case]
    reading, made = measured(signal)
    assert reading.valid
    assert reading.revolutions == 10
    assert abs(reading.ratio.value - made.ratio) < limit + 4.0 * made.bound(10)
    assert reading.speed_rpm.value == pytest.approx(true_speed_rpm(signal, made), rel=2e-4)


def test_an_envelope_behind_a_corner_is_within_its_limit():
    signal = Signal(rate_hz=48e3, carrier_hz=15e3, turns=20.4)
    made = make(signal)
    volts = lfilter(*butter(1, 7.0, "high", fs=48e3), made.envelope_v)
    sigma = max(made.tops_v) / np.sqrt(2.0) * 10.0 ** (-35.0 / 20.0)
    volts = volts + sigma * np.random.default_rng(1).standard_normal(len(volts))
    samples = np.stack([volts, made.index_v], axis=1)[96_000:]
    reading = analyse(
        samples, 48e3, ("envelope", "index"), low_corner_hz=7.0, detector_threshold_v=0.0
    )
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.005)


@pytest.mark.parametrize(
    "snr_db", [0.0, *(pytest.param(each, marks=pytest.mark.slow) for each in (15.0, 30.0))]
)
def test_the_scatter_of_one_turn_is_near_the_bound(snr_db):
    errors = []
    signal = Signal(rate_hz=250e3, carrier_hz=61e3, snr_db=snr_db, turns=1.4)
    for seed in range(40):
        reading, made = measured(Signal(**{**vars(signal), "seed": seed}), RAW)
        if reading.valid:
            errors.append(reading.ratio.value - made.ratio)
    assert len(errors) >= 30
    # At most 1.3 times the bound; 40 values tell their scatter to one part in nine (1 sigma).
    assert np.std(errors, ddof=1) < 1.3 * 1.25 * make(signal).bound(1)
