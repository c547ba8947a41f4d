"""Bursts: index timing and azimuth, on signals made here and on the virtual drive."""

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.results import Burst, Message, Quantity
from app.analysis.track.bursts import (
    _runs,
    _Tone,
    _weighed,
    angle_of,
    azimuth_loss,
    azimuth_of,
    bursts_of,
    index_of,
    start_of,
)
from app.analysis.track.strands import Strand
from tests.app.analysis import made_bursts
from tests.app.analysis.made_bursts import min_max_of
from tests.app.analysis.running import RAW, block_of, setup_for

SETUP = setup_for(RAW, made_bursts.RATE_HZ)
ANGLES = (-12.0, 12.0, -18.0, 18.0)
WIDTH_UM, RADIUS_MM = 300.0, 39.1583
WIDTH = Quantity(WIDTH_UM, 6.0)


def found_in(samples, track=34):
    return bursts_of([block_of(samples)], SETUP, track)


@pytest.mark.parametrize(
    ("arcmin", "loss_db"), [(6, -0.047), (12, -0.187), (18, -0.423), (24, -0.758), (30, -1.196)]
)
def test_the_loss_is_the_published_one(arcmin, loss_db):
    """The standard tape-loss expression sin y / y, for W = 300 µm and λ = 9.176 µm."""
    loss = azimuth_loss(np.array([float(arcmin)]), 300.0, 9.176)
    assert 20 * np.log10(loss[0]) == pytest.approx(loss_db, abs=5e-4)


@pytest.mark.parametrize("head", [-25.0, -4.0, 0.0, 7.5, 30.0])
def test_heights_by_the_curve_give_the_angle_back(head):
    heights = azimuth_loss(np.array(ANGLES) - head, 300.0, 9.176)
    bursts = [Burst(Quantity(0.0, 1.0), 1.0, Quantity(float(each), 1e-4)) for each in heights]
    found = angle_of(bursts, 300.0, np.array(ANGLES), WIDTH, 9.176)
    assert found.angle_arcmin.value == pytest.approx(head, abs=1e-3)
    assert found.misfit_percent < 1e-3


# Spread over the turn of 200 ms, or one close behind the other.
@pytest.mark.parametrize("apart_us", [50e3, 48e3, 2e3])
@pytest.mark.parametrize("strongest_us", [0.0, 30e3, 100e3, 170e3])
def test_what_goes_up_and_down_once_a_turn_is_no_azimuth(apart_us, strongest_us):
    starts_us = 200.0 + apart_us * np.arange(4)
    middles = (starts_us + 500.0 - strongest_us) / 200e3
    heights = azimuth_loss(np.array(ANGLES) - 7.0, 300.0, 9.176)
    heights *= 1.0 + 0.04 * np.cos(2.0 * np.pi * middles)
    noise = 2e-4 * np.random.default_rng(5).standard_normal(4)
    bursts = [
        Burst(Quantity(float(start), 1.0), 1e3, Quantity(float(height), 2e-4))
        for start, height in zip(starts_us, heights + noise, strict=True)
    ]
    found = angle_of(bursts, 300.0, np.array(ANGLES), WIDTH, 9.176)
    assert found.angle_arcmin.value == pytest.approx(7.0, abs=0.3)
    own_u = np.sqrt(found.angle_arcmin.u**2 - found.width_u_arcmin**2)
    assert abs(found.angle_arcmin.value - 7.0) < 2.5 * own_u
    assert own_u < 0.4


@pytest.mark.parametrize("delay_us", [60.0, 200.0, 311.7])
@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
@pytest.mark.few(1)
def test_the_start_is_found_within_a_microsecond(delay_us, seed):
    found = index_of(found_in(made_bursts.bursts(seed, delay_us)))
    assert found.delay_us.value == pytest.approx(delay_us, abs=1.0)
    assert abs(found.delay_us.value - delay_us) < 3 * found.delay_us.u
    assert found.turns == 11
    assert found.scatter_us < 2.0


@pytest.mark.parametrize(("seed", "head"), [(3, -9.0), (4, 5.0), (5, 21.0)])
@pytest.mark.few(1)
def test_azimuth_within_a_minute(seed, head):
    length_um = 2e3 * np.pi * RADIUS_MM / made_bursts.CARRIER_CYCLES
    heights = azimuth_loss(np.array(ANGLES) - head, WIDTH_UM, length_um)
    bursts = found_in(made_bursts.bursts(seed, 210.0, heights))
    assert [burst.length_us for burst in bursts.bursts] == pytest.approx([12500.0] * 4, abs=60.0)
    found = azimuth_of(bursts, ANGLES, width_um=WIDTH, radius_mm=RADIUS_MM, carrier_hz=125e3)
    assert found.angle_arcmin.value == pytest.approx(head, abs=1.0)
    assert abs(found.angle_arcmin.value - head) < 2 * found.angle_arcmin.u
    assert bursts.carrier_hz == pytest.approx(125e3, rel=1e-3)
    for burst, height in zip(bursts.bursts, heights, strict=True):
        assert burst.height_v.value == pytest.approx(0.4 * height, rel=2e-3)


def test_another_speed_needs_no_other_carrier():
    heights = azimuth_loss(np.array(ANGLES) - 6.0, WIDTH_UM, 9.8415)
    bursts = found_in(made_bursts.bursts(7, 210.0, heights, turns=6.3, rpm=309.0))
    found = azimuth_of(bursts, ANGLES, width_um=WIDTH, radius_mm=RADIUS_MM, carrier_hz=125e3)
    assert found.angle_arcmin.value == pytest.approx(6.0, abs=1.0)


