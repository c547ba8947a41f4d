"""Tracks of one frequency: amplitude, frequency, modulation, asymmetry."""

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.track.output import output_of
from tests.app.analysis import made_bursts
from tests.app.analysis.made_bursts import min_max_of
from tests.app.analysis.running import RAW, block_of, setup_for

SETUP = setup_for(RAW, made_bursts.RATE_HZ)
CYCLES = [25_000, pytest.param(12_500, marks=pytest.mark.slow)]


def found_in(samples, setup=SETUP, **more):
    return output_of([block_of(samples, **more)], setup)


@pytest.mark.parametrize("cycles", CYCLES)
@pytest.mark.parametrize(("seed", "modulation"), [(1, 0.0), (2, 0.03), (3, 0.3)])
@pytest.mark.few(1)
def test_amplitude_frequency_and_modulation(cycles, seed, modulation):
    found = found_in(made_bursts.written(seed, cycles, modulation, 0.0)).finding
    assert found.amplitude_v.value == pytest.approx(0.4, rel=3e-3)
    assert found.frequency_hz.value == pytest.approx(5.0 * cycles, rel=1e-3)
    # Noise must not pass for modulation, so there is none where none was made.
    assert found.modulation_percent.value == pytest.approx(100 * modulation, abs=0.1)
    apart = abs(found.modulation_percent.value - 100 * modulation)
    assert apart < 3 * found.modulation_percent.u


@pytest.mark.parametrize("cycles", CYCLES)
@pytest.mark.parametrize(("seed", "asymmetry_ns"), [(1, 0.0), (2, 60.0), (3, -250.0)])
@pytest.mark.few(1)
def test_asymmetry_of_the_peaks(cycles, seed, asymmetry_ns):
    found = found_in(made_bursts.written(seed, cycles, 0.05, asymmetry_ns))
    assert found.problem is None
    asymmetry = found.finding.asymmetry_ns
    assert asymmetry.value == pytest.approx(asymmetry_ns, abs=8.0)
    assert abs(asymmetry.value - asymmetry_ns) < 3 * asymmetry.u + 0.5


def test_a_rate_below_four_times_the_frequency_has_no_asymmetry():
    samples = made_bursts.written(4, 25_000, 0.0, 60.0, turns=6.3)[::3]
    found = found_in(np.ascontiguousarray(samples), setup_for(RAW, made_bursts.RATE_HZ / 3))
    assert found.finding.asymmetry_ns is None
    assert found.problem == messages.ASYMMETRY_NEEDS_RATE
    assert found.finding.amplitude_v.value == pytest.approx(0.4, rel=5e-3)


def test_without_an_index_the_turn_is_the_nominal_one():
    samples = made_bursts.written(5, 25_000, 0.1, 0.0, turns=6.3)
    samples[:, 2] = 5.0
    found = found_in(samples).finding
    assert found.modulation_percent.value == pytest.approx(10.0, abs=0.2)


def test_min_max_pairs_have_no_asymmetry_but_a_modulation():
    samples = min_max_of(made_bursts.written(6, 25_000, 0.1, 60.0, snr_db=50.0))
    rate_hz = made_bursts.RATE_HZ / 10
    setup = setup_for(("differential", "index"), rate_hz, bandwidth_hz=0.5e6)
    found = found_in(samples, setup, min_max=True)
    assert found.problem == messages.ASYMMETRY_NEEDS_SIGNAL
    assert found.finding.asymmetry_ns is None
    assert found.finding.frequency_hz is None
    assert found.finding.modulation_percent.value == pytest.approx(10.0, abs=0.5)


@pytest.mark.parametrize("made", [lambda: made_bursts.bursts(7, 210.0, (1.0,) * 8, turns=4.2)])
def test_what_is_not_there_all_round_is_not_a_track(made):
    assert found_in(made()) == messages.NOTHING_WRITTEN


def test_noise_alone_is_nothing_written():
    samples = made_bursts.bursts(8, 210.0, (0.0,), turns=4.2)
    assert found_in(samples) == messages.NOTHING_WRITTEN


def test_cut_tops_are_no_output():
    samples = made_bursts.written(9, 25_000, 0.0, 0.0, turns=2.2)
    assert found_in(samples, clipped=True) == messages.CLIPPED
