"""The envelope of raw samples, held against scipy's and against the signal's own formula."""

import numpy as np
import pytest
from scipy.signal import hilbert

from app.analysis import messages
from app.analysis.envelope.carrier import Demodulator
from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.envelope.setup import Columns
from tests.app.analysis.running import BRISK, RAW, analyse, measured
from tests.synthesis import Signal, make

RATE_HZ, CARRIER_HZ = 400e3, 97e3


def envelope_of(samples, names, chunk=50_000, first=0, carrier_hz=CARRIER_HZ, live=True):
    columns = Columns(**{name: place for place, name in enumerate(names)})
    demodulator = Demodulator(columns, len(names), RATE_HZ, carrier_hz, live=live)
    series = EnvelopeSeries(demodulator.frames_a_bin)
    samples = np.ascontiguousarray(samples, dtype=np.float32)
    for start in range(0, len(samples), chunk):
        for bins in demodulator.push(samples[start : start + chunk], first + start):
            series.append(bins)
    for bins in demodulator.flush():
        series.append(bins)
    return demodulator, series


def at_bins(values, series, first=0):
    """Return the mean of a sampled truth over each bin."""
    size = series.frames_a_bin
    starts = (np.arange(series.first, series.end)) * size - first
    return np.array([values[start : start + size].mean() for start in starts])


@pytest.mark.parametrize("geometry", ["two-band", "boundary", "bell", "alternating"])
def test_the_envelope_is_that_of_the_formula(geometry):
    made = make(Signal(geometry=geometry, rate_hz=RATE_HZ, carrier_hz=CARRIER_HZ, turns=1.5))
    _, series = envelope_of(made.columns("plus", "minus"), ("plus", "minus"))
    truth = at_bins(made.envelope_v, series)
    steady = np.abs(np.gradient(truth)) < 0.01
    assert np.abs(series.amplitude_v - truth)[steady].max() < 0.002


def test_the_envelope_is_that_of_scipy_hilbert():
    made = make(Signal(rate_hz=RATE_HZ, carrier_hz=CARRIER_HZ, turns=1.5, snr_db=40))
    differential = made.plus_v - made.minus_v
    _, series = envelope_of(differential[:, None], ("differential",))
    # scipy.signal.hilbert: the analytic signal's size, independent of ours.
    theirs = at_bins(np.abs(hilbert(differential)), series)
    inside = slice(20, -20)
    assert np.abs(series.amplitude_v - theirs)[inside].max() < 0.01
    lobes = theirs > 0.1
    assert np.abs(series.amplitude_v - theirs)[lobes].mean() < 0.001


@pytest.mark.parametrize("off", [-0.03, -0.01, 0.01, 0.03])
def test_a_carrier_a_few_per_cent_off_is_followed_and_its_loss_made_good(off):
    time = np.arange(80_000) / RATE_HZ
    wave = 0.5 * np.sin(2.0 * np.pi * CARRIER_HZ * time)
    _, series = envelope_of(wave[:, None], ("differential",), carrier_hz=CARRIER_HZ * (1.0 + off))
    inside = slice(20, -20)
    assert np.abs(series.amplitude_v[inside] - 0.5).max() < 0.005
    assert np.abs(series.carrier_hz[inside] - CARRIER_HZ).max() < 5.0


@pytest.mark.parametrize("carrier_hz", [25e3, 97e3, 100e3, 127e3])
@pytest.mark.parametrize("off", [-0.015, 0.015])
def test_a_lobe_is_as_high_whether_the_disk_is_fast_or_slow_under_it(carrier_hz, off):
    time = np.arange(80_000) / RATE_HZ
    wave = np.cos(2.0 * np.pi * carrier_hz * (1.0 + off) * time + 0.3)
    _, series = envelope_of(wave[:, None], ("differential",), carrier_hz=carrier_hz)
    # The formula's own amplitude is 1; half a ten-thousandth is what a balance may be off by.
    assert series.amplitude_v[20:-20].mean() == pytest.approx(1.0, abs=5e-5)


