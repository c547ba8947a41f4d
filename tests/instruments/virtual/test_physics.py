"""What each part of the virtual drive does, sample by sample, against closed forms.

References are elementary: overlaps of intervals, sums of tones, trapezoids, straight lines. They
are written out here in another way than in the model.
"""

from dataclasses import replace
from math import inf, nan, pi, tau

import numpy as np
import pytest

from instruments.source import Role
from instruments.virtual.disk import (
    Alternating,
    Beat,
    Boundary,
    DropOuts,
    ScratchDisk,
    TwoBand,
    WindowedBursts,
    bursts,
    presence,
)
from instruments.virtual.drive import BURST_TRACKS, VirtualDrive, amplifier_of, disk_of, spindle_of
from instruments.virtual.mechanics import (
    ALIGNMENT_TRACK,
    PITCH_UM,
    ClampSeating,
    IndexSensor,
    Spindle,
)
from instruments.virtual.params import VirtualParams, windows_of
from instruments.virtual.sampling import digitiser_for, simulate

STILL = VirtualParams(
    wow_percent=0.0,
    drift_percent=0.0,
    snr_db=inf,
    hum_v=0.0,
    third_harmonic=0.0,
    mismatch_percent=0.0,
    clamp_um=0.0,
    oval_um=0.0,
    hand_percent=0.0,
    hand_um=0.0,
)
TURN = np.arange(7200) / 7200
S_UM, W_UM = 178.0, 330.0
WANDERING_UM = 400.0 * np.sin(tau * 3 * TURN + 1.0)


def overlap(offset_um, edge_um, outward):
    """Return by how much a head about `offset_um` overlaps a band that begins at `edge_um`."""
    low, high = offset_um - W_UM / 2, offset_um + W_UM / 2
    over = high - np.maximum(low, edge_um) if outward else np.minimum(high, edge_um) - low
    return np.maximum(over, 0.0) / S_UM


def two_band_overlaps(offset_um, top=0.2, eccentricity_um=1.4 * S_UM):
    """Return those with the two bands: at its top each reaches S under a head on the line."""
    sway = eccentricity_um * (1.0 - np.cos(tau * (TURN - top)))
    sway_back = eccentricity_um * (1.0 + np.cos(tau * (TURN - top)))
    outer = overlap(offset_um, W_UM / 2 - S_UM + sway, outward=True)
    return outer, overlap(offset_um, S_UM - W_UM / 2 - sway_back, outward=False)


def test_two_bands_give_the_overlaps_of_intervals():
    recording = TwoBand(0.2, S_UM, 1.4 * S_UM, W_UM)
    first, second = two_band_overlaps(WANDERING_UM)
    wave, across = recording.wave(TURN, WANDERING_UM)
    assert across is None
    assert wave == pytest.approx(first + second, abs=1e-12)
    assert recording.heights(TURN, WANDERING_UM) == pytest.approx((first.max(), second.max()))


def boundary_by_parts(offset_um, tilt_per_um, eccentricity_um=S_UM, top=0.2):
    """Return what a head's width gives in sum, each part of it with its band's sign and delay."""
    across_um = (np.arange(4000) + 0.5) / 4000 * W_UM - W_UM / 2
    circle_um = -eccentricity_um * np.cos(tau * (TURN[::40] - top)) - offset_um[::40]
    signs = np.sign(circle_um[:, None] - across_um)
    return (signs * np.exp(-1j * tilt_per_um * across_um)).mean(1) * W_UM / (2 * eccentricity_um)


def test_a_boundary_gives_what_its_parts_give_whether_or_not_it_lies_under_the_head():
    for tilt_per_um in (0.0, 6e-4, -2.7e-3):
        recording = Boundary(0.2, S_UM, W_UM, tilt_per_um)
        along, across = recording.wave(TURN, WANDERING_UM)
        whole = (along + 1j * (0.0 if across is None else across))[::40]
        expected = -boundary_by_parts(WANDERING_UM, tilt_per_um)
        assert np.abs(whole) == pytest.approx(np.abs(expected), abs=1e-3)
        assert whole.real == pytest.approx(expected.real, abs=1e-3)
    assert Boundary(0.2, S_UM, W_UM).wave(TURN, WANDERING_UM)[1] is None