def test_too_few_bursts_are_no_azimuth():
    bursts = found_in(made_bursts.bursts(6, 210.0, (1.0, 0.9), turns=4.0))
    said = azimuth_of(bursts, ANGLES, width_um=WIDTH, radius_mm=39.0, carrier_hz=125e3)
    assert isinstance(said, Message)
    assert "2 bursts where the disk has 4" in str(said)


def test_without_an_index_it_says_what_to_wire():
    samples = made_bursts.bursts(8, 210.0, turns=4.0)
    samples[:, 2] = 5.0
    assert found_in(samples) == messages.NEEDS_INDEX


def test_noise_alone_has_no_burst():
    samples = made_bursts.bursts(9, 210.0, (0.0,), turns=4.0)
    assert "is the head on track 34 of the alignment disk?" in str(found_in(samples))


@pytest.mark.parametrize("together", [20, 50])
def test_min_max_pairs_tell_azimuth_and_start_to_a_pair(together):
    heights = azimuth_loss(np.array(ANGLES) + 8.0, WIDTH_UM, 9.8415)
    samples = made_bursts.bursts(11, 210.0, heights)
    edges = np.flatnonzero((samples[1:, 2] < 2.5) & (samples[:-1, 2] >= 2.5)) + 1
    records = [
        block_of(min_max_of(samples[edge : edge + 440_000], together), at_index=True, min_max=True)
        for edge in edges[:9:2]
    ]
    rate_hz = 2 * made_bursts.RATE_HZ / together
    setup = setup_for(("differential", "index"), rate_hz, bandwidth_hz=0.5e6)
    bursts = bursts_of(records, setup, 34)
    delay = index_of(bursts).delay_us
    assert delay.value == pytest.approx(210.0, abs=together)
    assert abs(delay.value - 210.0) < 2 * delay.u
    found = azimuth_of(bursts, ANGLES, width_um=WIDTH, radius_mm=RADIUS_MM, carrier_hz=125e3)
    assert found.angle_arcmin.value == pytest.approx(-8.0, abs=1.0)


def test_pairs_as_long_as_the_delay_do_not_time_it():
    samples = made_bursts.bursts(12, 210.0, (1.0,), turns=3.0)
    edge = int(np.argmax(samples[:, 2] < 2.5))
    rows = min_max_of(samples[edge : edge + 440_000], 200)
    setup = setup_for(("differential", "index"), 2 * made_bursts.RATE_HZ / 200, bandwidth_hz=0.5e6)
    found = bursts_of([block_of(rows, at_index=True, min_max=True)], setup, 1)
    assert index_of(found) == messages.START_UNTIMED


def test_missing_samples_leave_a_turn_out():
    samples = made_bursts.bursts(10, 210.0)
    samples[700_000:700_100, :2] = np.nan
    found = index_of(found_in(samples))
    assert found.turns == 10
    assert found.delay_us.value == pytest.approx(210.0, abs=1.0)


@pytest.mark.parametrize(("bins", "runs"), [(29, []), (30, [(499, 531)])])
def test_the_shortest_burst_is_a_64th_of_the_turn_and_of_what_smoothing_adds(bins, runs):
    power_v2 = np.full(2048, 1e-4)
    power_v2[500 : 500 + bins] = 1.0
    assert _runs(power_v2, blunt=8) == runs


@pytest.mark.parametrize("cycle", [16.0, 40.0])
def test_what_is_not_known_of_a_start_s_shape_is_what_moves_it(cycle):
    """Of one that takes a cycle, over all phases of the carrier; where it is comes from numpy."""
    omega, off = 2 * np.pi / cycle, []
    places = np.arange(round(60 * cycle))
    true = len(places) // 2 - 0.5
    there = np.clip((places - true) / cycle + 0.5, 0.0, 1.0)
    for phase in np.linspace(0.0, 2 * np.pi, 48, endpoint=False):
        strand = Strand(0.4 * there * np.cos(omega * places + phase), 1e6, 1e6 / cycle, ())
        found = start_of(strand, true + 3.0, 15 * cycle)
        off.append(found.place - true)
    assert np.std(off) == pytest.approx(found.u_shape, rel=0.02)
    assert abs(np.mean(off)) < 0.02 * found.u_shape


@pytest.mark.parametrize("volts", [0.1, 1.0, 30.0])
def test_an_envelope_s_start_and_its_noise_are_the_same_in_any_volts(volts):
    strand = Strand(volts * np.repeat([0.0, 0.4], 100), 1e5, None, ())
    tone = _Tone(0.4 * volts, 0.0, 0.0, 110.0, 0.01 * volts)
    start = _weighed(strand, tone, near=100.0, half=20.0)
    assert start.place == pytest.approx(99.5)
    # Of 41 values, each of them off by 1/40 of the height.
    assert start.u_noise == pytest.approx(np.sqrt(41 * strand.window) / 40)


@pytest.mark.parametrize(("beside", "told"), [(1, True), (-2, False)])
def test_two_windows_of_a_burst_s_flat_part_are_enough_to_tell_its_start(beside, told):
    """One value more, for between two values so long a stretch holds one less."""
    strand = Strand(np.repeat([0.0, 0.4], 1000), 1e5, None, ())
    found = start_of(strand, 1000.25, 2 * strand.window + beside)
    assert (found is not None) == told
    assert not told or found.place == pytest.approx(999.5, abs=0.01)
