"""What the job needs of the virtual drive: screws, the hand, tracks, bursts, a scratch disk."""

from math import inf, log10, pi

import numpy as np
import pytest

from instruments.source import Role
from instruments.virtual import disk
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.sampling import digitiser_for

STILL = {"wow_percent": 0.0, "drift_percent": 0.0, "snr_db": inf, "hum_v": 0.0}
RATE_HZ = 1e6


def drive_of(**changed):
    return VirtualDrive(VirtualParams(**{**STILL, "third_harmonic": 0.0, **changed}))


def sampled(drive, params, seconds=0.21):
    roles = (Role.DIFFERENTIAL, Role.INDEX)
    made, _ = digitiser_for(params, drive, roles, RATE_HZ).take(0, round(seconds * RATE_HZ))
    return made


@pytest.mark.parametrize(
    ("arcmin", "loss_db"), [(6, -0.047), (12, -0.187), (18, -0.423), (24, -0.758), (30, -1.196)]
)
def test_azimuth_loss(arcmin, loss_db):
    """The standard tape-loss expression sin y / y, for W = 300 µm and λ = 9.176 µm."""
    assert 20 * log10(disk.azimuth_loss(300.0, arcmin, 9.176)) == pytest.approx(loss_db, abs=5e-4)


@pytest.mark.parametrize(
    ("track", "side", "radius_mm"), [(16, 0, 48.683), (16, 1, 46.566), (39, 0, 36.5125)]
)
def test_radii(track, side, radius_mm):
    """ECMA-70, 5.1."""
    assert disk.radius_mm(track, side) == pytest.approx(radius_mm, abs=5e-4)


def test_spacing_loss():
    """Wallace, 54.6·d/λ dB: 5.28 dB at 0.3/3.1."""
    assert -20 * log10(disk.spacing_loss(0.3, 3.1)) == pytest.approx(5.28, abs=0.01)


def test_tight_screws_hold_the_body_and_tightening_moves_it():
    drive = drive_of(screws="tight", creep_um=9.0, creep_scatter_um=3.0, offset_um=0.0)
    drive.nudge(50.0)
    assert drive.positioner.middle_um == pytest.approx(-3.0)
    shifts = []
    for _ in range(50):
        drive.loosen()
        before_um = drive.positioner.middle_um
        drive.tighten()
        drive.tighten()
        shifts.append(drive.positioner.middle_um - before_um)
    assert max(abs(shift - 9.0) for shift in shifts) <= 3.0
    assert np.std(shifts) == pytest.approx(3.0 / 3**0.5, rel=0.4)


def test_the_hand_errs_by_a_part_and_a_rest():
    drive = drive_of(hand_percent=10.0, hand_um=2.0, offset_um=0.0)
    moved = []
    for _ in range(400):
        before_um = drive.positioner.middle_um
        drive.nudge(100.0)
        moved.append(drive.positioner.middle_um - before_um)
    assert np.mean(moved) == pytest.approx(100.0, abs=2.0)
    assert np.std(moved) == pytest.approx((10.0**2 + 2.0**2) ** 0.5, rel=0.15)


def test_a_trimmed_spindle_turns_on_without_a_jump():
    drive = VirtualDrive(VirtualParams(speed_rpm=297.0))
    at_s = np.array([12.3])
    before = drive.spindle.turns(at_s)
    drive.trim_speed(1.0, 12.3)
    assert drive.spindle.turns(at_s) == pytest.approx(before, abs=1e-9)
    assert drive.spindle.mean_rpm(12.3, 400.0) == pytest.approx(299.97, rel=3e-4)


@pytest.mark.parametrize("side", [0, 1])
def test_the_index_burst_starts_when_it_should(side):
    params = VirtualParams(**STILL, index_burst_us=200.0, index_side_us=30.0, speed_rpm=306.0)
    drive = VirtualDrive(params)
    drive.seek(1)
    drive.select(side)
    made = sampled(drive, params, 0.4)
    index = made[:, 1] < 2.5
    edge = np.flatnonzero(index[1:] & ~index[:-1])[0] + 1
    signal = np.abs(made[edge : edge + 3000, 0])
    start_us = np.flatnonzero(signal > 0.02)[0] / RATE_HZ * 1e6
    assert start_us == pytest.approx((200.0 + 30.0 * side) * 300.0 / 306.0, abs=3.0)


