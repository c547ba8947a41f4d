"""The drive as a whole: its truth against the signal that it gives, and its hands."""

from math import inf

import numpy as np
import pytest
from scipy import signal as scipy_signal

from instruments.source import Role
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.mechanics import PITCH_UM, ClampSeating
from instruments.virtual.params import VirtualParams
from instruments.virtual.sampling import simulate

RECORDINGS = ["two-band", "boundary", "alternating"]


def quiet(**changed):
    """Return a drive without noise and hum, and with everything else that may disturb."""
    return VirtualParams(**{"snr_db": inf, "hum_v": 0.0, "third_harmonic": 0.0, **changed})


@pytest.mark.parametrize("recording", ["two-band", "boundary"])
@pytest.mark.parametrize("offset_um", [-60.0, 0.0, 25.0, 90.0])
def test_truth_is_what_a_hilbert_envelope_of_the_quiet_signal_shows(recording, offset_um):
    # Reference: scipy.signal.hilbert, an estimator that shares nothing with the model.
    params = quiet(recording=recording, offset_um=offset_um, clamp_um=20.0, oval_um=3.0, seed=5)
    samples_v, truth = simulate(params, (Role.DIFFERENTIAL, Role.INDEX), seconds=0.45)
    envelope_v = np.abs(scipy_signal.hilbert(samples_v[:, 0].astype(float)))
    begin, end = (np.flatnonzero(np.diff(samples_v[:, 1]) < -1)[:2]).tolist()
    # Each lobe reaches at most a quarter turn and a little from its top.
    turn_v = envelope_v[begin:end]
    places = np.linspace(0, 1, turn_v.size)
    first_v = turn_v[np.abs(places - 0.25) < 0.15].max()
    second_v = turn_v[np.abs(places - 0.75) < 0.15].max()
    assert first_v == pytest.approx(truth.first_v, rel=2e-3)
    assert second_v == pytest.approx(truth.second_v, rel=2e-3)
    low, high = sorted((first_v, second_v))
    assert low / high == pytest.approx(truth.ratio, abs=1e-3)


@pytest.mark.parametrize("recording", RECORDINGS)
def test_head_outward_makes_the_first_lobe_after_the_index_the_taller(recording):
    params = quiet(
        recording=recording,
        offset_um=25.0,
        clamp_um=0.0,
        oval_um=0.0,
        head_um=1000.0,
        azimuth_arcmin=0.0,
    )
    truth = VirtualDrive(params).truth(0.0, 1.0)
    assert truth.first_v > truth.second_v
    assert truth.balance == pytest.approx(25 / 178, abs=1e-6)
    # 75 % is about 25 µm on a 48 tpi drive: common practice.
    assert truth.ratio == pytest.approx(0.75, abs=0.005)
    assert truth.difference == pytest.approx(1 - truth.ratio)
    assert (truth.first_v + truth.second_v) / 2 == pytest.approx(0.4)
    assert truth.scale_um == 178.0
    assert truth.geometry == recording
    assert truth.virtual


@pytest.mark.parametrize("speed_rpm", [300.0, 360.0])
def test_the_carrier_follows_the_speed(speed_rpm):
    # Counted cycles: rising zero crossings of the differential over one second. The alternating
    # recording keeps one phase all the turn.
    params = quiet(recording="alternating", speed_rpm=speed_rpm, wow_percent=1.0, rate=2e6)
    samples_v, truth = simulate(params, (Role.DIFFERENTIAL,), seconds=1.0)
    rising = np.count_nonzero((samples_v[:-1, 0] < 0) & (samples_v[1:, 0] >= 0))
    assert truth.carrier_hz == pytest.approx(25000 * truth.speed_rpm / 60)
    assert truth.speed_rpm == pytest.approx(speed_rpm, rel=0.005)
    assert rising == pytest.approx(truth.carrier_hz, abs=3)


