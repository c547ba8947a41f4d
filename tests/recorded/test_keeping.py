"""What counts as moved, and how a value is told."""

from dataclasses import dataclass, field

import numpy as np
import pytest

from app.analysis.messages import fill
from app.analysis.results import Message, Verdict
from tests.recorded.keeping import is_same, moved
from tests.recorded.nets import NETS
from tests.recorded.telling import told


@pytest.mark.parametrize(
    ("old", "new", "same"),
    [
        ("offset 12.3456 µm", "offset 12.3457 µm", True),
        ("offset 12.3456 µm", "offset 12.3499 µm", False),
        ("offset 12.3456 µm", "offset 12.3456 mil", False),
        ("of 12e-5 -3e-5", "of 14e-5 -1e-5", True),
        ("of 12e-5 -3e-5", "of 15e-5 -3e-5", False),
        ("track 16", "track 17", False),
        ("a b", "a  b", False),
        ("Label @1,2,30,40", "Label @2,1,31,39", True),
        ("Label @1,2,30,40", "Label @3,2,30,40", False),
        ("Label @1,2,30,40", "Label @1,2,30", False),
        ("Label @1,2", "Labels @1,2", False),
    ],
)
def test_numbers_may_differ_by_rounding_and_words_by_nothing(old, new, same):
    assert is_same(old, new) is same


def test_what_has_moved_is_told_as_it_was_and_as_it_is():
    assert list(moved(["a 1.0", "b"], ["a 1.00001", "b"])) == []
    assert list(moved(["a", "b"], ["a", "c", "d"])) == ["- b", "+ c", "+ d"]


def test_no_record_is_kept_that_is_not_looked_at():
    for net in NETS.values():
        assert list(net.kept()) == list(net.subjects), net.name


@dataclass(frozen=True)
class Found:
    value: float
    verdict: Verdict = Verdict.PASS
    notes: tuple[Message, ...] = ()
    of: dict[str, int] = field(default_factory=dict)


def test_a_value_is_told_without_what_is_as_by_default():
    assert told(Found(1 / 3)) == "Found(value=0.333333)"
    found = Found(1e-17, Verdict.FAIL, (fill(Message("at {0}"), "3"),), {"a": 2})
    assert told(found) == "Found(value=0, verdict=fail, notes=['at 3'], of={'a': 2})"


def test_of_an_array_each_value_counts_and_its_place():
    values = np.sin(np.arange(200.0) ** 2)
    other, turned = values.copy(), np.roll(values, 1)
    other[7] += 0.05
    assert len({told(values), told(other), told(turned), told(values * 1.001)}) == 4
    assert not is_same(told(values), told(other))
    assert is_same(told(values), told(values * (1.0 + 1e-7)))
    assert told(np.zeros((2, 0), np.float32)) == "float32[2, 0]"
    assert told(np.array([np.nan, 2.0])).startswith("float64[2] 1 not finite rms 1.41421 of ")


def test_noise_far_down_is_the_same_within_what_single_precision_leaves_of_it():
    assert is_same("snr_db=85.2759", "snr_db=83.9088")
    assert is_same("snr_db=47.7117", "snr_db=47.6141")
    assert not is_same("snr_db=25.00", "snr_db=25.01")
    assert not is_same("snr_db=47.7", "snr_db=47.0")
    assert not is_same("snr_db=47.7", "snr_db=none")
