"""Recordings against the worked values that follow from their geometry.

Two-band lobes go as w − d ± x and boundary lobes as |e·cos θ − x|: elementary geometry, worked
out by hand beside each check. A clamp shift acts to first order as a change of scale.
"""

import numpy as np
import pytest

from instruments.virtual.disk import (
    Alternating,
    Beat,
    Boundary,
    OrdinaryTrack,
    TwoBand,
    presence,
)
from instruments.virtual.mechanics import ClampSeating

TURN = np.arange(36000) / 36000
TOP = 0.25
WIDE_UM = 1000.0
TRUE_SEATING = ClampSeating()


def two_band(scale_um=178.0):
    return TwoBand(TOP, scale_um, 1.4 * scale_um, 330.0)


def alternating(pairs=6):
    return Alternating(0.5 / (2 * pairs), 178.0, pairs, 330.0)


def heights(recording, offset_um, seating=TRUE_SEATING):
    return recording.heights(TURN, offset_um - seating.runout_um(TURN))


def balance(recording, offset_um, seating=TRUE_SEATING):
    first, second = heights(recording, offset_um, seating)
    return (first - second) / (first + second)


@pytest.mark.parametrize(
    ("ratio", "relative_offset"), [(0.75, 0.14286), (0.9, 0.05263), (0.5, 0.33333)]
)
@pytest.mark.parametrize("recording", [two_band(), Boundary(TOP, 178.0, WIDE_UM), alternating()])
def test_ratio_follows_the_offset(recording, ratio, relative_offset):
    # r = (1 − x/S)/(1 + x/S), hence x/S = (1 − r)/(1 + r).
    first, second = heights(recording, relative_offset * 178.0)
    assert second / first == pytest.approx(ratio, abs=2e-5)
    first, second = heights(recording, -relative_offset * 178.0)
    assert first / second == pytest.approx(ratio, abs=2e-5)


@pytest.mark.parametrize("recording", [two_band(), Boundary(TOP, 178.0, WIDE_UM), alternating()])
def test_on_the_line_both_lobes_have_unit_height(recording):
    assert heights(recording, 0.0) == pytest.approx((1.0, 1.0), abs=1e-7)


def test_two_bands_lie_half_a_turn_apart_with_dead_zones_between():
    wave, _ = two_band().wave(TURN, np.zeros_like(TURN))
    assert wave.argmax() in (9000, 27000)
    # (S − e) + e·cos θ is positive within arccos(1 − 1/1.4) = 73.398° of each top.
    assert np.count_nonzero(wave > 0) / TURN.size == pytest.approx(4 * 73.398 / 360, abs=1e-4)
    assert wave[[0, 18000]] == pytest.approx([0.0, 0.0])


def test_two_band_lobes_keep_their_places_and_saturate_at_the_heads_width():
    for offset_um in (-140.0, 0.0, 140.0):
        wave, _ = two_band().wave(TURN, np.full_like(TURN, offset_um))
        assert wave[4500:13500].argmax() == 4500
        assert wave[22500:31500].argmax() == 4500
    first, second = heights(two_band(), 250.0)
    assert first == pytest.approx(330.0 / 178.0)
    assert second == 0.0


@pytest.mark.parametrize(
    ("ratio", "spacing_deg", "short_ms", "long_ms"),
    [(0.75, 163.57, 90.9, 109.1), (0.9, 173.97, 96.6, 103.4), (0.5, 141.06, 78.4, 121.6)],
)
def test_boundary_nulls_move_with_the_offset(ratio, spacing_deg, short_ms, long_ms):
    # Null spacing 2·arccos(x/e); a turn of 300 rpm lasts 200 ms.
    relative = (1 - ratio) / (1 + ratio)
    wave, _ = Boundary(TOP, 178.0, WIDE_UM).wave(TURN, np.full_like(TURN, relative * 178.0))
    nulls = np.flatnonzero(np.diff(np.sign(wave)))
    assert nulls.size == 2
    # With the head outward the second lobe is the lower, and it is the shorter.
    short_turns = (nulls[1] - nulls[0]) / TURN.size
    assert nulls[0] < 27000 < nulls[1]
    assert 360 * short_turns == pytest.approx(spacing_deg, abs=0.02)
    assert 200 * short_turns == pytest.approx(short_ms, abs=0.06)
    assert 200 * (1 - short_turns) == pytest.approx(long_ms, abs=0.06)


def test_boundary_phase_inverts_between_its_lobes():
    wave, across = Boundary(TOP, 178.0, WIDE_UM).wave(
        np.array([TOP, TOP + 0.5]), np.array([25.0, 25.0])
    )
    assert across is None
    assert wave == pytest.approx([1 + 25 / 178, -(1 - 25 / 178)])


@pytest.mark.parametrize(
    ("shift_turns", "reads_um"), [(TOP + 0.5, 12.99), (TOP + 0.25, 14.21), (TOP, 15.87)]
)
def test_a_clamp_shift_scales_a_boundary(shift_turns, reads_um):
    # b = x/|e + c| with e = 100, c = 10, x = 100/7: in phase, at right angles and opposed. The
    # circle is farthest out where the second lobe is.
    read = 100.0 * balance(
        Boundary(TOP, 100.0, WIDE_UM), 100.0 / 7.0, ClampSeating(10.0, shift_turns)
    )
    assert read == pytest.approx(reads_um, abs=0.006)


