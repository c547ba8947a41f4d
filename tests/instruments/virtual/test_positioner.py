"""The positioner: tracks, backlash and the body."""

import pytest

from instruments.virtual.mechanics import Positioner

PITCH_UM = 25.4e3 / 48
"""ECMA-70, 5.1: the radius falls by 25.4 mm / 48 a track."""


def positioner(offset_um=25.0, backlash_um=6.0):
    return Positioner(offset_um, backlash_um)


def test_it_starts_where_it_was_told():
    assert positioner().offset_um == pytest.approx(25.0)


@pytest.mark.parametrize(("tracks", "offset_um"), [(1, -PITCH_UM), (-1, PITCH_UM), (3, -1587.5)])
def test_a_step_inward_lowers_the_radius_by_the_pitch(tracks, offset_um):
    stepper = positioner(offset_um=0.0, backlash_um=0.0)
    stepper.step(tracks)
    assert stepper.offset_um == pytest.approx(offset_um)


def test_where_it_rests_depends_on_the_side_from_which_it_came():
    stepper = positioner()
    stepper.step(-2)
    stepper.step(2)
    from_outside_um = stepper.offset_um
    stepper.step(2)
    stepper.step(-2)
    from_inside_um = stepper.offset_um
    assert from_outside_um == pytest.approx(25.0)
    assert from_outside_um - from_inside_um == pytest.approx(6.0)
    assert (from_outside_um + from_inside_um) / 2 == pytest.approx(stepper.middle_um)


def test_hysteresis_is_centred_when_the_body_stands_at_its_zero():
    stepper = positioner(offset_um=3.0, backlash_um=6.0)
    assert stepper.middle_um == pytest.approx(0.0)
    stepper.step(1)
    stepper.step(-1)
    assert stepper.offset_um == pytest.approx(-3.0)


def test_a_nudge_moves_head_and_hysteresis_alike():
    stepper = positioner(offset_um=3.0)
    stepper.nudge(PITCH_UM)
    assert stepper.offset_um == pytest.approx(3.0 + PITCH_UM)
    assert stepper.middle_um == pytest.approx(PITCH_UM)


def test_no_step_leaves_the_slack_as_it_is():
    stepper = positioner()
    stepper.step(0)
    assert stepper.offset_um == pytest.approx(25.0)


def test_the_stops_hold_the_head():
    stepper = positioner(offset_um=0.0, backlash_um=0.0)
    stepper.step(-100)
    assert stepper.track == 0
    assert stepper.offset_um == pytest.approx(16 * PITCH_UM)
    stepper.step(100)
    assert stepper.track == 39
