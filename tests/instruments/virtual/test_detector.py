"""The detector's law, and the coupling against scipy's simulation of the same network."""

import numpy as np
import pytest
from scipy import signal

from instruments.virtual.electronics import Coupling, detect


def test_an_ideal_detector_gives_the_amplitude():
    assert detect(np.array([-0.4, 0.0, 0.3]), 0.0) == pytest.approx([0.4, 0.0, 0.3])


def test_a_detector_with_a_threshold_gives_what_is_above_it():
    assert detect(np.array([-0.4, 0.05, 0.3]), 0.1) == pytest.approx([0.3, 0.0, 0.2])


@pytest.mark.parametrize("corner_hz", [0.1, 7.0, 500.0])
def test_the_coupling_is_the_networks_response(corner_hz):
    # Reference: scipy.signal.lsim of s/(s + w), exact for inputs straight between samples.
    interval_s = 1 / 48000
    times_s = np.arange(20000) * interval_s
    volts = np.sin(2 * np.pi * 5 * times_s) ** 2 + 0.1 * np.sin(2 * np.pi * 900 * times_s)
    _, expected, _ = signal.lsim(([1.0, 0.0], [1.0, 2 * np.pi * corner_hz]), volts, times_s)
    coupling = Coupling(corner_hz, interval_s)
    coupling.state_v = (0.0, volts[0])
    assert np.abs(coupling.passed(volts) - expected).max() < 1e-8


def test_at_its_corner_the_coupling_takes_3_db():
    coupling = Coupling(7.0, 1e-4)
    times_s = np.arange(40000) * 1e-4
    settled = coupling.passed(np.sin(2 * np.pi * 7 * times_s))[20000:]
    assert settled.max() == pytest.approx(0.5**0.5, rel=1e-3)


def test_pieces_join_without_a_seam():
    volts = np.random.default_rng(1).standard_normal(5000)
    whole = Coupling(20.0, 1e-4).passed(volts)
    coupling = Coupling(20.0, 1e-4)
    pieces = [coupling.passed(part) for part in np.array_split(volts, [1, 2, 700, 4999])]
    assert np.abs(np.concatenate(pieces) - whole).max() < 1e-12


def test_run_in_long_enough_on_a_steady_input_nothing_comes_through():
    coupling = Coupling(7.0, 1 / 48000)
    coupling.run_in(np.full(10, 0.4), 1e-4)
    assert coupling.passed(np.full(100, 0.4)) == pytest.approx(0.0, abs=1e-12)
