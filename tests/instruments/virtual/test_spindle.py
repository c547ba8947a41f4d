"""The spindle against numerical integration of its own speed, and against arithmetic."""

import numpy as np
import pytest
from scipy.integrate import cumulative_simpson

from instruments.virtual.mechanics import Spindle, Wow


def test_a_steady_spindle_at_300_rpm_turns_five_times_a_second():
    turns = Spindle(300.0).turns(np.array([0.0, 0.2, 1.0, 3600.0]))
    assert turns == pytest.approx([0.0, 1.0, 5.0, 18000.0])


def test_the_angle_is_the_integral_of_the_speed():
    # Reference: scipy's Simpson rule over the instantaneous speed.
    spindle = Spindle(360.0, (Wow(0.01, 5.3, 0.7), Wow(0.002, 0.05, 2.0)), start_turns=0.3)
    times_s = np.linspace(0.0, 4.0, 40001)
    speed_hz = spindle.speed_at_rpm(times_s) / 60.0
    integral = 0.3 + cumulative_simpson(speed_hz, x=times_s, initial=0.0)
    assert np.abs(spindle.turns(times_s) - integral).max() < 1e-9


def test_wow_swings_the_speed_by_its_depth():
    speed_rpm = Spindle(300.0, (Wow(0.01, 2.0),)).speed_at_rpm(np.linspace(0.0, 1.0, 1001))
    assert speed_rpm.max() == pytest.approx(303.0)
    assert speed_rpm.min() == pytest.approx(297.0)


def test_times_are_the_inverse_of_turns():
    spindle = Spindle(300.0, (Wow(0.2, 5.0, 1.0), Wow(0.1, 0.02, 4.0)), start_turns=0.9)
    turns = np.arange(-3.0, 5000.0, 17.3)
    assert np.abs(spindle.turns(spindle.times_s(turns)) - turns).max() < 1e-8


def test_the_mean_speed_is_turns_over_time():
    spindle = Spindle(300.0, (Wow(0.01, 0.5, -np.pi / 2),))
    # Half a period of cos(wt - 90 deg) has the mean 2/pi.
    assert spindle.mean_rpm(0.0, 1.0) == pytest.approx(300.0 * (1 + 0.01 * 2 / np.pi))