def test_a_boundary_of_a_wide_head_is_the_distance_from_an_eccentric_circle():
    recording = Boundary(0.2, S_UM, 3000.0)
    circle_um = -S_UM * np.cos(tau * (TURN - 0.2))
    distance = (WANDERING_UM - circle_um) / S_UM
    assert recording.wave(TURN, WANDERING_UM)[0] == pytest.approx(distance, abs=1e-12)
    assert recording.heights(TURN, WANDERING_UM) == pytest.approx((distance.max(), -distance.min()))
    for offset_um, lobes in ((2.5 * S_UM, (3.5, 0.0)), (-2.5 * S_UM, (0.0, 3.5))):
        away = np.full_like(TURN, offset_um)
        assert recording.heights(TURN, away) == pytest.approx(lobes, abs=1e-6)


def test_a_head_narrower_than_the_boundarys_sway_reads_flat_tops():
    recording = Boundary(0.2, S_UM, W_UM)
    for offset_um in (0.0, 7.0, -7.0):
        heights = recording.heights(TURN, np.full_like(TURN, offset_um))
        assert heights == pytest.approx((W_UM / 2 / S_UM, W_UM / 2 / S_UM))


@pytest.mark.parametrize(
    ("arcmin", "filling"), [(4.0, 0.054), (8.0, 0.109), (12.0, 0.163), (18.0, 0.246)]
)
def test_azimuth_fills_the_nulls_of_a_boundary(arcmin, filling):
    # Null over the lobes' height under a head of 330 µm, e = 150 µm, λ = 12.23 µm, from the closed
    # form |S(p)| = (2/k)·sqrt(1 + c² − 2c·cos kp); even lobes stay even.
    tilt_per_um = tau * np.tan(np.radians(arcmin / 60)) / 12.23
    recording = Boundary(0.2, 150.0, W_UM, tilt_per_um)
    envelope = np.hypot(*recording.wave(TURN, np.zeros_like(TURN)))
    assert envelope.min() / envelope.max() == pytest.approx(filling, abs=1e-3)
    first, second = recording.heights(TURN, np.zeros_like(TURN))
    assert first == pytest.approx(second, rel=1e-9)


def test_the_azimuth_of_the_head_that_is_selected_fills_the_nulls():
    params = replace(STILL, recording="boundary", azimuth_arcmin=12.0, azimuth_side_arcmin=0.0)
    drive = VirtualDrive(params)
    times_s = np.arange(2000) * 1e-4
    filled_v = drive.signal(times_s).envelope_v
    drive.select(1)
    clean_v = drive.signal(times_s).envelope_v
    assert filled_v.min() > 0.05 * filled_v.max()
    assert clean_v.min() < 1e-2 * clean_v.max()


def test_a_track_that_is_stronger_on_one_side_lifts_the_lobe_there():
    # For one pair a turn a swing of m shows as a false offset of about S·m.
    for recording, share in (("two-band", 1.0), ("alternating", 0.0)):
        balances = []
        for modulation in (0.0, 5.0):
            params = replace(
                STILL, recording=recording, offset_um=0.0, radial_modulation_percent=modulation
            )
            drive = VirtualDrive(params)
            drive.disk = replace(
                drive.disk, evenness=replace(drive.disk.evenness, strongest_turns=0.25)
            )
            balances.append(drive.truth(0.0, 1.0).balance)
        assert balances[0] == pytest.approx(0.0, abs=1e-9)
        assert balances[1] == pytest.approx(share * 0.05, abs=2e-3)