@pytest.mark.parametrize(("shift_turns", "reads_um"), [(TOP, 26.49), (TOP + 0.5, 23.67)])
def test_a_clamp_shift_scales_two_bands(shift_turns, reads_um):
    # b = x/(S − u) with S = 178, x = 25, u = ±10 along the lobes' axis.
    read = 178.0 * balance(two_band(), 25.0, ClampSeating(10.0, shift_turns))
    assert read == pytest.approx(reads_um, abs=0.005)


@pytest.mark.parametrize("shift_turns", np.linspace(0, 1, 8, endpoint=False))
@pytest.mark.parametrize("recording", [two_band(), Boundary(TOP, 100.0, WIDE_UM), alternating()])
def test_even_lobes_are_even_at_any_seating(recording, shift_turns):
    assert balance(recording, 0.0, ClampSeating(10.0, shift_turns)) == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize("recording", [two_band(), Boundary(TOP, 178.0, WIDE_UM)])
def test_an_oval_disk_of_5_um_reads_5_um(recording):
    # Its tracks lie 5 µm outward under the head at both lobes: the head is that much inward.
    assert 178.0 * balance(
        recording, 0.0, ClampSeating(oval_um=5.0, oval_turns=TOP)
    ) == pytest.approx(-5.0, abs=1e-3)


def test_alternating_groups_hardly_feel_an_oval_disk_or_an_eccentric_one():
    for seating in (ClampSeating(oval_um=5.0, oval_turns=0.1), ClampSeating(10.0, 0.37)):
        assert 178.0 * balance(alternating(), 25.0, seating) == pytest.approx(25.0, abs=0.05)


@pytest.mark.parametrize("pairs", [2, 3, 6, 18])
def test_alternating_groups_are_flat_and_come_in_pairs(pairs):
    wave, _ = alternating(pairs).wave(TURN, np.full_like(TURN, 25.0))
    tall = np.isclose(wave, 1 + 25 / 178)
    low = np.isclose(wave, 1 - 25 / 178)
    assert np.count_nonzero(np.diff(np.append(tall, tall[0]).astype(int)) == 1) == pairs
    assert np.count_nonzero(np.diff(np.append(low, low[0]).astype(int)) == 1) == pairs
    assert np.count_nonzero(tall | low) / TURN.size > 0.9
    assert tall[TURN.size // (4 * pairs)], "the first group after the index is the outward one"


def test_a_beat_has_equal_lobes_and_nulls_that_fill_in():
    along, across = Beat(TOP, 178.0, 330.0).wave(TURN, np.full_like(TURN, -40.0))
    assert across is not None
    envelope = np.hypot(along, across)
    assert envelope.max() == pytest.approx(1.0)
    # Two tones of (1 ± x/S)/2 differ by |x|/S where they oppose each other.
    assert envelope.min() == pytest.approx(40 / 178, abs=1e-6)
    assert heights(Beat(TOP, 178.0, 330.0), -40.0) == pytest.approx((1.0, 1.0))


def test_off_the_track_nothing_is_left():
    pitch_um = 25.4e3 / 48
    assert presence(0.0, pitch_um) == presence(200.0, pitch_um) == 1.0
    assert presence(-400.0, pitch_um) == presence(pitch_um, pitch_um) == 0.0
    assert 0.0 < presence(310.0, pitch_um) < 1.0


@pytest.mark.parametrize(("head_um", "track_um"), [(330.0, 155.0), (330.0, 330.0), (155.0, 300.0)])
def test_an_ordinary_track_is_read_as_far_as_the_head_covers_it(head_um, track_um):
    across = np.arange(-600.0, 600.0, 0.1)
    track = np.abs(across) < track_um / 2.0
    for offset_um in (-300.0, -180.0, -40.0, 0.0, 87.0, 120.0, 243.0):
        # Counted by cells of a tenth of a micrometre.
        head = np.abs(across - offset_um) < head_um / 2.0
        counted = np.count_nonzero(head & track) / min(head.sum(), track.sum())
        amplitude, _ = OrdinaryTrack(track_um, 178.0, head_um).wave(TURN, offset_um + 0.0 * TURN)
        assert amplitude == pytest.approx(counted, abs=2e-3)


def test_a_seating_moves_the_middle_of_a_concentric_track_nowhere():
    """What is nearer on one side of the turn is farther on the other: a flank is straight."""
    track, seating = OrdinaryTrack(300.0, 178.0, 330.0), ClampSeating(8.0, 0.1, 1.0, 0.3)
    flank_um = 165.0
    means = [
        track.wave(TURN, side * flank_um - seating.runout_um(TURN))[0].mean() for side in (-1, 1)
    ]
    assert means == pytest.approx([0.5, 0.5], abs=1e-6)
