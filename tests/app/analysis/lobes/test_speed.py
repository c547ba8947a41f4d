"""Speed over a record: what the sample clock has in it."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from app.analysis.envelope.series import Bins, EnvelopeSeries
from app.analysis.envelope.setup import Columns, Setup
from app.analysis.lobes.analyser import carrier_of
from app.analysis.lobes.speed import mean_speed, speed_over
from app.analysis.lobes.sweeps import ReadRecord, average
from app.analysis.lobes.turns import LobeTime, PatternTurns, Turn
from app.analysis.results import Quantity, Reading
from tests.app.analysis.running import analyse

RATE_HZ = 48_000.0
WIRED = Setup(Columns(differential=0, index=1), 2, sample_rate_hz=RATE_HZ, bandwidth_hz=2e4)


def turns_of(count, rpm=300.0, jitter=0.0):
    """Turns of a spindle whose turns each differ by a part `jitter`, on a true clock."""
    rng = np.random.default_rng(5)
    lengths = 60.0 * RATE_HZ / rpm * (1.0 + jitter * rng.standard_normal(count))
    edges = np.concatenate([[0.0], np.cumsum(lengths)])
    return [Turn(*pair) for pair in pairwise(edges)]


def found_of(turns, **setup):
    wired = Setup(Columns(differential=0, index=1), 2, bandwidth_hz=2e4, **setup)
    return speed_over(turns, wired, by_index=True)


@pytest.mark.parametrize("count", [2, 3, 50])
def test_the_clock_s_part_does_not_shrink_with_the_turns(count):
    # A product's relative uncertainty is that of its factor: JCGM 100, 5.1.6.
    found = found_of(turns_of(count), sample_rate_hz=RATE_HZ, clock_u_part=1e-4)
    frame = np.sqrt(2 / 12) / (count * 9600)
    assert found.mean_rpm.value == pytest.approx(300.0)
    assert found.mean_rpm.u == pytest.approx(300.0 * np.hypot(1e-4, frame), rel=1e-3)


@pytest.mark.parametrize("off_part", [-3e-4, -1e-4, 1e-4, 3e-4])
def test_a_clock_of_which_nothing_is_stated_is_allowed_to_be_off(off_part):
    # Crystals are sold to ±100 parts in a million; cheap ones are off by 300 (common practice).
    found = mean_speed(turns_of(5, rpm=300.0 * (1.0 - off_part)), WIRED)
    assert abs(found.value - 300.0) <= (2.0 if abs(off_part) <= 1e-4 else 4.0) * found.u
    assert found.u < 0.05


def test_the_clock_is_alike_in_all_turns_and_no_variation():
    turns = turns_of(50, jitter=1e-3)
    sure, unsure = (
        found_of(turns, sample_rate_hz=RATE_HZ, clock_u_part=part) for part in (1e-9, 1e-3)
    )
    assert unsure.variation_percent == sure.variation_percent
    assert unsure.drift_percent_per_min == sure.drift_percent_per_min
    of_clock_rpm = 1e-3 * sure.mean_rpm.value
    assert unsure.mean_rpm.u == pytest.approx(np.hypot(sure.mean_rpm.u, of_clock_rpm))


@pytest.mark.parametrize("turns", [1, 2])
@pytest.mark.parametrize("min_max", [False, True])
def test_two_u_of_the_speed_hold_the_error_of_edges_seen_to_a_frame_or_to_a_pair(min_max, turns):
    rng = np.random.default_rng(11)
    width = 2.0 if min_max else 1.0
    setup = replace(WIRED, sample_rate_hz=1200.0, min_max=min_max, clock_u_part=0.0)
    held = 0
    for rpm in rng.uniform(290.0, 310.0, 1000):
        true = 60.0 * setup.sample_rate_hz / rpm
        edges = rng.uniform(0.0, 50.0) + true * np.arange(turns + 1)
        seen = (np.floor(edges / width) + 0.5) * width
        found = mean_speed([Turn(*pair) for pair in pairwise(seen)], setup)
        held += abs(found.value - rpm) <= 2.0 * found.u
    assert held >= 950


def test_two_u_of_the_speed_hold_that_of_a_spindle_that_trembles():
    rng = np.random.default_rng(12)
    held = 0
    for _ in range(200):
        lengths = 9600.0 * (1.0 + 1e-3 * rng.standard_normal(8))
        edges = np.concatenate([[0.0], np.cumsum(lengths)])
        turns = [Turn(*pair) for pair in pairwise(edges)]
        speed = found_of(turns, sample_rate_hz=RATE_HZ, clock_u_part=0.0).mean_rpm
        held += abs(speed.value - 300.0) <= 2.0 * speed.u
    # In about 95 of 100 cases (JCGM 100, G.1.2); four standard deviations of 200 draws are 6.2.
    assert 0.888 * 200 < held < 200


@pytest.mark.parametrize("count", [2, 4, 10])
def test_the_clock_s_error_is_the_same_in_every_record(count):
    height, own_u, part = Quantity(1.0, 1e-3), 0.02, 2e-4
    one = Reading(
        valid=True,
        first_v=height,
        second_v=height,
        balance=Quantity(0.0, 1e-3),
        speed_rpm=Quantity(300.0, float(np.hypot(own_u, 300.0 * part))),
    )
    whole = average([ReadRecord(one, one)] * count, replace(WIRED, clock_u_part=part))
    # What is common to all does not average out: JCGM 100, 4.2.3 and 5.2.
    assert whole.speed_rpm.u == pytest.approx(np.hypot(own_u / np.sqrt(count), 300.0 * part))


def test_all_else_of_a_mean_is_the_newest_record_s():
    one = Reading(valid=True, **dict.fromkeys(("first_v", "second_v"), Quantity(1.0, 1e-3)))
    each = [replace(one, balance=Quantity(0.0, 1e-3), end_index=end) for end in (1, 2, 3)]
    records = [ReadRecord(reading, reading) for reading in each]
    assert average(records, WIRED).end_index == 3
    parked = replace(one, valid=False, end_index=4)
    assert average([*records, ReadRecord(parked, parked)], WIRED).end_index == 3


@pytest.mark.parametrize("part_a_s", [-0.02, -0.003, 0.003, 0.02])
def test_without_an_index_two_u_of_the_speed_hold_that_of_other_turns_of_a_drifting_spindle(
    part_a_s,
):
    """Places by the formula of even acceleration: which turns a run has is chance."""
    count = np.arange(12)
    turn = 0.25 + 0.5 * count
    time_s = (np.sqrt(1.0 + 2.0 * part_a_s * turn / 5.0) - 1.0) / part_a_s
    lobes = [LobeTime(*each) for each in zip(count.tolist(), time_s * RATE_HZ, strict=True)]
    turns = [Turn(*pair) for pair in pairwise((np.arange(7) * 0.2 * RATE_HZ).tolist())]
    found = mean_speed(turns, replace(WIRED, clock_u_part=0.0), lobes, 2)

    def speed_at(turn):
        return 300.0 * np.sqrt(1.0 + 2.0 * part_a_s * turn / 5.0)

    assert found.value == pytest.approx(speed_at(3.0), rel=1e-4)
    for middle in (2.5, 3.5):
        assert abs(found.value - speed_at(middle)) <= 2.0 * found.u
    assert found.u <= 2.0 * abs(speed_at(3.5) - speed_at(2.5))


@pytest.mark.parametrize("lost", [0, 300, 1300])
def test_without_an_index_the_speed_is_right_where_samples_are_missing_untold(lost):
    """The turn that lost some is left out, and whole ones lie to either side of it."""
    turn = round(0.2 * RATE_HZ)
    count = np.arange(22)
    # To either side of the loss a lobe more is out of its place.
    frame = (turn * (0.25 + 0.5 * count)).astype(float) - lost * np.interp(count, [10, 12], [0, 1])
    lobes = [LobeTime(*each) for each in zip(count.tolist(), frame.tolist(), strict=True)]
    starts = [*range(0, 5 * turn, turn), *range(6 * turn - lost, 11 * turn - lost, turn)]
    turns = [Turn(float(start), float(start + turn)) for start in starts]
    found = mean_speed(turns, replace(WIRED, clock_u_part=0.0), lobes, 2)
    assert found.value == pytest.approx(300.0, abs=0.02)


def test_without_an_index_u_of_the_speed_holds_samples_that_are_missing_in_a_turn_that_counts():
    """As a live source gave them at 64 kHz, of a spindle at 300 rpm: two steps are short."""
    steps = [6400.0] * 5 + [6127.0, 6210.0] + [6400.0] * 14
    frame = (104_540.0 + np.cumsum([0.0, *steps])).tolist()
    lobes = [LobeTime(*each) for each in enumerate(frame)]
    turns = [Turn(*pair) for pair in pairwise(frame[::2])]
    setup = replace(WIRED, clock_u_part=0.0, sample_rate_hz=64_000.0)
    found = mean_speed(turns, setup, lobes, 2)
    assert abs(found.value - 300.0) <= 2.0 * found.u


@pytest.mark.parametrize("begins", [0.0, 0.25, 0.6])
def test_without_an_index_u_of_the_speed_holds_a_swing_nearly_in_step_with_the_turn(begins):
    """5.3 Hz at five turns a second: in the lobes' places it looks like a disk's own unevenness."""
    swing, swing_hz, rate_hz = 0.02, 5.3, 250e3
    time = np.arange(round(0.97 * rate_hz)) / rate_hz
    phase = 2.0 * np.pi * (swing_hz * time + begins)
    turn = 5.0 * (time + swing * np.sin(phase) / (2.0 * np.pi * swing_hz))
    wave = 0.4 * np.cos(2.0 * np.pi * turn) * np.cos(2.0 * np.pi * 12_000 * turn)
    wave += 1e-3 * np.random.default_rng(4).standard_normal(len(time))
    reading = analyse(wave[:, None], rate_hz, ("differential",), clock_u_part=1e-6)
    assert reading.valid
    for first in np.arange(0.0, 1.0, 0.125) + turn[0]:
        edges = np.arange(first, turn[-1])
        mean_rpm = 60.0 * (len(edges) - 1) / float(np.ptp(np.interp(edges[[0, -1]], turn, time)))
        assert abs(reading.speed_rpm.value - mean_rpm) <= 3.0 * reading.speed_rpm.u
    assert reading.speed_rpm.u < 1.0


def test_of_a_drifting_spindle_one_turn_of_many_is_not_sure_of_the_others():
    """All pulses but two are missing; the others would give another mean."""
    rate_hz, part_a_s = 250e3, 0.02
    time = np.arange(round(1.5 * rate_hz)) / rate_hz
    turn = 5.0 * (time + 0.5 * part_a_s * time**2) - 0.1
    wave = 0.4 * np.cos(2.0 * np.pi * turn) * np.cos(2.0 * np.pi * 12_000 * turn)
    wave += 1e-3 * np.random.default_rng(4).standard_normal(len(time))
    index = 5.0 * ((turn % 1.0 < 0.02) & (turn > 3.5) & (turn < 5.5))
    samples = np.stack([wave, index], axis=1)
    reading = analyse(samples, rate_hz, ("differential", "index"), clock_u_part=1e-6)
    for first in (3.0, 5.0):
        mean_rpm = 60.0 / float(np.ptp(np.interp([first, first + 1.0], turn, time)))
        assert abs(reading.speed_rpm.value - mean_rpm) <= 3.0 * reading.speed_rpm.u
    assert reading.speed_rpm.u < 2.0


def test_the_pattern_s_turn_follows_another_speed():
    """Two lobes a turn, of 720 bins at first and of 2 % fewer after 15 turns."""
    place = np.concatenate([np.arange(15 * 720) / 720, 15 + np.arange(20 * 706) / 705.6])
    amplitude_v = 0.5 - 0.5 * np.cos(4.0 * np.pi * place)
    series = EnvelopeSeries(1)
    still, there = np.full(len(place), 1e-3), np.ones(len(place), dtype=bool)
    series.append(Bins(0, amplitude_v**2, still, 0.0 * still, there))
    turns = PatternTurns(720 * 5.0, 300.0, 1)
    turns.push(series)
    assert turns.locked
    assert turns.turn_frames == pytest.approx(705.6, rel=1e-3)


def pattern_of(*pieces):
    """A pattern's turns, after pieces of places in turns, NaN where nothing is: 3600 bins a second.

    Yields the same object after each piece.
    """
    series, turns = EnvelopeSeries(1), PatternTurns(3600.0, 300.0, 1)
    for place in pieces:
        amplitude_v = np.nan_to_num(0.5 - 0.5 * np.cos(4.0 * np.pi * place))
        still, there = np.full(len(place), 1e-3), np.ones(len(place), dtype=bool)
        series.append(Bins(series.end, amplitude_v**2, still, 0.0 * still, there))
        turns.push(series)
        yield turns


def test_with_the_pattern_gone_its_turns_run_on_for_twenty_seconds():
    gone = np.full(round(18.0 * 3600), np.nan), np.full(round(3.0 * 3600), np.nan)
    lobes = np.arange(round(2.0 * 3600)) / 720
    assert [turns.locked for turns in pattern_of(lobes, *gone)] == [True, True, False]


def test_lobes_that_all_stray_are_found_anew():
    place = np.arange(round(4.0 * 3600)) / 720
    # Of a turn's two lobes each has moved by half of the way to the other.
    strayed = place + 0.25
    pieces = place[:7200], strayed[7200:8280], strayed[8280:9720], strayed[9720:]
    found = [(turns.locked, turns.locks) for turns in pattern_of(*pieces)]
    assert found == [(True, 1), (True, 1), (False, 1), (True, 2)]


def test_a_disk_that_runs_down_has_no_turns_any_more():
    place = np.arange(round(2.0 * 3600)) / 720
    slower = place[-1] + np.cumsum(np.linspace(1.0, 0.6, round(6.0 * 3600))) / 720
    assert [turns.locked for turns in pattern_of(place, slower)] == [True, False]


def test_bins_that_are_not_there_have_no_say_in_the_carrier():
    carrier_hz, there = np.full(1440, 9e3), np.ones(1440, dtype=bool)
    carrier_hz[100:400], there[100:400] = 0.0, False
    series = EnvelopeSeries(1)
    series.append(Bins(0, np.full(1440, 0.04), np.full(1440, 1e-3), carrier_hz, there))
    found = carrier_of(series, [Turn(0.0, 720.0), Turn(720.0, 1440.0)], WIRED)
    assert found.value == pytest.approx(9e3)
