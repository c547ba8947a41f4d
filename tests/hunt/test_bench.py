"""What happens at a bench happens as it is told, and the truth is that of the samples."""

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.hunt import bench
from tests.hunt.campaign import Key, drawn
from tests.hunt.classes import SINGLE
from tests.hunt.draws import Frame
from tests.hunt.further import FURTHER, NearRate
from tests.hunt.live import FURTHER_LIVE, WATCHED
from tests.hunt.patterns import Floats
from tests.hunt.signal import Kind, Scene, Spoiler
from tests.hunt.test_further import BOUNDARY, HEIGHT_V, quiet, scenes

RATE_HZ = 20e3
LONG = quiet(BOUNDARY, turns=25.0)
PHASES = quiet(BOUNDARY, Kind.PHASES, turns=25.0)


def stretches(held: NDArray[np.bool_]) -> Floats:
    """Return start and end of each stretch that holds, in seconds."""
    edges = np.flatnonzero(np.diff(held.astype(int), prepend=0, append=0))
    return edges.reshape(-1, 2) / RATE_HZ


def test_they_stand_apart_from_all_others():
    names = {each.name for each in FURTHER_LIVE}
    assert len(names) == len(FURTHER_LIVE)
    assert not names & {each.name for each in (*SINGLE, *FURTHER, *WATCHED)}


@pytest.mark.parametrize("name", [each.name for each in FURTHER_LIVE])
@pytest.mark.few(8)
def test_each_makes_a_capture_that_is_repeatable(name: str):
    _, first = drawn(Key(f"live:{name}", 3, 0))
    _, again = drawn(Key(f"live:{name}", 3, 0))
    assert np.isfinite(first.parts[0]).all()
    assert np.array_equal(first.parts[0], again.parts[0])
    assert first.truth == again.truth


@pytest.mark.parametrize(
    "spoiler",
    [bench.trembles, bench.pushed, bench.tapped, bench.past_and_back],
    ids=lambda spoiler: spoiler.name,
)
@pytest.mark.parametrize("seed", range(3))
def test_the_course_of_a_head_is_that_of_its_amplitude(spoiler: Spoiler, seed: int):
    """Derived: over a boundary cos + b stands for the place, whose ratio is (1 - |b|)/(1 + |b|)."""
    plain, spoiled = scenes(LONG, spoiler, 0.05, seed)
    unit_v = HEIGHT_V / (1.0 + BOUNDARY.balance)
    moved = (spoiled.amplitude_v - plain.amplitude_v) / unit_v
    assert 0.03 < np.abs(moved).max() < 0.3
    for time_s, ratio in spoiled.truth.course[::50]:
        at = abs(BOUNDARY.balance + moved[round(time_s * RATE_HZ)])
        assert ratio == pytest.approx((1 - at) / (1 + at), abs=1e-9)


def test_a_head_that_goes_past_the_line_comes_back_within_a_turn():
    _, spoiled = scenes(LONG, bench.past_and_back, 0.05)
    ratios = np.array([ratio for _, ratio in spoiled.truth.course])
    assert ratios[0] == pytest.approx(BOUNDARY.ratio)
    assert ratios.max() > 0.99
    away = stretches(np.repeat(np.abs(ratios - BOUNDARY.ratio) > 1e-9, 40))
    assert (np.diff(away) < 0.2).all()


@pytest.mark.parametrize(
    ("spoiler", "size", "least", "most"),
    [
        (bench.hand_on_spindle, 0.5, 0.5, 1.0),
        (bench.speed_switched, 0.2, 1.0, 1.2),
        (bench.belt_joint, 0.02, 0.98, 1.0),
    ],
)
def test_a_head_gives_in_proportion_to_the_speed(
    spoiler: Spoiler, size: float, least: float, most: float
):
    _, spoiled = scenes(LONG, spoiler, size)
    speed = np.diff(spoiled.turn) * RATE_HZ / 5.0
    assert (speed.min(), speed.max()) == pytest.approx((least, most), abs=1e-3)
    even = HEIGHT_V / (1.0 + BOUNDARY.balance) * BOUNDARY.amplitude(spoiled.turn[1:] % 1.0)
    assert np.allclose(spoiled.amplitude_v[1:], speed * even, atol=1e-9)
    assert spoiled.truth.ratio == (BOUNDARY.ratio, BOUNDARY.ratio)


