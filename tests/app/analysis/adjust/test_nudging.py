"""Nudges: what is asked, what is learned, and that a clumsy hand comes to the aim by it."""

from functools import partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.analysis.adjust.nudging import Advice, Nudged, Rotation, learn_from, nearest, plan
from app.analysis.results import Quantity

U = 0.3
PITCH_UM = 25.4e3 / 48.0
"""ECMA-70, 5.1."""
planned = partial(
    plan,
    aim_um=0.0,
    limit_um=4.0,
    learned=learn_from([]),
    shift_um_per_deg=PITCH_UM / 1.8,
    flange_mm_per_deg=np.radians(21.0),
)


@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_a_nudge_in_degrees_of_body_and_millimetres_at_its_flange(outward):
    # 25.4/48 mm a step of 1.8° (common practice): 294 µm a degree, and 21 mm · π/180 a degree.
    nudge = planned(Quantity(-147.0 * outward, U))
    assert nudge.advice is Advice.NUDGE
    assert nudge.ask_um == pytest.approx(147.0 * outward)
    assert nudge.body_deg == pytest.approx(0.5, abs=1e-3)
    assert nudge.flange_mm == pytest.approx(0.183, abs=1e-3)
    assert nudge.turn is None


def test_which_way_round_is_learned_from_the_first():
    before, after = Quantity(50.0, U), Quantity(80.0, U)
    learned = learn_from([Nudged(-50.0, before, after, Rotation.CLOCKWISE)])
    assert learned.outward is Rotation.CLOCKWISE
    assert planned(after, learned=learned).turn is Rotation.COUNTER_CLOCKWISE
    assert planned(Quantity(-80.0, U), learned=learned).turn is Rotation.CLOCKWISE
    assert (
        learn_from([Nudged(-50.0, after, before, Rotation.CLOCKWISE)]).outward
        is Rotation.COUNTER_CLOCKWISE
    )


def test_a_small_nudge_that_slipped_does_not_turn_it_round():
    first = Nudged(50.0, Quantity(-50.0, U), Quantity(-2.0, U), Rotation.CLOCKWISE)
    slipped = Nudged(2.0, Quantity(-2.0, U), Quantity(-4.0, U), Rotation.CLOCKWISE)
    assert learn_from([slipped]).outward is None
    assert learn_from([first, slipped]).outward is Rotation.CLOCKWISE


def test_a_nudge_within_the_noise_teaches_nothing():
    nudged = Nudged(30.0, Quantity(50.0, 5.0), Quantity(60.0, 5.0), Rotation.CLOCKWISE)
    assert learn_from([nudged]) == learn_from([])
    assert not nudged.went_wrong_way


def test_a_turn_the_wrong_way_is_told():
    assert Nudged(30.0, Quantity(50.0, U), Quantity(20.0, U)).went_wrong_way
    assert not Nudged(30.0, Quantity(50.0, U), Quantity(70.0, U)).went_wrong_way


def test_how_far_real_nudges_go_is_learned():
    nudges = [Nudged(100.0, Quantity(0.0, U), Quantity(150.0, U))] * 4
    learned = learn_from(nudges)
    assert learned.ratio.value == pytest.approx(1.5, abs=0.03)
    assert learned.ratio.u < 0.06
    assert planned(Quantity(-60.0, U), learned=learned).ask_um == pytest.approx(40.0, abs=1.0)


@given(st.lists(st.tuples(st.floats(-300, 300), st.floats(-1e4, 1e4)), max_size=6))
def test_what_is_learned_stays_sane(pairs):
    nudges = [Nudged(asked, Quantity(0.0, U), Quantity(moved, U)) for asked, moved in pairs]
    assert 0.4 <= learn_from(nudges).ratio.value <= 2.5


@pytest.mark.parametrize(
    ("offset_um", "u", "advice"),
    [
        (3.0, 0.4, Advice.LEAVE),
        (3.0, 0.6, Advice.NUDGE),
        (-3.0, 0.4, Advice.LEAVE),
        (3.0, 1.6, Advice.MEASURE),
        (1.0, 2.5, Advice.MEASURE),
        (1.9, 1.2, Advice.MEASURE),
        (30.0, 1.6, Advice.NUDGE),
    ],
)
def test_it_knows_when_to_stop(offset_um, u, advice):
    # JCGM 106: within the limit with all of U = 2u, or it is not within.
    assert planned(Quantity(offset_um, u)).advice is advice


def test_the_aim_lies_before_the_line_by_the_creep():
    nudge = planned(Quantity(20.0, U), aim_um=-12.0)
    assert nudge.to_go_um == pytest.approx(-32.0)
    assert planned(Quantity(-12.0, U), aim_um=-12.0).advice is Advice.LEAVE


@pytest.mark.parametrize("gain", [0.6, 1.0, 1.6])
def test_a_clumsy_hand_comes_to_the_aim(gain):
    # A hand off by 10 % and 2 µm each time, on a flange whose radius is not the profile's.
    rng = np.random.default_rng(1)
    counts = []
    for _ in range(300):
        true_um, nudges = rng.uniform(-150.0, 150.0), []
        offset = Quantity(true_um + U * rng.standard_normal(), U)
        for _ in range(30):
            nudge = planned(offset, learned=learn_from(nudges))
            if nudge.advice is not Advice.NUDGE:
                break
            real = nudge.ask_um * gain * (1.0 + 0.1 * rng.standard_normal())
            true_um += real + 2.0 * rng.standard_normal()
            after = Quantity(true_um + U * rng.standard_normal(), U)
            nudges.append(Nudged(nudge.ask_um, offset, after))
            offset = after
        assert nudge.advice is not Advice.NUDGE
        assert abs(true_um) < 5.0
        counts.append(len(nudges))
    assert np.percentile(counts, 95) <= 6


def test_the_best_so_far():
    offsets = [Quantity(value, U) for value in (40.0, -6.0, 9.0)]
    assert nearest(offsets, 0.0) == 1
    assert nearest(offsets, 10.0) == 2
    assert nearest([], 0.0) is None