def test_where_a_track_is_strongest_is_drawn_and_it_is_the_radial_one_alone():
    params = replace(STILL, recording="alternating", radial_modulation_percent=20.0)
    places = [VirtualDrive(replace(params, seed=k)).disk.evenness.strongest_turns for k in (1, 2)]
    assert places[0] != places[1]
    turns = np.arange(4000) / 4000
    even = VirtualDrive(params).disk.evenness
    assert even.gain(turns) == pytest.approx(1 + 0.2 * np.cos(tau * (turns - places[0])))
    drive = VirtualDrive(replace(STILL, radial_modulation_percent=20.0, blank_deg=90.0))
    drive.seek(BURST_TRACKS[0])
    swung = drive.signal(np.arange(4000) * 5e-5).envelope_v
    plain = VirtualDrive(STILL)
    plain.seek(BURST_TRACKS[0])
    assert np.array_equal(swung, plain.signal(np.arange(4000) * 5e-5).envelope_v)


def test_what_the_spindle_does_lies_elsewhere_with_each_seating_and_is_nil_in_the_mean():
    drive = VirtualDrive(replace(STILL, spindle_modulation_percent=5.0, offset_um=0.0))
    balances, angles = [], []
    for _ in range(400):
        balances.append(drive.truth(0.0, 1.0).balance)
        angles.append(drive.clamp.seating.spindle_turns)
        drive.reseat()
    # Of a swing by m each lobe has its part that lies there: the first one's top is at `top`.
    top = STILL.first_lobe / 2.0
    expected = 0.05 * np.cos(tau * (np.array(angles) - top))
    assert balances == pytest.approx(expected, abs=3e-3)
    assert abs(np.mean(balances)) < 4.0 * 0.05 / np.sqrt(2.0 * len(balances))


def test_what_the_spindle_does_is_done_to_every_track():
    plain = VirtualDrive(STILL)
    swung = VirtualDrive(replace(STILL, spindle_modulation_percent=20.0))
    times_s = np.arange(4000) * 5e-5
    for track in (ALIGNMENT_TRACK, *BURST_TRACKS):
        for drive in (plain, swung):
            drive.seek(track)
        whole_v, got_v = (drive.signal(times_s).envelope_v for drive in (plain, swung))
        there = whole_v > 0.1 * whole_v.max()
        factor = got_v[there] / whole_v[there]
        turns = swung.spindle.turns(times_s)[there]
        angle = swung.clamp.seating.spindle_turns
        assert factor == pytest.approx(1.0 + 0.2 * np.cos(tau * (turns - angle)))


def test_a_splice_is_blank_from_the_index_on():
    drive = VirtualDrive(replace(STILL, recording="alternating", blank_deg=36.0))
    times_s = np.arange(20000) * 1e-5
    turns = np.remainder(drive.spindle.turns(times_s), 1.0)
    envelope_v = drive.signal(times_s).envelope_v
    assert not envelope_v[turns < 0.1].any()
    whole = VirtualDrive(replace(STILL, recording="alternating")).signal(times_s).envelope_v
    assert np.array_equal(envelope_v[turns >= 0.1], whole[turns >= 0.1])


def test_alternating_groups_give_the_overlap_of_their_side_and_cosine_ramps():
    recording = Alternating(0.02, S_UM, 3, W_UM)
    outward = overlap(WANDERING_UM, W_UM / 2 - S_UM, outward=True)
    inward = overlap(WANDERING_UM, S_UM - W_UM / 2, outward=False)
    # Six groups a turn, the first about 0.02; the ramps are 0.04 of a group at either end.
    groups = (TURN - 0.02) * 6
    number = np.floor(groups + 0.5)
    from_edge = 0.5 - np.abs(groups - number)
    ramp = np.sin(pi / 2 * np.minimum(from_edge / 0.04, 1.0)) ** 2
    even = number % 2 == 0
    wave, across = recording.wave(TURN, WANDERING_UM)
    assert across is None
    assert wave == pytest.approx(ramp * np.where(even, outward, inward), abs=1e-9)
    flat = from_edge > 0.04
    heights = outward[flat & even].mean(), inward[flat & ~even].mean()
    assert recording.heights(TURN, WANDERING_UM) == pytest.approx(heights, rel=1e-9)
    # What lies beyond a group's flat top does not count.
    within = np.where(even, 30.0, -20.0)
    expected = (1 + 30 / S_UM, 1 + 20 / S_UM)
    assert recording.heights(TURN, np.where(flat, within, nan)) == pytest.approx(expected)


