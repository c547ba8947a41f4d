"""A move of the head is seen by its offset, or by the side where nothing else is known."""

import pytest

from app.analysis import messages
from app.analysis.adjust.positioner import MoveWatch
from app.analysis.results import Quantity, Reading, Side


def at(offset_um):
    offset = Quantity(offset_um, 0.2)
    return {"valid": True, "balance": Quantity(offset_um / 178.0, 0.001), "offset_um": offset}


def far(side):
    reason = {
        Side.OUTWARD: messages.ONE_LOBE_OUTWARD,
        Side.INWARD: messages.ONE_LOBE_INWARD,
        None: messages.ONE_LOBE,
    }
    return {"valid": False, "reasons": (reason[side],), "side": side}


def watched(*readings):
    watch = MoveWatch()
    for number, given in enumerate(readings, 1):
        watch.push(Reading(end_index=1000 * number, **given), 0.1 * number)
    return watch


@pytest.mark.parametrize(
    ("readings", "moved"),
    [
        ([at(20.0), at(20.1)], False),
        ([at(20.0), at(40.0)], True),
        ([far(Side.OUTWARD)] * 2, False),
        ([far(Side.OUTWARD), far(Side.INWARD)], True),
        ([far(Side.INWARD), at(40.0)], True),
        ([at(40.0), far(Side.OUTWARD)], True),
    ],
)
def test_a_head_has_moved_where_its_place_or_its_side_is_another(readings, moved):
    watch = watched(*readings)
    assert watch.moved is moved
    assert watch.in_sight
