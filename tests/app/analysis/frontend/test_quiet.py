"""Offset, noise, hum and steps of an input that carries nothing, put in and found again."""

import numpy as np
import pytest

from app.analysis.frontend.quiet import common_hum, quiet_channel

RATE_HZ = 48_000.0
TIMES_S = np.arange(round(3.0 * RATE_HZ)) / RATE_HZ


def noise(rms_v, seed=1):
    return rms_v * np.random.default_rng(seed).standard_normal(len(TIMES_S))


def hum(peak_v, hz, harmonics=(1.0, 0.0, 0.3)):
    return peak_v * sum(
        part * np.sin(2 * np.pi * hz * (n + 1) * TIMES_S + n) for n, part in enumerate(harmonics)
    )


@pytest.mark.parametrize(("mains", "true_hz"), [(50.0, 50.05), (60.0, 59.96)])
def test_each_part_is_found_beside_the_others(mains, true_hz):
    found = quiet_channel([noise(1e-3) + hum(2e-3, true_hz) + 0.01], RATE_HZ)
    assert found.noise_v == pytest.approx(1e-3, rel=0.02)
    assert found.offset_v == pytest.approx(0.01, abs=2e-5)
    # Root mean square of a sine and its third harmonic: Parseval.
    assert found.hum_v == pytest.approx(2e-3 * np.sqrt((1 + 0.09) / 2), rel=0.02)
    assert found.hum_hz == mains
    assert not found.busy


@pytest.mark.parametrize(
    "values_v",
    [noise(1e-3)[:1000], np.full(2000, 0.5)],
)
@pytest.mark.parametrize("rate_hz", [RATE_HZ, 100.0])
def test_where_no_mains_can_be_told_none_is(values_v, rate_hz):
    """Less than its cycles, or no more samples a second than it has half waves."""
    found = quiet_channel([values_v], rate_hz)
    assert (found.hum_v, found.hum_hz) == (0.0, 0.0)
    assert found.noise_v == pytest.approx(values_v.std())


def test_noise_alone_has_no_hum():
    for seed in range(20):
        found = quiet_channel([noise(1e-3, seed)], RATE_HZ)
        assert found.hum_v < 3e-5
        assert not found.busy


def test_steps_show_and_are_no_signal():
    step = 2.0 / 2**16
    found = quiet_channel([np.round((noise(0.4 * step) + 0.01) / step) * step], RATE_HZ)
    assert found.step_v == pytest.approx(step)
    assert not found.busy
    # Rounding adds a twelfth of a step's square to what is there (Sheppard).
    assert found.noise_v == pytest.approx(step * np.sqrt(0.16 + 1 / 12), rel=0.05)


def test_two_codes_that_seldom_change_are_no_signal():
    step = 2.0 / 2**14
    found = quiet_channel([np.round(noise(0.13 * step) / step + 0.1) * step], RATE_HZ)
    assert found.step_v == pytest.approx(step)
    assert not found.busy


def test_rounded_hum_alone_is_no_signal():
    step = 2.0 / 2**12
    found = quiet_channel([np.round(hum(0.01, 50.0, (1.0,)) / step) * step], RATE_HZ)
    assert not found.busy
    assert found.hum_v == pytest.approx(0.01 / np.sqrt(2), rel=0.01)


def test_a_signal_is_told_from_noise():
    lobes = np.abs(np.cos(2 * np.pi * 5.0 * TIMES_S)) * np.sin(2 * np.pi * 9000.0 * TIMES_S)
    tone = np.sin(2 * np.pi * 2500.0 * TIMES_S)
    assert quiet_channel([noise(1e-3) + 0.01 * lobes], RATE_HZ).busy
    assert quiet_channel([noise(1e-3) + 2e-3 * tone], RATE_HZ).busy
    assert not quiet_channel([noise(1e-3) + 1e-4 * tone], RATE_HZ).busy


def test_too_little_tells_nothing():
    assert quiet_channel([np.zeros(100)], RATE_HZ) is None
    assert quiet_channel([np.full(5000, np.nan)], RATE_HZ) is None


def test_a_common_hum_tells_match_and_rejection():
    plus = hum(0.01, 50.0, (1.0,)) + noise(1e-4, 1)
    minus = 0.97 * hum(0.01, 50.0, (1.0,)) + noise(1e-4, 2)
    found = common_hum(plus, minus, RATE_HZ, 50.0)
    assert found.match == pytest.approx(0.97, abs=0.001)
    assert found.rejection_db == pytest.approx(20 * np.log10(0.985 / 0.03), abs=0.3)
    assert common_hum(noise(1e-3, 1), noise(1e-3, 2), RATE_HZ, 50.0) is None
    assert common_hum(plus, minus, RATE_HZ, 0.0) is None
