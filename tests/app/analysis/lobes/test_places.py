"""Lobes that stand elsewhere than they are looked for, told by how they fall from their middle."""

import numpy as np
import pytest

from app.analysis.envelope.series import Bins, EnvelopeSeries
from app.analysis.lobes.analyser import Analyser
from app.analysis.lobes.character import Character
from app.analysis.lobes.heights import LobeFits, Window
from app.analysis.lobes.places import LobePlaces
from app.analysis.lobes.turns import Turn
from app.analysis.results import Geometry
from tests.app.analysis.running import RAW, setup_for

TURN_FRAMES = 1000.0
FIRST = (0, Window(0.57))


def fitted(at, *, height_v=1.0, fall_v=0.9, late=0.0, u_v=0.001):
    """Fit a lobe that falls as a cosine and stands `late`, in half turns of its cosine."""
    angle = np.pi * late
    height_v += fall_v * (np.cos(angle) - 1.0)
    bend = fall_v * np.cos(angle) / height_v
    return LobeFits(
        centre_frame=np.array([at]),
        height_v=np.array([height_v]),
        u_v=np.array([u_v]),
        lean=np.array([np.tan(angle)]),
        bend=np.array([bend]),
        ok=np.array([True]),
    )


def after_five(changed, **usual):
    places = LobePlaces()
    for turn in range(5):
        assert places.take(fitted(turn * TURN_FRAMES, **usual), *FIRST, TURN_FRAMES)
    return places, places.take(fitted(5 * TURN_FRAMES, **{**usual, **changed}), *FIRST, TURN_FRAMES)


@pytest.mark.parametrize("late", [-0.3, -0.05, 0.05, 0.3, 0.5])
def test_a_lobe_that_comes_early_or_late_is_out_of_its_place(late):
    places, in_place = after_five({"late": late})
    assert not in_place
    assert places.away
    assert not places.hold(Turn(4.5 * TURN_FRAMES, 5.5 * TURN_FRAMES))
    assert places.hold(Turn(3.5 * TURN_FRAMES, 4.5 * TURN_FRAMES))


@pytest.mark.parametrize(
    "harmless",
    [
        {"late": 0.01},
        # A head that moves adds to the lobe, and a gain multiplies it.
        {"height_v": 1.4},
        {"height_v": 0.5},
        {"height_v": 3.0, "fall_v": 2.7},
        {"height_v": 0.3, "fall_v": 0.27},
    ],
)
def test_what_a_head_a_gain_and_an_uneven_turn_do_leaves_it_in_its_place(harmless):
    _, in_place = after_five(harmless)
    assert in_place


def test_a_lobe_that_clipping_begins_within_is_out_of_its_place():
    """What a live signal gave there: of no fall left, and its own fit tells a large u."""
    places = LobePlaces()
    for turn in range(5):
        places.take(
            fitted(turn * TURN_FRAMES, height_v=0.3675, fall_v=0.72, u_v=2e-4), *FIRST, TURN_FRAMES
        )
    cut = LobeFits(
        centre_frame=np.array([5 * TURN_FRAMES]),
        height_v=np.array([0.2143]),
        u_v=np.array([0.00388]),
        lean=np.array([-1.2432]),
        bend=np.array([0.18]),
        ok=np.array([True]),
    )
    assert not places.take(cut, *FIRST, TURN_FRAMES)


@pytest.mark.parametrize("late", [-0.025, 0.0, 0.03])
def test_by_how_much_a_lobe_beside_its_place_is_measured_below_its_top(late):
    places, in_place = after_five({"late": late})
    assert in_place
    # Its height is that of its cosine there.
    assert places.beside_v == pytest.approx(1.0 - fitted(0.0, late=late).height_v[0], abs=1e-5)


@pytest.mark.parametrize(
    ("before_v", "u_v", "height_v", "bend", "lean"),
    [
        # The other lobe went on in it, where samples of 1.4865 turns were missing.
        (0.3675, 4.6e-4, 0.4277, 1.735, 0.0989),
        # It was swapped with the channel beside it, so that hardly a lobe was left.
        (0.3677, 94.7e-4, 0.1803, 0.933, -0.7824),
        # It was cut from its top on.
        (0.2667, 21.2e-4, 0.2172, 2.327, 0.0031),
    ],
)
def test_a_lobe_that_changed_within_is_left_out_and_is_no_shift(
    before_v, u_v, height_v, bend, lean
):
    """What live signals gave, in volts."""
    places = LobePlaces()
    for turn in range(5):
        usual = fitted(turn * TURN_FRAMES, height_v=before_v, fall_v=0.72, u_v=2.2e-4)
        assert places.take(usual, *FIRST, TURN_FRAMES)
    changed = LobeFits(
        centre_frame=np.array([5 * TURN_FRAMES]),
        height_v=np.array([height_v]),
        u_v=np.array([u_v]),
        lean=np.array([lean]),
        bend=np.array([bend]),
        ok=np.array([True]),
    )
    assert not places.take(changed, *FIRST, TURN_FRAMES)
    assert not places.away


