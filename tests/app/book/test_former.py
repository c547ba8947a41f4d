"""Records of earlier versions: what they did not have yet, and what was kept otherwise."""

import pytest

from app.analysis.budget import Part, Shape
from app.analysis.results import Quantity
from app.book import codec
from app.book.model import CodingError
from app.job.model import Known, Outcome, Value


def outcome(budget):
    whole = {"check": "radial", "stage": "as found", "verdict": "fail", "side": 0, "value": 40.0}
    whole |= {"u": 1.5, "unit": "µm", "limit": None, "reason": "", "details": [], "ended_at": ""}
    return whole | {"budget": budget}


def test_a_part_of_a_budget_was_a_value_by_itself():
    former = codec.as_tree(Value("scale of the disk", 1.2, unit="µm"))
    read = codec.read(Outcome, outcome([former]), "outcome")
    assert read.budget == (Part("scale of the disk", 1.2, unit="µm"),)
    assert read.budget[0].shape is Shape.NORMAL
    # Of a number without a budget of today ±2u is what covers it.
    assert (read.expanded_u, read.conformity, read.covering_u) == (None, None, 1.5)


def test_what_is_kept_now_is_read_as_it_was():
    part = Part("reading", 0.3, -1.0, 4.0, Shape.RECTANGULAR, "µm")
    read = codec.read(Outcome, outcome([codec.as_tree(part)]), "outcome")
    assert read.budget == (part,)
    known = Known(Quantity(6.0, 0.2, 5.0), climate=(part,))
    assert codec.read(Known, codec.as_tree(known), "known") == known


def test_what_a_climate_left_unsure_is_worked_out_anew():
    tree = codec.as_tree(Known()) | {"climate_u_um": 1.8}
    for later in ("climate", "seating_dof", "once_part", "alternating"):
        del tree[later]
    assert codec.read(Known, tree, "known") == Known()


@pytest.mark.parametrize("missing", ["u", "value", "shape"])
def test_a_part_that_lacks_something_is_refused(missing):
    tree = codec.as_tree(Part("reading", 0.3))
    del tree[missing]
    with pytest.raises(CodingError, match=f"{missing} is missing"):
        codec.read(Outcome, outcome([tree]), "outcome")