def test_a_disk_that_slips_takes_lobes_and_carrier_with_it():
    """Derived: behind the slip each sample is that of the phase less the slip."""
    _, spoiled = scenes(LONG, bench.hub_slips, 0.05)
    turn = spoiled.turn[-1] - 0.05
    unit_v = HEIGHT_V / (1.0 + BOUNDARY.balance)
    late = unit_v * BOUNDARY.amplitude(np.array([turn % 1.0]))
    wanted = late * np.sin(2 * np.pi * LONG.cycles * turn)
    assert spoiled.wave_v[-1] == pytest.approx(float(wanted[0]), abs=1e-6)
    assert np.allclose(np.diff(spoiled.pulses[:, 0]), 0.2)


def test_a_head_that_is_unloaded_gives_nothing_until_it_lands():
    _, spoiled = scenes(LONG, bench.unloaded, 1.0)
    assert spoiled.truth.silent_s is not None
    start_s, end_s = spoiled.truth.silent_s
    gone = stretches(spoiled.amplitude_v == 0.0)
    assert gone[0] == pytest.approx([start_s, end_s], abs=1e-3)
    assert len(gone) > 1
    assert gone[-1, 1] < end_s + 0.1
    assert len({ratio for time_s, ratio in spoiled.truth.course if time_s > end_s}) == 1


def test_another_disk_has_its_own_ratio():
    _, spoiled = scenes(LONG, bench.disk_changed, 1.0)
    assert spoiled.truth.silent_s is not None
    assert spoiled.truth.course[0] == (0.0, BOUNDARY.ratio)
    back_s, ratio = spoiled.truth.course[1]
    assert back_s == spoiled.truth.silent_s[1]
    after = spoiled.amplitude_v[spoiled.time_s > back_s + 0.2]
    heights = sorted([after.max(), -after.min()])
    assert heights[0] / heights[1] == pytest.approx(ratio, rel=1e-6)


@pytest.mark.parametrize("spoiler", [bench.pad_bounces, bench.mains_dips, bench.scratch])
def test_what_takes_from_a_lobe_leaves_most_of_them_as_they_are(spoiler: Spoiler):
    plain, spoiled = scenes(LONG, spoiler, 0.1)
    gain = spoiled.amplitude_v / plain.amplitude_v
    assert 0.5 < np.isclose(gain, 1.0).mean() < 1.0
    assert gain.min() < 0.95
    assert spoiled.truth == plain.truth


def test_a_neighbour_is_heard_in_one_kind_of_lobe():
    plain, spoiled = scenes(LONG, bench.neighbour, 0.1)
    more = of_lobes(plain, np.abs(spoiled.wave_v - plain.wave_v))
    assert max(more) == pytest.approx(0.1 * HEIGHT_V, rel=0.01)
    assert min(more) < 0.02 * HEIGHT_V


def of_lobes(scene: Scene, values: Floats) -> tuple[float, float]:
    """Return the greatest value on the tops of the first kind of lobe, and of the second."""
    share = scene.amplitude_v / np.abs(scene.amplitude_v).max()
    return float(values[share > 0.7].max()), float(values[share < -0.7].max())


def test_a_telephone_sends_an_eighth_of_the_time():
    plain, spoiled = scenes(LONG, bench.phone, 0.1)
    sending = np.abs(spoiled.wave_v - plain.wave_v) > 0.0
    begun = stretches(sending)[:, 0]
    assert np.median(np.diff(begun)) == pytest.approx(120e-3 / 26, rel=0.02)
    assert sending[int(begun[0] * RATE_HZ) : int(begun[-1] * RATE_HZ)].mean() == pytest.approx(
        1 / 8, rel=0.05
    )


@pytest.mark.parametrize("spoiler", [bench.touched, bench.noisy_spell])
def test_what_is_picked_up_for_a_while_is_not_there_before_and_after(spoiler: Spoiler):
    plain, spoiled = scenes(LONG, spoiler, 0.5)
    more = spoiled.columns["differential"] - plain.columns["differential"]
    at_s = spoiled.time_s[np.abs(more) > 1e-9]
    assert 1.0 <= at_s.min() < at_s.max() < spoiled.time_s[-1]
    assert 0.1 < np.abs(more).max() / HEIGHT_V < 3.0