def test_a_worse_fit_of_the_same_shape_is_no_change():
    assert after_five({"u_v": 0.004})[1]


def test_what_a_narrower_window_sees_otherwise_is_no_change():
    """What a step of the head gave, in volts: it moved in one lobe, and this is the one behind."""
    places = LobePlaces()
    for turn in range(5):
        usual = fitted(turn * TURN_FRAMES, height_v=0.48, fall_v=0.7206, u_v=1.7e-4)
        assert places.take(usual, *FIRST, TURN_FRAMES)
    behind = fitted(5 * TURN_FRAMES, height_v=0.4245, fall_v=0.7611, u_v=3.6e-4)
    assert not places.take(behind, *FIRST, TURN_FRAMES)
    assert places.take(behind, 0, Window(0.165), TURN_FRAMES)


def test_noise_and_flat_groups_say_nothing():
    assert after_five({"late": 0.05}, u_v=0.02)[1]
    assert after_five({"height_v": 0.01, "fall_v": 0.01, "late": 0.4})[1]
    assert after_five({"fall_v": -0.1}, fall_v=0.1)[1]


def test_two_in_a_row_are_a_shift_and_one_is_none():
    places, _ = after_five({"late": 0.2})
    assert places.shifted_at is None
    places.take(fitted(6 * TURN_FRAMES, late=0.2), *FIRST, TURN_FRAMES)
    assert places.shifted_at == 5 * TURN_FRAMES
    places.take(fitted(7 * TURN_FRAMES), *FIRST, TURN_FRAMES)
    assert places.shifted_at is None
    assert not places.away


def test_what_goes_on_falling_otherwise_is_another_recording():
    places = LobePlaces()
    for turn in range(5):
        places.take(fitted(turn * TURN_FRAMES), *FIRST, TURN_FRAMES)
    took = [
        places.take(fitted(turn * TURN_FRAMES, late=0.2), *FIRST, TURN_FRAMES)
        for turn in range(5, 9)
    ]
    assert took == [False, False, True, True]


def test_lobes_that_come_back_elsewhere_after_a_while_are_in_their_place():
    places = LobePlaces()
    for turn in range(5):
        places.take(fitted(turn * TURN_FRAMES), *FIRST, TURN_FRAMES)
    random = np.random.default_rng(1)
    for turn in range(5, 10):
        noise = {"height_v": 0.004, "fall_v": 0.005 * random.standard_normal(), "late": 0.3}
        places.take(fitted(turn * TURN_FRAMES, **noise), *FIRST, TURN_FRAMES)
    # Turns that were counted on without a signal end a little wrong, and are put right.
    for turn, late in enumerate((0.2, 0.08, 0.035, 0.015, 0.005), 10):
        assert places.take(fitted(turn * TURN_FRAMES, late=late), *FIRST, TURN_FRAMES)
    assert not places.take(fitted(15 * TURN_FRAMES, late=-0.2), *FIRST, TURN_FRAMES)


def test_a_lobe_that_was_learned_elsewhere_waits_for_the_next_and_spoils_no_turn():
    """Of noise and of the turn in which the head came a lobe may be learned where none stands."""
    places = LobePlaces()
    turns = [places.take(fitted(n * TURN_FRAMES, late=0.2), *FIRST, TURN_FRAMES) for n in range(3)]
    assert turns == [False, True, True]
    assert places.hold(Turn(-0.5 * TURN_FRAMES, 0.5 * TURN_FRAMES))
    assert places.moved_at is None


def test_lobes_of_a_pattern_that_is_not_known_keep_no_turn_from_being_learned(monkeypatch):
    # Else a layout taken wrongly, of a turn within which the head came, would stay for good.
    monkeypatch.setattr(LobePlaces, "hold", lambda self, turn: False)
    analyser = Analyser(setup_for(RAW, 1000.0))
    turn, series, level = Turn(0.0, 200.0), EnvelopeSeries(1), np.ones(220)
    series.append(Bins(0, level, 0.0 * level, 0.0 * level, level > 0.0))
    assert analyser._is_sound(series, turn)
    analyser._follower.character = Character(Geometry.TWO_BAND)
    assert not analyser._is_sound(series, turn)


@pytest.mark.parametrize(
    ("changed", "is_gain"),
    [
        ({"height_v": 0.4, "fall_v": 0.36}, True),
        ({"height_v": 2.0, "fall_v": 1.8}, True),
        # Bytes between the samples swap the channels, and shift all that follows a little.
        ({"height_v": 0.34, "fall_v": 0.303, "late": 0.016}, True),
        # A head that moves leaves the fall as it is.
        ({"height_v": 1.4}, False),
        ({"height_v": 1.4, "late": 0.016}, False),
        ({"height_v": 1.0}, False),
        ({"height_v": 1.02, "fall_v": 0.918}, False),
    ],
)
def test_a_gain_that_jumps_takes_the_fall_along_and_a_head_does_not(changed, is_gain):
    places, in_place = after_five(changed)
    assert in_place
    assert places.gained == is_gain