def test_the_azimuth_bursts_follow_the_loss_curve():
    params = VirtualParams(**STILL, azimuth_arcmin=5.0)
    drive = VirtualDrive(params)
    drive.seek(34)
    times_s = drive.spindle.times_s(np.array([1.0 + 0.001 + 0.03 + each / 8 for each in range(4)]))
    heights = drive.signal(times_s).envelope_v / 0.4
    length_um = 2 * pi * disk.radius_mm(34, 0) * 1e3 / 25000
    for height, angle in zip(heights, (-12, 12, -18, 18), strict=True):
        # The bursts are wider than the head, of 330 µm.
        y = pi * 330.0 * np.tan(np.radians((angle - 5.0) / 60)) / length_um
        assert height == pytest.approx(np.sin(y) / y, rel=1e-6)


def test_nothing_is_written_where_the_sensor_protects():
    drive = drive_of()
    drive.write("2F")
    for inserted, protected in (("alignment", True), ("protected", True), ("scratch", False)):
        drive.insert(inserted)
        assert drive.write_protected is protected
    drive.insert("protected")
    drive.write("2F")
    drive.insert("scratch")
    assert not drive.signal(np.array([0.1])).envelope_v.any()
    drive.write("1F")
    assert drive.track.cycles_per_turn == 12500
    drive.seek(0)
    assert drive.at_track_zero
    assert not drive.signal(np.array([0.1])).envelope_v.any()


def test_a_failing_sensor_protects_nothing():
    drive = drive_of(protect="fails")
    drive.insert("protected")
    assert not drive.write_protected
    drive.write("2F")
    assert drive.signal(np.array([0.1])).envelope_v.any()


def test_a_written_track_has_its_frequency_modulation_and_asymmetry():
    params = VirtualParams(
        **STILL, third_harmonic=0.0, modulation_percent=10.0, asymmetry_ns=400.0, rate=RATE_HZ
    )
    drive = VirtualDrive(params)
    drive.insert("scratch")
    drive.write("1F")
    times_s = np.arange(20000) / RATE_HZ * 10
    envelope = drive.signal(times_s).envelope_v
    assert (envelope.max() - envelope.min()) / (envelope.max() + envelope.min()) == pytest.approx(
        0.10, abs=1e-3
    )
    fine = digitiser_for(params, drive, (Role.DIFFERENTIAL,), 20e6).take(0, 40000)[0][:, 0]
    tops = np.flatnonzero((fine[1:-1] > fine[:-2]) & (fine[1:-1] >= fine[2:])) + 1
    lows = np.flatnonzero((fine[1:-1] < fine[:-2]) & (fine[1:-1] <= fine[2:])) + 1
    lows = lows[lows > tops[0]]
    count = min(len(tops), len(lows)) - 1
    falling = np.mean(lows[:count] - tops[:count]) / 20e6
    rising = np.mean(tops[1 : count + 1] - lows[:count]) / 20e6
    assert 1 / (falling + rising) == pytest.approx(62.5e3, rel=1e-3)
    assert (falling - rising) / 2 * 1e9 == pytest.approx(400.0, abs=15.0)


def test_a_drive_ages():
    young = drive_of(speed_rpm=300.0, offset_um=0.0)
    old = drive_of(speed_rpm=300.0, offset_um=0.0, age_months=24, ageing_um=-0.5, ageing_rpm=0.02)
    assert old.positioner.middle_um - young.positioner.middle_um == pytest.approx(-12.0)
    assert old.spindle.speed_rpm == pytest.approx(300.48)


def test_each_side_has_its_own_head():
    drive = drive_of(side_um=40.0, azimuth_side_arcmin=-9.0)
    first = drive.truth(0.0, 1.0)
    drive.select(1)
    second = drive.truth(0.0, 1.0)
    assert second.middle_um - first.middle_um == pytest.approx(40.0)
    assert second.azimuth_arcmin == -9.0