def test_one_track_away_the_lobes_are_gone_and_come_back():
    drive = VirtualDrive(quiet())
    times_s = np.linspace(0.0, 0.2, 2000)
    before_v = drive.signal(times_s).envelope_v
    for direction in (1, -1):
        drive.step(direction)
        assert not drive.signal(times_s).envelope_v.any()
        truth = drive.truth(0.0, 0.2)
        assert truth.first_v == truth.second_v == 0.0
        assert truth.ratio is truth.balance is truth.difference is truth.snr_db is None
        drive.step(-direction)
    drive.step(-1)
    drive.step(1)
    assert drive.signal(times_s).envelope_v == pytest.approx(before_v)


def test_a_nudge_of_a_whole_pitch_is_a_step():
    drive = VirtualDrive(quiet(backlash_um=0.0, hand_percent=0.0, hand_um=0.0))
    there = drive.truth(0.0, 0.2)
    drive.nudge(PITCH_UM)
    assert drive.truth(0.0, 0.2).ratio is None
    drive.step(1)
    assert drive.truth(0.0, 0.2).balance == pytest.approx(there.balance)


def test_backlash_shows_in_the_balance():
    drive = VirtualDrive(quiet(backlash_um=10.0, offset_um=5.0, clamp_um=0.0, oval_um=0.0))
    from_outside = drive.truth(0.0, 0.2)
    drive.step(1)
    drive.step(-1)
    from_inside = drive.truth(0.0, 0.2)
    assert from_outside.balance == pytest.approx(5 / 178)
    assert from_inside.balance == pytest.approx(-5 / 178)
    assert from_inside.offset_um == pytest.approx(-5.0)


def test_reseating_changes_the_scale_and_not_the_zero():
    drive = VirtualDrive(quiet(offset_um=0.0, clamp_um=30.0, oval_um=0.0))
    off_line = VirtualDrive(quiet(offset_um=50.0, clamp_um=30.0, oval_um=0.0))
    balances = []
    for _ in range(5):
        drive.reseat()
        off_line.reseat()
        assert drive.truth(0.0, 0.2).balance == pytest.approx(0.0, abs=1e-9)
        balances.append(off_line.truth(0.0, 0.2).balance)
    assert len({round(value, 4) for value in balances}) == 5


@pytest.mark.parametrize(("shift_turns", "reads_um"), [(0.25, 26.49), (0.75, 23.67)])
def test_a_clamp_shift_scales_what_the_drive_gives(shift_turns, reads_um):
    # b = x/(S − u): S = 178, x = 25, u = ±10 along the first lobe, a quarter turn from the index.
    drive = VirtualDrive(quiet())
    drive.clamp.seating = ClampSeating(10.0, shift_turns)
    assert 178.0 * drive.truth(0.0, 0.2).balance == pytest.approx(reads_um, abs=0.005)


def test_seeds_decide_what_is_drawn():
    def state(seed):
        drive = VirtualDrive(VirtualParams(seed=seed, drop_outs=3))
        places = drive.disk.drop_outs.places_turns
        assert places is not None
        return drive.clamp.seating, drive.spindle, tuple(places)

    assert state(1) == state(1)
    assert all(one != other for one, other in zip(state(1), state(2), strict=True))


def test_drop_outs_weaken_the_signal_and_not_the_truth():
    whole, weak = VirtualDrive(quiet()), VirtualDrive(quiet(drop_outs=5, drop_out_depth=1.0))
    times_s = np.arange(20000) * 1e-5
    lost = weak.signal(times_s).envelope_v < 0.99 * whole.signal(times_s).envelope_v
    assert 0 < np.count_nonzero(lost) < 5 * 60
    assert weak.truth(0.0, 0.2) == whole.truth(0.0, 0.2)


def test_the_gauge_tells_how_far_the_head_was_moved_and_not_where_a_track_is():
    drives = [VirtualDrive(quiet(recording="track", offset_um=um, seed=3)) for um in (0.0, 40.0)]
    for drive in drives:
        drive.zero_gauge()
        drive.nudge(100.0)
    assert drives[0].gauge_um == drives[1].gauge_um != 0.0
    assert drives[0].gauge_um == round(drives[0].gauge_um)
    assert drives[0].gauge_um == pytest.approx(drives[0].positioner.offset_um, abs=0.5)