def test_windows_give_the_overlap_of_their_side_and_nothing_between():
    windows = windows_of("15.02:100:outward,190.02:45:inward,240.02:20:outward")
    assert windows is not None
    recording = WindowedBursts(windows, S_UM, W_UM)
    outward = overlap(WANDERING_UM, W_UM / 2 - S_UM, outward=True)
    inward = overlap(WANDERING_UM, S_UM - W_UM / 2, outward=False)
    degrees = 360.0 * TURN
    wave, across = recording.wave(TURN, WANDERING_UM)
    assert across is None
    sums, counts = {True: 0.0, False: 0.0}, {True: 0, False: 0}
    inside_any = np.zeros(TURN.shape, bool)
    for start, end, side in (
        (15.02, 115.02, outward),
        (190.02, 235.02, inward),
        (240.02, 260.02, outward),
    ):
        inside = (degrees > start + 0.5) & (degrees < end - 0.5)
        inside_any |= (degrees >= start) & (degrees <= end)
        assert wave[inside] == pytest.approx(side[inside], abs=1e-9)
        sums[side is outward] += side[inside].sum()
        counts[side is outward] += inside.sum()
        # Half way up a ramp is half a quarter of a degree from the edge.
        edge = np.interp(start + 0.25, degrees, wave / np.maximum(side, 1e-9))
        assert edge == pytest.approx(0.5, abs=0.05)
    assert not wave[~inside_any].any()
    means = tuple(sums[side] / counts[side] for side in (True, False))
    assert recording.heights(TURN, WANDERING_UM) == pytest.approx(means, rel=1e-9)


def test_a_drive_with_windows_tells_its_truth():
    params = replace(STILL, recording="windows", offset_um=35.6, backlash_um=0.0)
    truth = VirtualDrive(params).truth(0.0, 1.0)
    assert truth.geometry == "windows"
    assert truth.balance == pytest.approx(35.6 / S_UM, rel=1e-9)


def test_a_beat_is_the_sum_of_two_tones_a_cycle_a_turn_above_and_below():
    recording = Beat(0.2, S_UM, W_UM)
    outer = overlap(WANDERING_UM, W_UM / 2 - S_UM, outward=True)
    inner = overlap(WANDERING_UM, S_UM - W_UM / 2, outward=False)
    turning = np.exp(1j * tau * (TURN - 0.2))
    tones = (outer * turning + inner / turning) / 2
    along, across = recording.wave(TURN, WANDERING_UM)
    assert along + 1j * across == pytest.approx(tones, abs=1e-12)
    # Far out the head sees the outer track alone, and there is no beat: half the head's width.
    half = np.abs((TURN - 0.2 + 0.5) % 1.0 - 0.5) < 0.25
    one, other = recording.heights(TURN, np.where(half, 300.0, 0.0))
    assert (one, other) == pytest.approx((W_UM / S_UM / 2, 1.0), abs=1e-6)


@pytest.mark.parametrize(
    ("pitches", "left"), [(0.5, 1.0), (0.55, 0.84375), (0.6, 0.5), (0.65, 0.15625), (0.7, 0.0)]
)
def test_the_guard_erases_smoothly(pitches, left):
    # 1 − (3t² − 2t³), the cubic that joins 0 and 1 without a corner.
    assert presence(pitches * PITCH_UM, PITCH_UM) == pytest.approx(left)
    assert presence(-pitches * PITCH_UM, PITCH_UM) == pytest.approx(left)


def test_half_erased_the_drive_gives_half_of_its_lobes():
    drive = VirtualDrive(replace(STILL, recording="beat", offset_um=0.6 * PITCH_UM))
    assert drive.signal(TURN).envelope_v.max() == pytest.approx(0.5 * 0.4 * W_UM / S_UM / 2)
    assert drive.truth(0.0, 1.0).first_v == pytest.approx(0.5 * 0.4 * W_UM / S_UM / 2)


