"""A reading that does not hold shows no number and no verdict."""

from dataclasses import fields

import pytest

from app.analysis import messages
from app.analysis.lobes.heights import invalid
from app.analysis.results import Quantity, Reading, Side, Verdict

NUMBER = Quantity(1.0, 0.1)
OF_THE_LOBES = {
    **dict.fromkeys(("first_v", "second_v", "balance", "ratio", "difference", "offset_um"), NUMBER),
    "side": Side.OUTWARD,
    "set_limit": Verdict.PASS,
    "check_limit": Verdict.PASS,
}


@pytest.mark.parametrize("valid", [False, True])
def test_of_a_reading_that_does_not_hold_all_of_the_lobes_is_left_out(valid):
    given = Reading(valid=valid, reasons=(messages.CLIPPED,), speed_rpm=NUMBER, **OF_THE_LOBES)
    left = invalid(given, messages.NO_CARRIER)
    assert (left.valid, left.reasons) == (False, (messages.CLIPPED, messages.NO_CARRIER))
    changed = {each.name for each in fields(Reading)} - {"valid", "reasons"}
    changed = {name for name in changed if getattr(left, name) != getattr(given, name)}
    assert changed == OF_THE_LOBES.keys()
    assert {getattr(left, name) for name in changed} == {None}
