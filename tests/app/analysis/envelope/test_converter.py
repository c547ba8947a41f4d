"""The steps of a converter: found in its samples, and what they leave uncertain."""

import numpy as np
import pytest
from scipy.special import j1

from app.analysis import messages
from app.analysis.envelope.converter import blurred, extreme_u_v, step_of, tone_u_v, top_u_v
from app.analysis.envelope.peakdetect import MinMaxPath
from app.analysis.envelope.setup import Columns
from tests.app.analysis.running import BRISK, RAW, analyse
from tests.synthesis import Signal, make


def test_the_step_is_found_and_where_there_is_none_none():
    noise = np.random.default_rng(1).standard_normal(20_000)
    assert step_of(np.round(noise / 0.03) * 0.03 + 0.011) == pytest.approx(0.03)
    assert step_of(noise) == 0.0
    assert step_of(np.zeros(100)) == 0.0
    assert step_of(np.full(100, np.nan)) == 0.0


def test_a_rounded_sine_errs_as_its_bessel_series_says():
    # The series: 2/pi times the sum of (-1)^m/m J1(2 pi m A/q); DLMF 10.12.2 gives the expansion.
    codes = np.linspace(8.0, 40.0, 400)
    order = np.arange(1, 400)[:, None]
    error = 2.0 / np.pi * np.sum((-1.0) ** order / order * j1(2 * np.pi * order * codes), axis=0)
    told = np.array([tone_u_v(1.0, each, 0.0) for each in codes])
    # A third of it is averaged over a lobe.
    assert np.sqrt(np.mean((error / told) ** 2)) == pytest.approx(1.5, abs=0.5)


def test_noise_of_half_a_step_blurs_the_steps():
    assert blurred(1.0, 0.0) == 1.0
    # Normal noise of standard deviation s leaves exp(-2 pi² s²/q²): its characteristic function.
    assert blurred(1.0, 0.25) == pytest.approx(np.exp(-(np.pi**2) / 2.0))
    assert tone_u_v(0.0, 1.0, 0.0) == 0.0
    # Rectangular of a step's width: JCGM 100, 4.3.7.
    assert extreme_u_v(1.0) == pytest.approx(0.288675, abs=1e-6)


@pytest.mark.parametrize("codes", [8, 16, 20])
def test_few_codes_without_noise_are_held_by_u(codes):
    pulls = []
    for seed in range(4):
        made = make(Signal(**BRISK, turns=2.4, seed=seed, ratio=0.7 + 0.05 * seed, rpm=299.0))
        samples = made.columns(*RAW).astype(np.float64)
        step_v = max(made.tops_v) / codes
        samples[:, :2] = np.round(samples[:, :2] / step_v + 0.21 * seed) * step_v
        reading = analyse(samples, BRISK["rate_hz"])
        assert messages.CLIPPED not in reading.reasons
        if reading.valid:
            pulls.append(abs(reading.ratio.value - made.ratio) / reading.ratio.u)
    assert max(pulls) < 4.0


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_few_codes_of_groups_sampled_at_few_phases_are_held_by_u(seed):
    # Near a quarter of the rate a level's error of rounding is as large as a quarter of the step.
    signal = Signal(
        rate_hz=100e3,
        carrier_hz=25.31e3,
        geometry="alternating",
        pairs=6,
        turns=3.4,
        ratio=0.94,
        snr_db=43.0,
        seed=seed,
    )
    made = make(signal)
    samples = made.columns(*RAW).astype(np.float64)
    step_v = max(made.tops_v) / 15.0
    samples[:, :2] = step_v * (np.round(samples[:, :2] / step_v + 0.12 * seed) - 0.12 * seed)
    reading = analyse(samples, signal.rate_hz)
    assert abs(reading.ratio.value - made.ratio) < 4.0 * reading.ratio.u


@pytest.mark.parametrize("inputs", [1, 2])
def test_what_rounding_leaves_of_a_pair_grows_with_its_inputs(inputs):
    # Both carry the same amplitude, in opposite phases.
    tops, place = np.random.default_rng(4).uniform(19.0, 21.0, 4000), 0.02
    high, low = (np.round(sign * tops + place) - place for sign in (1.0, -1.0))
    size = 0.5 * inputs * (high - low)
    error = float(np.sqrt(np.mean((size - inputs * tops) ** 2)))
    rows = np.stack([-size, size], axis=1) if inputs == 2 else np.stack([low, high], axis=1)
    path = MinMaxPath(Columns(differential=0), 1000.0, inputs)
    path.push(rows.reshape(-1, 1).astype(np.float32), 0)
    assert path.step_v == pytest.approx(1.0)
    assert path.effects_v(np.zeros(2), (1.0, 1.0))[1, 0] == pytest.approx(error, rel=0.1)


@pytest.mark.parametrize("codes", [8.0, 16.0, 40.0])
@pytest.mark.parametrize("span", [0.4, 0.8])
def test_a_rounded_top_errs_as_far_as_it_falls(codes, span):
    angle = np.linspace(-1.0, 1.0, 161) * 0.5 * np.pi * span
    columns = np.stack([np.ones_like(angle), np.cos(angle) - 1.0, np.sin(angle)], axis=1)
    tops = np.random.default_rng(3).uniform(codes - 0.5, codes + 0.5, 500)
    fitted = np.linalg.pinv(columns) @ np.round(np.cos(angle)[:, None] * tops)
    error = float(np.sqrt(np.mean((fitted[0] - tops) ** 2)))
    fall = codes * (1.0 - np.cos(0.5 * np.pi * span))
    assert top_u_v(1.0, fall) == pytest.approx(error, rel=0.25)


@pytest.mark.parametrize("ratio", [0.8, 0.83, 0.985])
@pytest.mark.parametrize("place", [0.0, 0.3])
def test_the_steps_of_an_envelope_are_in_the_u_of_round_lobes(place, ratio):
    made = make(Signal(rate_hz=16e3, carrier_hz=4e3, turns=6.4, ratio=ratio))
    samples = made.columns("envelope", "index").astype(np.float64)
    top_v = max(made.tops_v)
    step_v = top_v / 16.5
    samples[:, 0] += 0.005 * top_v * np.random.default_rng(1).standard_normal(len(samples))
    samples[:, 0] = step_v * (np.round(samples[:, 0] / step_v + place) - place)
    stated = {"low_corner_hz": 0.0, "detector_threshold_v": 0.0}
    reading = analyse(samples, 16e3, ("envelope", "index"), **stated)
    assert abs(reading.ratio.value - made.ratio) < 3.0 * reading.ratio.u