def test_a_drop_out_is_a_trapezoid_with_ramps_of_three_tenths_of_its_half():
    at = np.array([-1.0, -0.85, -0.7, 0.0, 0.7, 0.85, 1.0])
    flaw = DropOuts(np.array([0.4]), 1, 0.02, 0.6, seed=1)
    turns = 5.4 + 0.01 * at * (1 - 1e-12)
    amplitude = np.full_like(turns, 2.0)
    flaw.apply(turns, amplitude)
    assert 1 - amplitude / 2 == pytest.approx([0, 0.3, 0.6, 0.6, 0.6, 0.3, 0], abs=1e-9)


def test_a_burst_has_its_height_place_length_and_straight_edges():
    start, rise = 0.97, 1e-5
    track = bursts(start, (1.0, 0.5, 0.25), 25000)
    at = {-0.5: 0.0, -0.25: 0.25, 0.0: 0.5, 0.25: 0.75, 0.5: 1.0, 100.0: 1.0}
    for number, height in enumerate((1.0, 0.5, 0.25, 0.0, 0.0, 0.0, 0.0, 0.0)):
        # Eight to a turn, each with a pause of its own length after it.
        begin = start + number / 8 - 1.0
        rising = np.array(list(at)) * rise
        expected = pytest.approx([height * part for part in at.values()], abs=1e-9)
        assert track.wave(begin + rising, rising)[0] == expected
        assert track.wave(begin + 1 / 16 - rising, rising)[0] == expected
    assert track.has_edges
    assert track.gain == 1.0
    assert track.skew_rad == 0.0


def test_a_written_track_is_strongest_at_its_place():
    disk = ScratchDisk(replace(STILL, modulation_percent=20.0), 25000, 0.3)
    disk.write(5, 1, "1F")
    wave, across = disk.track(5, 1).wave(TURN, TURN)
    assert across is None
    assert TURN[wave.argmax()] == pytest.approx(0.3)
    assert (wave.max(), wave.min()) == pytest.approx((1.2, 0.8))
    assert not disk.track(5, 1).has_edges
    assert disk.track(5, 0).gain == disk.track(4, 1).gain == 0.0


def test_a_written_track_loses_height_by_the_spacing():
    # Wallace: 54.6 dB times spacing over wavelength, the circumference over the cycles.
    drive = VirtualDrive(replace(STILL, spacing_um=1.0, modulation_percent=0.0))
    drive.insert("scratch")
    for pattern, cycles in (("1F", 12500), ("2F", 25000)):
        drive.write(pattern)
        length_um = tau * 48.683e3 / cycles
        envelope_v = drive.signal(TURN).envelope_v
        assert 20 * np.log10(envelope_v / 0.4) == pytest.approx(-54.575 / length_um, rel=1e-4)


@pytest.mark.parametrize("active_high", [True, False])
@pytest.mark.parametrize("first", [0, 12345])
def test_an_index_pulse_is_a_trapezoid_about_its_places(active_high, first):
    # At 300 rpm a turn lasts 200 ms: from half height to half height 0.02 of it, 4 ms.
    rate_hz, out_v = 100e3, np.empty(50000, np.float32)
    sensor = IndexSensor(5.0, active_high, 0.02, edge_s=1e-3)
    sensor.fill(out_v, Spindle(300.0, start_turns=0.25), first, rate_hz)
    since_s = (np.arange(first, first + 50000) / rate_hz + 0.05 + 0.1) % 0.2 - 0.1
    shape = np.interp(since_s, (-0.5e-3, 0.5e-3, 3.5e-3, 4.5e-3), (0, 1, 1, 0))
    assert out_v == pytest.approx(5 * shape if active_high else 5 - 5 * shape, abs=1e-4)


@pytest.mark.parametrize("polarity", ["low", "high"])
def test_the_index_has_the_levels_width_and_edges_that_the_options_say(polarity):
    params = replace(
        STILL,
        index_v=3.0,
        index_polarity=polarity,
        index_width_ms=6.0,
        index_edge_us=400.0,
        speed_rpm=360.0,
        rate=1e5,
    )
    index_v = simulate(params, (Role.DIFFERENTIAL, Role.INDEX), seconds=1.0)[0][:, 1]
    pulse = index_v if polarity == "high" else 3.0 - index_v
    assert (index_v.min(), index_v.max()) == (0.0, 3.0)
    # Its width is a part of the turn: 6 ms at 300 rpm are 5 ms at 360; six of them a second.
    assert pulse.mean() / 3.0 == pytest.approx(6 * 5e-3, rel=1e-3)
    edge = np.count_nonzero((pulse > 0) & (pulse < 3.0)) / 12
    assert edge == pytest.approx(40, abs=1)


