"""Readings of many captures are those that were recorded: nothing moves unseen."""

import json

import pytest

from tests.hunt.recorded import NAMES, kept, moved, reading_of

KEPT = kept()


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.few(80)
def test_a_reading_is_the_recorded_one(name):
    # Where a change moves readings on purpose, python -m tests.hunt.recorded tells which.
    assert list(moved(KEPT[name], json.loads(json.dumps(reading_of(name))))) == []


def test_no_reading_is_recorded_that_is_not_looked_at():
    assert list(KEPT) == list(NAMES)


def test_what_moves_is_told():
    one = {"valid": True, "balance": {"value": 0.1, "u": 0.01}, "notes": ["a"], "at_s": 1.0}
    assert list(moved(one, one)) == []
    near = {**one, "balance": {"value": 0.100009, "u": 0.01}}
    assert list(moved(one, near)) == []
    far = {**one, "balance": {"value": 0.10002, "u": 0.01}, "notes": [], "at_s": 1.001}
    assert list(moved(one, far)) == [
        "balance: 0.1 ± 0.01 -> 0.10002 ± 0.01",
        "notes: ['a'] -> []",
        "at_s: 1 -> 1.001",
    ]
    assert list(moved(one, {**one, "balance": None})) == [
        "balance: {'value': 0.1, 'u': 0.01} -> None"
    ]
    assert list(moved({"a": 1}, {"b": 1})) == [": {'a': 1} -> {'b': 1}"]