@pytest.mark.parametrize(
    ("spoiler", "size"),
    [(bench.probe_slips, 0.02), (bench.probe_rubs, 0.05), (bench.wrong_point, 1.0)],
)
def test_a_probe_that_is_off_leaves_the_other_alone(spoiler: Spoiler, size: float):
    plain, spoiled = scenes(PHASES, spoiler, size)
    assert np.array_equal(plain.columns["plus"], spoiled.columns["plus"])
    same = np.isclose(plain.columns["minus"], spoiled.columns["minus"], rtol=1e-9, atol=0.0)
    assert 0.5 < same.mean() < 0.99
    assert spoiled.truth == plain.truth


def test_a_gain_that_is_turned_ends_where_it_says():
    plain, spoiled = scenes(LONG, bench.gain_turned, 3.0)
    gain = spoiled.columns["differential"] / plain.columns["differential"]
    assert (gain[0], gain[-1]) == pytest.approx((1.0, 3.0))
    _, stepped = scenes(LONG, bench.gain_knob, 2.0)
    steps = stepped.columns["differential"] / plain.columns["differential"]
    assert set(np.round(steps, 6)) <= {0.0, 0.25, 0.5, 1.0, 2.0, 4.0}


def test_an_offset_is_turned_and_turned_back():
    plain, spoiled = scenes(LONG, bench.offset_knob, 3.0)
    more = spoiled.columns["differential"] - plain.columns["differential"]
    assert (more[0], more[-1]) == (0.0, 0.0)
    assert more.max() == pytest.approx(3.0 * HEIGHT_V)


def test_a_rail_takes_a_part_of_the_taller_lobe():
    _, spoiled = scenes(LONG, bench.drifts_to_rail, 0.1)
    column = spoiled.columns["differential"]
    before, after = np.abs(column[:4000]).max(), column[-4000:]
    assert before == pytest.approx(HEIGHT_V, rel=1e-3)
    swing = after.max() - after.min()
    assert swing == pytest.approx(1.9 * HEIGHT_V, rel=0.01)


def test_a_buffer_comes_twice_and_the_time_goes_on():
    plain, spoiled = scenes(LONG, bench.stutters, 0.01)
    before, after = plain.columns["differential"], spoiled.columns["differential"]
    assert len(before) == len(after)
    other = stretches(before != after)
    assert (np.diff(other) <= 0.01 + 1e-9).all()
    start, end = np.round(other[0] * RATE_HZ).astype(int)
    assert np.array_equal(after[start:end], before[start - 200 : end - 200])


def test_pulses_come_where_and_while_they_are_said_to():
    plain, doubled = scenes(LONG, bench.index_doubles, 1.0)
    assert len(doubled.pulses) - len(plain.pulses) in (4, 5, 6)
    _, ringing = scenes(LONG, bench.index_rings, 0.001)
    assert len(ringing.pulses) == 4 * len(plain.pulses)
    assert (ringing.pulses[3::4, 0] - ringing.pulses[::4, 0]) == pytest.approx(0.001)
    _, sectors = scenes(LONG, bench.hard_sectored, 10.0)
    apart = np.diff(sectors.pulses[:, 0])
    assert sorted({round(float(each), 6) for each in apart}) == [0.01, 0.02]


def test_an_index_rests_until_it_is_clipped_on():
    _, spoiled = scenes(LONG, bench.index_comes, 0.4)
    low = spoiled.columns["index"] < 2.5
    assert low[: int(0.4 * len(low))].sum() == 0
    assert low.sum() > 0


@pytest.mark.parametrize("turns", [0.01, -0.01])
def test_a_lobe_stands_by_the_index_and_has_no_side(turns: float):
    _, spoiled = scenes(LONG, bench.lobe_at_index, turns)
    at_top = spoiled.turn[np.abs(spoiled.amplitude_v).argsort()[-1000:]]
    from_index = (at_top + 0.25) % 0.5 - 0.25
    assert np.median(from_index) == pytest.approx(turns, abs=0.002)
    assert spoiled.truth.balance == 0.0
    assert spoiled.truth.ratio == (BOUNDARY.ratio, BOUNDARY.ratio)


def test_a_carrier_is_near_a_fraction_of_the_rate():
    near = NearRate("near", "near", Frame())
    for seed in range(20):
        conditions = near.draw(np.random.default_rng(seed)).conditions
        share = conditions.cycles * conditions.rpm / 60.0 / conditions.rate_hz
        assert min(abs(share / each - 1.0) for each in (1 / 4, 1 / 3, 2 / 5)) < 0.0102