@pytest.mark.parametrize(
    ("options", "frequency_hz"),
    [
        ({"wow_percent": 2.0, "wow_hz": 3.0}, 3.0),
        ({"drift_percent": 2.0, "drift_period_s": 12.5}, 0.08),
    ],
)
def test_the_speed_swings_as_the_options_say(options, frequency_hz):
    spindle = VirtualDrive(replace(STILL, speed_rpm=360.0, **options)).spindle
    times_s = np.linspace(0.0, 1.0 / frequency_hz, 2001)
    speed_rpm = 60 * np.gradient(spindle.turns(times_s), times_s)
    inner = speed_rpm[1:-1]
    assert (inner.min(), inner.max()) == pytest.approx((352.8, 367.2), rel=1e-4)
    tone = 2 * np.mean((inner - 360.0) * np.exp(-1j * tau * frequency_hz * times_s[1:-1]))
    assert abs(tone) == pytest.approx(7.2, rel=2e-3)


def test_chance_favours_no_angle():
    """Where a turn, a wow, a drift and the hum begin is drawn evenly from all of a turn."""
    params = VirtualParams()
    drawn = []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        spindle, amplifier = spindle_of(params, rng), amplifier_of(params, rng)
        phases = [wow.phase_rad / tau for wow in spindle.wows]
        drawn.append([*phases, spindle.start_turns, amplifier.hum_phase_rad / tau])
    parts = np.array(drawn)
    assert ((parts >= 0) & (parts < 1)).all()
    # The mean of 400 unit vectors: 0.05 is its root mean square.
    assert np.abs(np.exp(1j * tau * parts).mean(axis=0)).max() < 0.15
    assert parts.std(axis=0) == pytest.approx(12**-0.5, rel=0.1)


def test_flaws_that_fall_anew_each_turn_differ_from_disk_to_disk():
    params = replace(STILL, drop_outs=2, drop_out_place="random")
    flaws = [
        disk_of(params, *np.random.default_rng(seed).spawn(2)).drop_outs for seed in range(200)
    ]
    assert len({flaw.seed for flaw in flaws}) == 200
    assert all(flaw.places_turns is None for flaw in flaws)


def test_drop_outs_are_as_many_as_long_and_as_deep_as_the_options_say():
    params = replace(STILL, drop_outs=2, drop_out_deg=9.0, drop_out_depth=0.25)
    turns = np.arange(36000) / 36000
    gain = np.ones_like(turns)
    VirtualDrive(params).disk.drop_outs.apply(turns, gain)
    assert gain.min() == pytest.approx(0.75)
    # A ramp of 0.3 of the half at either end takes as much as 0.85 of a rectangle.
    assert 360 * (1 - gain).mean() == pytest.approx(2 * 9.0 * 0.25 * 0.85, rel=1e-3)


def test_the_track_closes_on_itself_with_the_standards_density():
    # 7958 flux transitions a radian, the title of ISO 8860: two make a cycle, a turn is 2π.
    cycles = VirtualDrive(STILL).disk.cycles_per_turn
    assert cycles == pytest.approx(pi * 7958, abs=1)
    for carrier_hz, whole in ((125001.0, 25000), (124990.0, 24998)):
        assert VirtualDrive(replace(STILL, carrier_hz=carrier_hz)).disk.cycles_per_turn == whole


