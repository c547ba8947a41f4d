"""The figures that FIGURES.md shows, with slack where chance or the machine has a part.

Cramér-Rao bound: Kay; Rife and Boorstyn (from memory), see :meth:`tests.synthesis.Made.bound`.
"""

import numpy as np
import pytest

from tests.benchmarks import accuracy, heard, lag, paint, throughput

pytestmark = pytest.mark.benchmark


@pytest.mark.slow
@pytest.mark.parametrize("case", accuracy.CASES, ids=lambda case: case.name)
def test_the_ratio_is_within_its_allowance_of_the_truth(case):
    found = accuracy.errors(case, range(3), others=False)
    assert np.abs(found.ours).max() < case.allowed + 4.0 * found.bound
    assert np.abs(found.speed).max() < accuracy.SPEED_ALLOWED


@pytest.mark.slow
def test_others_ways_of_reading_do_worse_in_noise():
    found = accuracy.errors(accuracy.CASES[1], range(2))
    assert np.abs(found.ours).max() < 0.1 * np.abs(found.graticule).min()
    assert np.abs(found.ours).max() < 0.1 * np.abs(found.hilbert).min()


@pytest.mark.slow
def test_an_envelope_behind_a_corner_is_within_its_allowance():
    assert np.abs(accuracy.envelope_errors(range(4))).max() < accuracy.ENVELOPE_ALLOWED


@pytest.mark.slow
@pytest.mark.parametrize("snr_db", [0.0, 30.0])
def test_the_one_turn_ratio_scatters_little_more_than_the_bound(snr_db):
    # Twenty values tell a standard deviation to a sixth of itself: three times that is the slack.
    assert accuracy.scatter(snr_db, range(20)) < 1.3 * 1.5


@pytest.mark.slow
@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
def test_a_step_stands_in_the_reading_in_time(geometry):
    # That in the very top of a lobe leaves the whole one behind it to a narrower window.
    lags = [lag.lag_of(place, geometry) for place in [*np.arange(8) / 8, 34 / 40]]
    assert np.median([each.settled_s for each in lags]) <= lag.MEDIAN_ALLOWED_S
    assert max(each.settled_s for each in lags) <= lag.WORST_ALLOWED_S
    assert max(each.needle_s for each in lags) <= lag.ANYWHERE_ALLOWED_S
    assert max(each.needle_s for each in lags if each.height > 0.5) <= lag.IN_LOBE_ALLOWED_S


@pytest.mark.real_time
def test_the_needle_is_painted_soon_after_the_reading():
    assert lag.needle_lag_s() <= lag.NEEDLE_ALLOWED_S


@pytest.mark.slow
def test_every_view_is_painted_beside_a_blit(qapp):
    # How many blits a frame takes hangs on the machine's company: the benchmark's table tells it.
    frames = paint.measure_frames(frames=2)
    assert [each.view for each in frames] == list(paint.VIEWS)
    assert all(each.frame_ms > 0.0 and each.blit_ms > 0.0 for each in frames)


@pytest.mark.slow
def test_the_analysis_runs_beside_a_transform_of_the_whole():
    # How many times as fast hangs on the machine and its company: the benchmark's table tells it.
    rates = throughput.measure_rates(turns=10.2, rounds=1)
    assert min(rates.analysis, rates.with_index, rates.from_file) > 0.0
    assert min(rates.hilbert, rates.one_pass, rates.drive_times_real) > 0.0


@pytest.mark.slow
def test_a_tone_is_heard_of_each_reading_after_it(qapp):
    del qapp
    # How long it takes is for the table: here another program may have the processor.
    assert [lag_s > 0.0 for lag_s in heard.lags_s(2)] == [True, True]
