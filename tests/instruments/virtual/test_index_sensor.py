"""The index pulse: place, width, level and edges, whatever the split."""

import numpy as np
import pytest

from instruments.virtual.mechanics import IndexSensor, Spindle, Wow

RATE_HZ = 100e3
SPINDLE = Spindle(300.0, (Wow(0.01, 1.7, 0.4),), start_turns=0.37)


def pulse(frames=100000, first=0, spindle=SPINDLE, **changed):
    parts = {"amplitude_v": 5.0, "active_high": True, "width_turns": 0.02, "edge_s": 1e-6}
    out_v = np.empty(frames, np.float32)
    IndexSensor(**{**parts, **changed}).fill(out_v, spindle, first, RATE_HZ)
    return out_v


def leading(volts, active_high=True):
    active = volts > 2.5 if active_high else volts < 2.5
    return np.flatnonzero(np.diff(active.astype(int)) == 1) + 1


def test_leading_edges_are_where_the_angle_is_a_whole_turn():
    edges = leading(pulse())
    assert edges.size == 5
    turns = SPINDLE.turns(edges / RATE_HZ)
    # The edge lies within the frame before it: 5 turns a second, 10 µs.
    assert np.all((turns - np.rint(turns) >= 0) & (turns - np.rint(turns) < 5.1e-5))


def test_the_pulse_lasts_its_width():
    # 0.02 of a turn of 200 ms is 4 ms: 400 frames.
    volts = pulse(spindle=Spindle(300.0, start_turns=0.5))
    assert np.count_nonzero(volts > 2.5) == pytest.approx(5 * 400, abs=5)


def test_either_polarity():
    high, low = pulse(), pulse(active_high=False)
    assert low == pytest.approx(5.0 - high)
    assert high[0] == 0.0
    assert low[0] == 5.0


def test_edges_take_their_time():
    volts = pulse(edge_s=1e-3)
    rising = volts[(volts > 0.0) & (volts < 5.0)]
    assert rising.size == pytest.approx(5 * 2 * 100, abs=10)
    assert np.abs(np.diff(volts)).max() == pytest.approx(5.0 / 100, rel=1e-3)


def test_edges_without_time_have_no_step_between():
    assert set(np.unique(pulse(edge_s=0.0))) == {0.0, 5.0}


@pytest.mark.parametrize("edge_s", [0.0, 1e-3])
def test_pieces_join_without_a_seam(edge_s):
    whole = pulse(edge_s=edge_s)
    starts = list(range(0, 100000, 137))
    pieces = [
        pulse(stop - start, start, edge_s=edge_s)
        for start, stop in zip(starts, [*starts[1:], 100000], strict=True)
    ]
    assert np.array_equal(np.concatenate(pieces), whole)