@pytest.mark.parametrize(("recording", "pairs"), [("two-band", 1), ("alternating", 4)])
def test_the_first_lobe_stands_where_the_option_says(recording, pairs):
    params = replace(STILL, recording=recording, pairs=4, first_lobe=0.3)
    drive = VirtualDrive(params)
    wave, _ = drive.disk.recording.wave(TURN, np.full_like(TURN, 40.0))
    tops = TURN[np.isclose(wave, wave.max(), atol=1e-6)]
    middle = np.angle(np.exp(1j * tau * pairs * tops).mean()) / (tau * pairs)
    assert middle == pytest.approx(0.3 / (2 * pairs), abs=1e-3)


def test_the_truth_names_the_recording_and_its_pairs():
    # All but alternating groups have one pair of lobes a turn.
    for recording, pairs in (("two-band", 1), ("boundary", 1), ("alternating", 4), ("beat", 1)):
        truth = VirtualDrive(replace(STILL, recording=recording, pairs=4)).truth(0.0, 1.0)
        assert (truth.geometry, truth.pairs) == (recording, pairs)


def test_the_truth_is_that_of_the_options_and_the_hands():
    params = replace(
        STILL,
        speed_rpm=330.0,
        side_um=40.0,
        backlash_um=8.0,
        snr_db=30.0,
        recording="boundary",
        head_um=1000.0,
    )
    drive = VirtualDrive(params)
    drive.clamp.seating = ClampSeating(3.0, 0.1, 2.0, 0.2)
    drive.select(1)
    truth = drive.truth(2.0, 3.0)
    assert (truth.geometry, truth.pairs, truth.scale_um) == ("boundary", 1, 178.0)
    assert (truth.offset_um, truth.middle_um, truth.hysteresis_um) == (65.0, 61.0, 8.0)
    assert (truth.shift_um, truth.oval_um, truth.azimuth_arcmin) == (3.0, 2.0, -7.0)
    assert truth.speed_rpm == pytest.approx(330.0)
    assert truth.carrier_hz == pytest.approx(25000 * 5.5)
    assert truth.index_delay_us == pytest.approx(225.0 * 300 / 330)
    low_v, high_v = truth.second_v, truth.first_v
    assert truth.ratio == pytest.approx(low_v / high_v)
    assert truth.difference == pytest.approx(1 - low_v / high_v)
    assert truth.balance == pytest.approx((high_v - low_v) / (high_v + low_v))
    noise_v = 0.4 * 10 ** (-30 / 20) / 2**0.5
    assert truth.snr_db == pytest.approx(20 * np.log10(high_v / 2**0.5 / noise_v))
    drive.select(0)
    other = drive.truth(2.0, 3.0)
    assert (other.offset_um, other.azimuth_arcmin) == (25.0, 4.0)
    assert other.index_delay_us == pytest.approx(210.0 * 300 / 330)


def test_phases_are_halves_with_mismatch_hum_and_dc():
    """plus = (1 + m/2)(s/2 + h) + dc and minus = (1 − m/2)(−s/2 + h), sample by sample."""
    params = replace(STILL, recording="alternating", rate=1e6)
    s = simulate(params, (Role.DIFFERENTIAL,), seconds=0.05)[0][:, 0].astype(float)
    loud = replace(params, mismatch_percent=20.0, hum_v=0.2, hum_hz=60.0, dc_v=0.1)
    plus, minus = simulate(loud, (Role.PLUS, Role.MINUS), seconds=0.05)[0].T.astype(float)
    hum = (minus / 0.9 + s / 2) / 0.2
    assert plus == pytest.approx(1.1 * (s / 2 + 0.2 * hum) + 0.1, abs=1e-6)
    both = simulate(loud, (Role.DIFFERENTIAL,), seconds=0.05)[0][:, 0]
    assert both == pytest.approx(s + 0.2 * 0.2 * hum + 0.1, abs=1e-6)
    # A sine of 60 Hz is −1/(2π60)² of its own curvature; three whole periods in 50 ms.
    angle = tau * 60.0 * np.arange(hum.size) / 1e6
    assert abs(2 * np.mean(hum * np.exp(-1j * angle))) == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize(
    ("part", "gain"), [(0.35, 1.0), (0.45, 0.99714), (0.48, 0.70711), (0.495, 0.2801)]
)
def test_the_filter_falls_steeply_below_half_the_rate(part, gain):
    # A Butterworth of order 40 with its corner at 0.48: (1 + (f/f0)^80)^−1/2.
    params = replace(STILL, recording="alternating", rate=250e3, carrier_hz=part * 250e3)
    drive = VirtualDrive(params)
    digitiser = digitiser_for(params, drive, (Role.DIFFERENTIAL,), 250e3)
    volts = digitiser.take(0, 10000)[0][:, 0].astype(float)
    envelope_v = drive.signal(np.arange(10000) / 250e3).envelope_v
    tops = envelope_v > 0.99 * envelope_v.max()
    # Samples of a sine of that frequency come near its top within some periods.
    assert np.abs(volts[tops]).max() / envelope_v.max() == pytest.approx(gain, rel=5e-3)


