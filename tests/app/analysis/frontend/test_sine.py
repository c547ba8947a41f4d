"""Sine fits and effective bits, against scipy's and the closed form of an ideal converter."""

import numpy as np
import pytest
from scipy.optimize import curve_fit

from app.analysis.frontend.sine import effective_bits, fit_at, fit_near, strongest

RATE_HZ = 48_000.0


def sampled(amplitude, hz, phase, offset, noise=0.0, count=8192, seed=1):
    place = np.arange(count)
    clean = offset + amplitude * np.cos(2 * np.pi * hz / RATE_HZ * place + phase)
    return clean + noise * np.random.default_rng(seed).standard_normal(count)


def test_the_fits_agree_with_curve_fit():
    values = sampled(0.7, 997.3, 0.4, 0.05, noise=0.02)

    def model(place, amplitude, cycles, phase, offset):
        return offset + amplitude * np.cos(2 * np.pi * cycles * place + phase)

    place = np.arange(len(values), dtype=float)
    (amplitude, cycles, phase, offset), _ = curve_fit(
        model, place, values, p0=(0.7, 997.3 / RATE_HZ, 0.4, 0.0), xtol=1e-12, ftol=1e-12
    )
    ours = fit_near(values, strongest(values, 0.0))
    assert ours.cycles == pytest.approx(cycles, abs=1e-10)
    assert ours.amplitude == pytest.approx(amplitude, rel=1e-6)
    assert np.angle(ours.phasor) == pytest.approx(phase, abs=1e-5)
    assert ours.offset == pytest.approx(offset, abs=1e-7)
    left = np.std(values - model(place, amplitude, cycles, phase, offset))
    assert ours.residual == pytest.approx(left, rel=1e-6)
    # The frequency stated: the linear fit has the same answer at the same frequency.
    assert fit_at(values, cycles).amplitude == pytest.approx(amplitude, rel=1e-6)


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_an_ideal_converter_has_its_own_bits(bits):
    """6.02·N + 1.76 dB of a full-scale sine: the closed form (IEEE 1057, from memory)."""
    step = 2.0 / 2**bits
    values = np.round(sampled((1 - step), 997.3, 0.3, 0.0, count=65536) / step) * step
    found = fit_near(values, 997.3 / RATE_HZ)
    assert effective_bits(found.residual, 2.0) == pytest.approx(bits, abs=0.02)
    ratio_db = 20 * np.log10(found.amplitude / np.sqrt(2) / found.residual)
    assert ratio_db == pytest.approx(6.02 * bits + 1.76, abs=0.15)


def test_a_frequency_half_a_bin_off_is_found():
    values = sampled(0.2, 5000.0 + RATE_HZ / 8192 / 2, 1.0, 0.0)
    assert fit_near(values, strongest(values, 0.0)).residual < 1e-9


def test_the_strongest_line_is_looked_for_between_bounds():
    values = sampled(1.0, 50.0, 0.0, 0.0) + sampled(0.01, 9000.0, 0.0, 0.0)
    assert strongest(values, 0.0) * RATE_HZ == pytest.approx(50.0, abs=3.0)
    assert strongest(values, 0.1) * RATE_HZ == pytest.approx(9000.0, abs=1.0)
