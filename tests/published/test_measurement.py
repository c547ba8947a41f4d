"""Published formulas and figures of measurement, against the analysis or the reference library."""

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.signal import hilbert
from scipy.stats import t as student

from app.analysis.envelope.carrier import Demodulator
from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.envelope.setup import Columns
from app.analysis.results import Verdict
from app.analysis.uncertainty import judge_within, scatter_u, t_factor
from tests.app.analysis.running import RAW, analyse
from tests.synthesis import Signal, make

RATE_HZ = 250e3


def envelope_of(wave, carrier_hz):
    demodulator = Demodulator(Columns(differential=0), 1, RATE_HZ, carrier_hz)
    series = EnvelopeSeries(demodulator.frames_a_bin)
    for bins in (*demodulator.push(wave[:, None].astype(np.float32), 0), *demodulator.flush()):
        series.append(bins)
    return series


def test_the_bound_on_a_sine_amplitude_is_reached():
    # Kay; Rife and Boorstyn (from memory): var(A) >= 2 sigma²/N with the frequency known.
    # N = 1000 and sigma = 0.1 give 0.004472.
    assert np.sqrt(2.0 * 0.1**2 / 1000) == pytest.approx(0.004472, abs=1e-6)
    time = np.arange(1000)
    rng = np.random.default_rng(1)
    design = np.stack([np.cos(0.7 * time), np.sin(0.7 * time), np.ones(1000)], axis=1)
    waves = np.sin(0.7 * time + 0.4)[:, None] + 0.1 * rng.standard_normal((1000, 4000))
    found = np.linalg.lstsq(design, waves, rcond=None)[0]
    amplitudes = np.hypot(found[0], found[1])
    # 4000 trials tell a standard deviation to one part in 90.
    assert amplitudes.std() == pytest.approx(0.004472, rel=0.04)


def test_a_bin_of_the_envelope_reaches_the_bound():
    sigma = 0.1
    time = np.arange(200_000) / RATE_HZ
    noise = sigma * np.random.default_rng(2).standard_normal(len(time))
    series = envelope_of(np.sin(2.0 * np.pi * 61e3 * time) + noise, 61e3)
    bound = sigma * np.sqrt(2.0 / series.frames_a_bin)
    assert 0.9 < np.std(series.amplitude_v) / bound < 1.12


def test_a_sine_fit_finds_what_the_standard_asks():
    # IEEE 1057: least squares on cosine, sine and 1. 5 + 3 sin at 4 Hz, 1000 points of 1 ms.
    time = np.arange(1000) * 1e-3
    data = 5.0 + 3.0 * np.sin(2.0 * np.pi * 4.0 * time)
    angle = 2.0 * np.pi * 4.0 * time
    design = np.stack([np.cos(angle), np.sin(angle), np.ones(1000)], axis=1)
    (a, b, c), residual, _, _ = np.linalg.lstsq(design, data, rcond=None)
    assert np.hypot(a, b) == pytest.approx(3.0, abs=1e-9)
    assert c == pytest.approx(5.0, abs=1e-9)
    assert float(residual.sum()) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("snr_db", [40.0, 15.0])
def test_the_envelope_is_that_of_scipy_curve_fit(snr_db):
    # The four-parameter sine fit of IEEE 1057 by scipy.optimize.curve_fit over each bin.
    time = np.arange(25_000) / RATE_HZ
    sigma = 0.4 / np.sqrt(2.0) * 10.0 ** (-snr_db / 20.0)
    rng = np.random.default_rng(3)
    wave = 0.4 * np.sin(2.0 * np.pi * 61.1e3 * time) + 0.1 + sigma * rng.standard_normal(len(time))
    series = envelope_of(wave, 61e3)
    size = series.frames_a_bin
    worst = 0.0
    for number in range(20, 40, 2):
        part = slice(number * size, (number + 1) * size)

        def sine(t, amplitude, phase, level, frequency):
            return amplitude * np.sin(2.0 * np.pi * frequency * t + phase) + level

        start = time[part][0]
        guess = (0.4, 2.0 * np.pi * 61.1e3 * start, 0.1, 61.1e3)
        found, _ = curve_fit(sine, time[part] - start, wave[part], p0=guess)
        worst = max(worst, abs(abs(found[0]) - series.amplitude_v[number]))
    assert worst < 0.003 + 1.0 * sigma * np.sqrt(2.0 / size)