@pytest.mark.parametrize("carrier_hz", [50e3, 159e3])
def test_the_third_harmonic_passes_the_filter_as_a_frequency_of_its_own(carrier_hz):
    params = replace(
        STILL, recording="alternating", rate=1e6, carrier_hz=carrier_hz, third_harmonic=0.2
    )
    volts = simulate(params, (Role.DIFFERENTIAL,), seconds=0.02)[0][6000:7000, 0]
    cycle = tau * 25000 * carrier_hz / 125e3 * 5 * np.arange(1000) / 1e6
    one, three = (abs(np.mean(volts * np.exp(-1j * n * cycle))) for n in (1, 3))
    passed = (1 + (3 * carrier_hz / 480e3) ** 80) ** -0.5
    assert three / one == pytest.approx(0.2 * passed, rel=1e-2)


@pytest.mark.parametrize("bits", [2, 3])
def test_codes_are_even_steps_from_the_lower_rail_to_one_below_the_upper(bits):
    params = replace(STILL, amplitude_v=3.0, bits=bits, full_scale_v=2.0)
    exact = simulate(replace(params, bits=0, full_scale_v=inf), (Role.DIFFERENTIAL,), seconds=0.1)
    coarse = simulate(params, (Role.DIFFERENTIAL,), seconds=0.1)[0][:, 0]
    step_v = 4.0 / 2**bits
    codes = np.clip(np.rint(exact[0][:, 0] / step_v), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    assert np.array_equal(coarse, (codes * step_v).astype(np.float32))


@pytest.mark.parametrize(
    ("peak_v", "clipped"), [(0.499, True), (0.501, True), (0.49, False), (0.45, False)]
)
def test_a_code_at_a_rail_is_clipping(peak_v, clipped):
    # 8 bits of ±0.5 V: the highest code stands for 0.4961 V, the lowest for −0.5 V.
    params = replace(
        STILL,
        recording="boundary",
        head_um=1000.0,
        azimuth_arcmin=0.0,
        offset_um=0.0,
        amplitude_v=peak_v,
        bits=8,
        full_scale_v=0.5,
    )
    digitiser = digitiser_for(params, VirtualDrive(params), (Role.DIFFERENTIAL,), 1e6)
    assert digitiser.take(0, 200000)[1] is clipped


def test_noise_of_an_envelope_is_the_differentials():
    params = replace(STILL, rate=48e3)
    calm = simulate(params, (Role.ENVELOPE,), seconds=2.0)[0]
    loud = simulate(replace(params, snr_db=20.0), (Role.ENVELOPE,), seconds=2.0)[0]
    expected_v = 0.4 / 2**0.5 / 10
    assert (loud - calm).std() == pytest.approx(expected_v, rel=0.02)
    assert abs((loud - calm).mean()) < 4 * expected_v / 96000**0.5


def test_a_beat_s_envelope_is_that_of_both_parts():
    params = replace(STILL, recording="beat", offset_um=60.0, rate=48e3)
    envelope_v = simulate(params, (Role.ENVELOPE,), seconds=0.3)[0]
    # Two tones of (1 ± x/S)/2 differ by x/S where they oppose each other.
    assert envelope_v.min() == pytest.approx(0.4 * 60.0 / S_UM, rel=1e-3)
    assert envelope_v.max() == pytest.approx(0.4, rel=1e-3)