def test_chunks_of_any_size_give_the_same_bins():
    made = make(Signal(rate_hz=RATE_HZ, carrier_hz=CARRIER_HZ, turns=0.6, snr_db=20))
    samples = made.columns("plus", "minus")
    _, whole = envelope_of(samples, ("plus", "minus"), chunk=10**9)
    for chunk in (61, 1000, 4096):
        _, series = envelope_of(samples, ("plus", "minus"), chunk=chunk)
        assert (series.first, series.end) == (whole.first, whole.end)
        assert np.allclose(series.amplitude_v, whole.amplitude_v, atol=0.004)


def test_where_the_frames_begin_does_not_matter():
    made = make(Signal(rate_hz=RATE_HZ, carrier_hz=CARRIER_HZ, turns=0.6))
    samples = made.columns("plus", "minus")
    for first in (1, 12_345):
        _, series = envelope_of(samples, ("plus", "minus"), first=first)
        truth = at_bins(made.envelope_v, series, first)
        assert np.abs(series.amplitude_v - truth).max() < 0.01


@pytest.mark.parametrize("snr_db", [0.0, 10.0, 30.0])
def test_the_power_is_free_of_the_noise_and_sigma_is_its_scatter(snr_db):
    frames = 400_000
    rng = np.random.default_rng(3)
    sigma = 0.5 / np.sqrt(2.0) * 10.0 ** (-snr_db / 20.0)
    time = np.arange(frames) / RATE_HZ
    wave = 0.5 * np.sin(2.0 * np.pi * CARRIER_HZ * time) + sigma * rng.standard_normal(frames)
    demodulator, series = envelope_of(wave[:, None], ("differential",))
    bins = series.power_v2.size
    assert demodulator.noise_v2 == pytest.approx(sigma**2, rel=0.1)
    scatter = float(np.std(series.power_v2))
    assert abs(series.power_v2.mean() - 0.25) < 4.0 * scatter / np.sqrt(bins)
    # Kay (from memory): var(A) >= 2 sigma^2 / N for a known frequency; the scatter of a bin.
    bound = sigma * np.sqrt(2.0 / series.frames_a_bin)
    assert series.sigma_v.mean() == pytest.approx(bound, rel=0.1)
    assert np.std(series.amplitude_v) == pytest.approx(bound, rel=0.15)


def test_of_noise_alone_little_is_left():
    # The local carrier follows the noise a little: what is left must be less than half of it.
    noise = 0.1 * np.random.default_rng(4).standard_normal((400_000, 1))
    _, series = envelope_of(noise, ("differential",))
    both_quadratures = 4.0 * 0.1**2 / series.frames_a_bin
    assert abs(series.power_v2.mean()) < 0.5 * both_quadratures


def test_plus_minus_and_differential_say_the_same():
    made = make(Signal(rate_hz=RATE_HZ, carrier_hz=CARRIER_HZ, turns=4.4, snr_db=30))
    both = analyse(made.columns("plus", "minus", "index"), RATE_HZ)
    swapped = analyse(made.columns("minus", "plus", "index"), RATE_HZ, ("plus", "minus", "index"))
    one = analyse(made.columns("differential", "index"), RATE_HZ, ("differential", "index"))
    for reading in (both, swapped, one):
        assert reading.balance.value == pytest.approx(made.balance, abs=0.001)
        assert reading.first_v.value == pytest.approx(made.tops_v[0], rel=0.003)


@pytest.mark.parametrize("hum", [0.3, 1.0, 3.0])
def test_hum_as_large_as_the_signal_and_a_mismatch_do_not_matter(hum):
    signal = Signal(
        rate_hz=RATE_HZ, carrier_hz=CARRIER_HZ, turns=4.4, snr_db=30, hum=hum, mismatch=0.05
    )
    reading, made = measured(signal)
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.001 + 4.0 * made.bound(4))


