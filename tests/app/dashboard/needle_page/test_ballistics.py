"""The needle's movement against the textbook's second-order response and scipy's."""

import math

import numpy as np
import pytest
from scipy import signal

from app.dashboard.needle_page.meter import Ballistics, damping_for


def run(needle, times_s, target=1.0):
    steps = np.diff(times_s, prepend=0.0)
    return np.array([needle.step(target, dt) for dt in steps])


@pytest.mark.parametrize(
    ("damping", "overshoot"),
    # Overshoot of a second-order step response, exp(−πζ/√(1 − ζ²)): the tabulated textbook
    # values, e.g. K. Ogata, Modern Control Engineering, transient response analysis (from memory).
    [(0.4, 0.2538), (0.5, 0.1630), (0.6, 0.0948), (0.7, 0.0460), (0.8, 0.0152)],
)
def test_damping_from_overshoot(damping, overshoot):
    assert damping_for(overshoot) == pytest.approx(damping, abs=0.001)


@pytest.mark.parametrize("overshoot", [0.02, 0.05, 0.10, 0.20])
def test_overshoot_and_rise_are_as_asked(overshoot):
    times = np.linspace(0, 0.3, 30001)
    heights = run(Ballistics(overshoot, rise_s=0.03), times)
    assert heights.max() - 1 == pytest.approx(overshoot, abs=1e-4)
    assert times[np.argmax(heights >= 0.9)] == pytest.approx(0.03, abs=2e-5)


def test_step_response_against_scipy():
    needle = Ballistics()
    damping, omega = needle._damping, needle._omega
    system = ([omega**2], [1, 2 * damping * omega, omega**2])
    times = np.linspace(0, 0.2, 201)
    _, expected = signal.step(system, T=times)
    np.testing.assert_allclose(run(needle, times), expected, atol=1e-9)


def test_moving_target_against_scipy_zero_order_hold():
    needle = Ballistics()
    damping, omega = needle._damping, needle._omega
    targets = np.random.default_rng(7).uniform(-1, 1, 200)
    space = signal.tf2ss([omega**2], [1, 2 * damping * omega, omega**2])
    held = signal.cont2discrete(space, dt=0.016, method="zoh")
    # The needle's position after each step is the held system's output one sample later.
    _, expected, _ = signal.dlsim(held, np.append(targets, 0.0))
    got = [needle.step(target, 0.016) for target in targets]
    np.testing.assert_allclose(got, expected[1:, 0], atol=1e-9)


def test_same_path_in_any_number_of_frames():
    coarse, fine = Ballistics(), Ballistics()
    for _ in range(10):
        coarse.step(0.8, 0.016)
    for _ in range(160):
        fine.step(0.8, 0.001)
    assert coarse.position == pytest.approx(fine.position, abs=1e-12)


def test_default_movement_keeps_the_bounds():
    # Bounds of the instrument: at most 20 % beyond the reading; 90 % of a step 60 ms after it,
    # one frame of 16 ms and its painting included.
    times = np.linspace(0, 0.5, 50001)
    heights = run(Ballistics(), times)
    assert heights.max() <= 1.20
    assert times[np.argmax(heights >= 0.9)] <= 0.060 - 0.016 - 0.008


def test_default_movement_overshoots_by_a_twentieth():
    # A damping of 0.69 overshoots by exp(−πζ/√(1 − ζ²)) = 5.0 %, the closed form of a second-order
    # step's first peak. IEC 60051-1 allows the pointer of a moving-coil instrument 20 % (from
    # memory).
    damping = 0.69
    overshoot = math.exp(-math.pi * damping / math.sqrt(1.0 - damping**2))
    heights = run(Ballistics(), np.linspace(0, 0.5, 50001))
    assert heights.max() - 1.0 == pytest.approx(overshoot, abs=1e-3)


def test_settles_on_its_target():
    needle = Ballistics(position=-0.3)
    assert needle.step(0.5, 0.016) < 0.45
    for _ in range(20):
        needle.step(0.5, 0.016)
    assert [needle.step(0.5, 0.016) for _ in range(5)] == pytest.approx([0.5] * 5, abs=1e-4)
