"""A rail is told from the crests of a sine, of a flattened one, of codes and of spikes."""

import numpy as np
import pytest

from app.analysis.envelope.rails import RailWatch

COUNT, CHUNK = 64_000, 128
CREST = np.sin(2 * np.pi * 0.2503 * np.arange(COUNT))
THIRD = CREST + np.sin(6 * np.pi * 0.2503 * np.arange(COUNT)) / 9.0
"""With a ninth of the third harmonic the top is flat to the fourth order: 1 - 9/9 = 0."""


def is_reached(values, step_v=0.0):
    watch = RailWatch(CHUNK, step_v)
    watch.push(values[:, None].astype(np.float32), 0)
    return watch.is_reached(0.0, float(len(values)))


def in_codes(values, codes):
    step = 2.0 / codes
    return step * np.round(values / step), step


@pytest.mark.parametrize("limit", [0.8, 0.95, 0.99])
@pytest.mark.parametrize("noise_v", [0.0, 0.02, 0.3])
def test_what_is_cut_stands_at_a_rail_in_any_noise(limit, noise_v):
    noisy = CREST + noise_v * np.random.default_rng(3).standard_normal(COUNT)
    assert is_reached(np.minimum(noisy, limit))
    assert is_reached(np.maximum(noisy, -limit))


def test_a_rail_shows_between_the_steps_of_a_converter():
    # At 0.95 acos tells 18.2 degrees of the sine at the rail, and 1.8 of the step below it.
    coded, step = in_codes(CREST, 200)
    assert is_reached(np.minimum(coded, 190 * step / 2), step)


@pytest.mark.parametrize("noise_v", [0.0, 0.02])
@pytest.mark.parametrize("wave", [CREST, THIRD], ids=["sine", "flattened"])
@pytest.mark.parametrize("codes", [16, 64, 256, 65_536])
def test_crests_stand_at_none(wave, codes, noise_v):
    noisy = wave + noise_v * np.random.default_rng(4).standard_normal(COUNT)
    assert not is_reached(*in_codes(noisy, codes))
    assert not is_reached(noisy)


def test_a_carrier_sampled_in_step_with_itself_stands_at_none():
    # 61 turns in 250 samples: every crest comes again to the last digit, and so does all below it.
    in_step = np.sin(2 * np.pi * ((61 * np.arange(COUNT)) % 250) / 250)
    assert not is_reached(in_step)
    assert is_reached(np.minimum(in_step, 0.8))


@pytest.mark.parametrize(("count", "stands"), [(9, True), (8, False), (1, False)])
def test_it_takes_more_than_eight_times_the_samples_of_the_next_value(count, stands):
    signal = 0.9 * CREST
    signal[CHUNK + 1 : CHUNK + 21 : 4] = np.linspace(0.91, 0.92, 5)
    signal[CHUNK : CHUNK + 4 * count : 4] = 0.93
    assert is_reached(signal) is stands


def test_spikes_that_are_cut_are_not_the_signal():
    spiky = CREST.copy()
    spiky[::1000] = 5.0
    assert not is_reached(spiky)


def test_a_rail_is_told_of_the_frames_it_stands_in():
    watch = RailWatch(CHUNK, 0.0)
    watch.push(np.concatenate([CREST, np.minimum(CREST, 0.9)])[:, None].astype(np.float32), 0)
    assert not watch.is_reached(0.0, COUNT - CHUNK)
    assert watch.is_reached(float(COUNT), 2.0 * COUNT)
    watch.forget_before(float(COUNT))
    assert not watch.is_reached(3.0 * COUNT, 4.0 * COUNT)


def test_a_rail_is_told_at_the_end_of_what_came_at_once():
    """The signal was taller before: no part of the stretch, which goes on in what comes next."""
    watch = RailWatch(CHUNK, 0.0, least_frames=10.0 * CHUNK)
    taller, cut = 1.5 * CREST[: 20 * CHUNK], np.minimum(CREST[: 5 * CHUNK], 0.9)
    watch.push(np.concatenate([taller, cut])[:, None].astype(np.float32), 0)
    watch.push(0.5 * CREST[: 20 * CHUNK, None].astype(np.float32), 25 * CHUNK)
    assert not watch.is_reached(0.0, 10.0 * CHUNK)
    assert watch.is_reached(20.0 * CHUNK, 30.0 * CHUNK)


@pytest.mark.parametrize("chunk", [1, 7, 16, 33, 100, 128])
def test_the_rail_of_a_column_may_lie_at_any_frame_of_a_chunk_of_any_length(chunk):
    chunks, at = 20, np.random.default_rng(chunk).integers(0, chunk, (20, 2))
    # The last column is no signal, and stands higher.
    values = np.tile(np.array([0.1, 0.2, 5.0], dtype=np.float32), (chunks, chunk, 1))
    values[:, 0], values[np.arange(chunks), at[:, 0], 1] = -0.3, 1.0
    values[np.arange(chunks), at[:, 1], 0] = -1.0
    watch = RailWatch(chunk, 0.0, (0, 1))
    watch.push(values.reshape(-1, 3), 0)
    extremes = watch._parts[0].extreme_v
    highest, lowest = values.max(axis=1)[:, :2], values.min(axis=1)[:, :2]
    moves = np.tile(highest > lowest, 2)
    expected = np.where(moves, np.concatenate([highest, -lowest], axis=1), -np.inf)
    np.testing.assert_array_equal(extremes, expected)


def test_what_is_no_number_stands_at_none():
    values = np.minimum(CREST, 0.9)
    values[::CHUNK] = np.nan
    assert not is_reached(values)


def test_a_phase_that_is_dead_stands_at_none():
    assert not is_reached(np.zeros(COUNT))
    assert not is_reached(np.full(COUNT, -0.3))


@pytest.mark.parametrize("limit", [0.9, 0.97, 0.99])
@pytest.mark.parametrize("noise_v", [0.0, 0.03, 0.1])
def test_what_a_rail_takes_off_a_top_is_bounded(limit, noise_v):
    # What is missing in the amplitude is the projection of what was cut on the carrier.
    noisy = CREST + noise_v * np.random.default_rng(5).standard_normal(COUNT)
    cut = np.clip(noisy, -limit, limit)
    missing = float((noisy - cut) @ CREST / (CREST @ CREST))
    watch = RailWatch(CHUNK, 0.0)
    watch.push(cut[:, None].astype(np.float32), 0)
    loss = watch.loss_between(0.0, float(COUNT))
    assert missing <= loss
    # Without noise the chunks in which crests are sampled stand for all.
    assert noise_v == 0.0 or loss < 8.0 * missing


def test_a_rail_is_told_where_few_samples_of_each_chunk_stand_at_it():
    noisy = CREST + 0.1 * np.random.default_rng(6).standard_normal(COUNT)
    cut = np.minimum(noisy, 1.1).astype(np.float32)
    watch = RailWatch(CHUNK, 0.0)
    watch.push(cut[:, None], 0)
    assert np.mean(cut == cut.max()) < 8 / CHUNK
    assert watch.is_reached(0.0, float(COUNT))


@pytest.mark.parametrize("step_known", [True, False])
def test_a_carrier_whose_phases_hardly_drift_stands_at_none_in_codes(step_known):
    # Eight samples a period: for long the highest code comes again, and the next one is far below.
    eighth = np.sin(2 * np.pi * 0.125003 * np.arange(COUNT))
    coded, step = in_codes(eighth, 256)
    assert not is_reached(coded, step if step_known else 0.0)