def test_the_heights_are_those_of_scipy_hilbert_where_there_is_no_noise():
    signal = Signal(rate_hz=RATE_HZ, carrier_hz=61e3, snr_db=60, turns=3.4)
    made = make(signal)
    reading = analyse(made.columns(*RAW), RATE_HZ)
    size = np.abs(hilbert(made.plus_v - made.minus_v))
    place = made.turns % 1.0
    whole = (made.turns >= 0.0) & (made.turns < 3.0)
    for found, centre in ((reading.first_v, 0.25), (reading.second_v, 0.75)):
        near = whole & (np.abs(place - centre) < 0.002)
        assert found.value == pytest.approx(size[near].mean(), rel=0.005)


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_quantisation_noise_is_602_n_plus_176_db_below_a_full_sine(bits):
    # IEEE 1241: 6.02 N + 1.76 dB: 49.9, 74.0 and 98.1.
    published = {8: 49.9, 12: 74.0, 16: 98.1}[bits]
    assert 6.02 * bits + 1.76 == pytest.approx(published, abs=0.06)
    time = np.arange(1 << 18)
    sine = np.sin(2.0 * np.pi * np.sqrt(0.015) * time)
    step = 2.0 / (1 << bits)
    rest = np.round(sine / step) * step - sine
    assert 10.0 * np.log10(np.mean(sine**2) / np.mean(rest**2)) == pytest.approx(published, abs=0.2)


def test_the_snr_of_an_8_bit_capture_is_that_of_its_quantisation():
    # Full scale of each phase is 1.05 times its peak: 20 log 1.05 = 0.42 dB below full. The phases
    # mirror each other, and so do their rounding errors: plus - minus gains nothing.
    made = make(Signal(rate_hz=RATE_HZ, carrier_hz=61.37e3, turns=3.4, bits=8))
    reading = analyse(made.columns(*RAW), RATE_HZ)
    assert reading.valid
    assert reading.snr_db == pytest.approx(49.9 - 0.42, abs=1.5)


def test_t_is_that_of_the_table_and_of_scipy():
    # JCGM 100, table G.2, 95 %: 12.71, 4.30, 3.18, 2.78, 2.57 ... 2.23 at 10, 2.09 at 20.
    published = {1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 10: 2.23, 20: 2.09, 50: 2.01}
    for freedom, value in published.items():
        assert t_factor(freedom) == pytest.approx(value, abs=0.006)
    for freedom in range(1, 200):
        exact = student.ppf(0.975, freedom)
        assert t_factor(freedom) == pytest.approx(exact, rel=4e-3)


def test_the_scatter_of_stable_numbers_is_that_of_nist():
    # NIST StRD NumAcc1: mean 10000002, standard deviation 1 of three numbers.
    values = np.array([10000001.0, 10000003.0, 10000002.0])
    assert values.mean() == 10000002.0
    expected = 1.0 / np.sqrt(3.0) * student.ppf(0.975, 2) / 2.0
    assert scatter_u(values) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("limit", [0.15, 0.30])
def test_acceptance_and_rejection_are_guarded(limit):
    # JCGM 106, 8.3: guarded acceptance and guarded rejection with w = U = 2u. Just within either
    # guard band nothing is decided, just beyond it something is.
    u, hair = 0.01, 1e-9
    for value, verdict in (
        (limit - 2.0 * u - hair, Verdict.PASS),
        (limit - 2.0 * u + hair, Verdict.UNDECIDED),
        (limit, Verdict.UNDECIDED),
        (limit + 2.0 * u - hair, Verdict.UNDECIDED),
        (limit + 2.0 * u + hair, Verdict.FAIL),
    ):
        assert judge_within(value, 2.0 * u, high=limit) is verdict


@pytest.mark.parametrize(
    ("ratio", "set_limit", "check_limit"),
    # Common practice: a set disk within 15 %, a checked one within 30 %.
    [
        (0.90, Verdict.PASS, Verdict.PASS),
        (0.78, Verdict.FAIL, Verdict.PASS),
        (0.60, Verdict.FAIL, Verdict.FAIL),
        (0.8499, Verdict.UNDECIDED, Verdict.PASS),
        (0.70, Verdict.FAIL, Verdict.UNDECIDED),
    ],
)
def test_a_capture_is_judged_by_both_limits(ratio, set_limit, check_limit):
    made = make(Signal(rate_hz=RATE_HZ, carrier_hz=61e3, ratio=ratio, snr_db=35, turns=3.4))
    reading = analyse(made.columns(*RAW), RATE_HZ)
    assert reading.set_limit is set_limit
    assert reading.check_limit is check_limit


def test_line_levels():
    # Audio references: -10 dBV is 0.3162 V, +4 dBu is 1.228 V; 2 V is 16.02 dB over the former.
    decibels = {0.3162: (1.0, -10.0), 1.228: (np.sqrt(0.6), 4.0), 2.0: (0.3162, 16.02)}
    for volts, (reference_v, level_db) in decibels.items():
        assert reference_v * 10.0 ** (level_db / 20.0) == pytest.approx(volts, rel=5e-4)
