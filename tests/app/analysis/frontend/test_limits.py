"""What an input lets a reading resolve, against a coupling stepped through and undone by hand."""

import numpy as np
import pytest
from scipy.signal import lfilter

from app.analysis.frontend.limits import SignalChain, corner_effect, limits_of, together_um

RATE_HZ = 8000.0
TURN_S = 0.2


@pytest.mark.parametrize("corner_hz", [1.0, 7.0, 20.0])
@pytest.mark.parametrize("balance", [0.08, -0.08, 0.0])
def test_a_corner_off_by_a_tenth_moves_the_balance_by_a_tenth_of_the_effect(corner_hz, balance):
    times_s = np.arange(round(40 * TURN_S * RATE_HZ)) / RATE_HZ
    turns = times_s / TURN_S
    lobes = np.abs(np.sin(2 * np.pi * turns)) * (1 + balance * np.sign(0.5 - turns % 1.0))
    # A capacitor and a resistor by the trapezoidal rule.
    half = np.pi * corner_hz / RATE_HZ
    seen = lfilter([1 / (1 + half), -1 / (1 + half)], [1, -(1 - half) / (1 + half)], lobes)

    def heights(stated_hz):
        undone = seen + 2 * np.pi * stated_hz * (np.cumsum(seen) - 0.5 * seen) / RATE_HZ
        turn = undone[round(30 * TURN_S * RATE_HZ) :].reshape(10, -1)
        places = turn.shape[1]
        drift = np.polyfit(np.arange(10), turn[:, 0], 1)[0]
        turn = turn - drift * (np.arange(10)[:, None] + np.arange(places) / places)
        mean = turn.mean(axis=0)
        mean = mean - 0.5 * (mean[0] + mean[places // 2])
        return mean[places // 4], mean[3 * places // 4]

    (a, b), (c, d) = heights(corner_hz), heights(1.1 * corner_hz)
    moved = (c - d) / (c + d) - (a - b) / (a + b)
    # The sum of the heights moves too, which the effect leaves out: second order in a tenth.
    assert moved == pytest.approx(0.1 * corner_effect(corner_hz * TURN_S, balance), abs=0.0012)


def test_no_corner_has_no_effect():
    assert corner_effect(0.0, 0.08) == 0.0


def chain(**given):
    values = {
        "noise_v": (1e-3,), "step_v": (0.0,), "full_scale_v": 1.0, "rate_hz": 48_000.0,
        "envelope": True,
    }  # fmt: skip
    return SignalChain(**(values | given))


def test_each_part_stands_alone_and_the_largest_first():
    limits = limits_of(chain(law_u_v=0.01), 178.0, TURN_S, 0.15)
    assert [limit.part for limit in limits] == ["detector's law", "noise"]
    # Both heights off alike by d: b = (A − B)/(A + B + 2d), so db = −b·d/mean height.
    a, b = 0.5, 0.5 * 0.85
    exact = (a - b) / (a + b) - (a - b) / (a + b + 0.02)
    assert limits[0].u_um == pytest.approx(178.0 * exact, rel=0.03)
    assert together_um(limits) == pytest.approx(np.hypot(*(limit.u_um for limit in limits)))


def test_steps_limit_a_converter_without_noise():
    limits = limits_of(chain(noise_v=(0.0,), step_v=(2.0**-7,)), 178.0, TURN_S, 0.15)
    assert [limit.part for limit in limits] == ["converter's steps"]


def test_even_lobes_do_not_see_what_both_have_alike():
    assert "detector's law" not in [
        limit.part for limit in limits_of(chain(law_u_v=0.01), 178.0, TURN_S, 0.0)
    ]