@pytest.mark.parametrize("snr_db", [0.0, 20.0, 40.0])
def test_the_snr_is_told_as_it_is_defined(snr_db):
    signal = Signal(rate_hz=RATE_HZ, carrier_hz=CARRIER_HZ, turns=4.4, snr_db=snr_db)
    reading, _ = measured(signal)
    assert reading.snr_db == pytest.approx(snr_db, abs=0.5)


@pytest.mark.parametrize("snr_db", [None, 10.0])
def test_a_dead_phase_is_said(snr_db):
    signal = Signal(**BRISK, turns=3.4, snr_db=snr_db)
    for dead in (0, 1):
        made = make(signal)
        samples = made.columns(*RAW)
        samples[:, dead] = 0.001 * np.random.default_rng(1).standard_normal(len(samples))
        assert messages.DEAD_PHASE in analyse(samples, BRISK["rate_hz"]).notes
    assert messages.DEAD_PHASE not in measured(signal)[0].notes


def test_a_dead_phase_is_said_of_a_short_capture_at_a_low_rate():
    signal = Signal(rate_hz=100e3, carrier_hz=25e3, turns=3.4, snr_db=20.0)
    samples = make(signal).columns(*RAW)
    assert messages.DEAD_PHASE not in analyse(samples, signal.rate_hz, carrier_hz=25e3).notes
    samples[:, 1] = 0.001 * np.random.default_rng(1).standard_normal(len(samples))
    assert messages.DEAD_PHASE in analyse(samples, signal.rate_hz, carrier_hz=25e3).notes


@pytest.mark.parametrize("part", [0.01, 0.1])
def test_both_probes_on_one_point_are_said(part):
    """What is left of such a difference is no signal, whatever it looks like."""
    signal = Signal(**BRISK, turns=3.4, snr_db=30.0)
    samples = make(signal).columns(*RAW)
    noise_v = 1e-4 * np.random.default_rng(1).standard_normal(len(samples))
    samples[:, 1] = (1.0 + part) * samples[:, 0] + noise_v
    reading = analyse(samples, BRISK["rate_hz"])
    assert reading.reasons == (messages.PHASES_ALIKE,)
    assert messages.INDEX_SILENT not in reading.notes
    assert reading.ratio is None


def test_a_low_carrier_in_noise_keeps_more_of_its_power_where_nobody_waits_for_it():
    amplitude_v, sigma_v = 0.06, 0.25
    time = np.arange(400_000) / RATE_HZ
    wave = amplitude_v * np.sin(2.0 * np.pi * CARRIER_HZ * time)
    wave += sigma_v * np.random.default_rng(1).standard_normal(len(time))
    bias = {}
    for live in (True, False):
        _, series = envelope_of(wave[:, None], ("differential",), live=live)
        bias[live] = np.mean(series.power_v2) / amplitude_v**2 - 1.0
        # Standard deviation of that mean by its own scatter.
        assert np.std(series.power_v2) / np.sqrt(len(series.power_v2)) < 0.02 * amplitude_v**2
    assert bias[True] < -0.08
    assert 0.6 * bias[True] < bias[False] < 0.04


def test_noise_that_has_gone_is_no_noise_of_what_comes_behind_it():
    made = make(Signal(rate_hz=RATE_HZ, carrier_hz=CARRIER_HZ, turns=3.0, snr_db=40))
    samples = made.columns("plus", "minus").astype(np.float64)
    quiet, _ = envelope_of(samples, ("plus", "minus"), chunk=8000)
    noisy = slice(round(0.2 * RATE_HZ), round(0.4 * RATE_HZ))
    random = np.random.default_rng(1)
    samples[noisy] = random.uniform(-1.0, 1.0, samples[noisy].shape)
    during, _ = envelope_of(samples[: noisy.stop], ("plus", "minus"), chunk=8000)
    behind, _ = envelope_of(samples, ("plus", "minus"), chunk=8000)
    # White noise of ±1 V has a variance of a third of a volt squared, in either phase.
    assert during.noise_v2 == pytest.approx(2.0 / 3.0, rel=0.1)
    assert behind.noise_v2 == pytest.approx(quiet.noise_v2, rel=0.1)
