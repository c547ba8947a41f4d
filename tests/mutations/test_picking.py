"""Which mutations a seed makes."""

from collections import Counter

from tests.mutations.__main__ import AREAS, pick
from tests.mutations.trees import ROOT

PARTS = {
    "analysis": ("app/analysis/track",),
    "live": ("app/stream",),
    "job": ("app/job/checks",),
    "book": ("app/book",),
    "instruments": ("instruments/pipe",),
    "dashboard": ("app/dashboard/job_panel",),
}
"""Of each area as much as is soon read."""


def area_of(mutation):
    (area,) = [area for area, tops in AREAS.items() if mutation.path.startswith(tops)]
    return area


def test_each_area_is_there():
    assert all(any((ROOT / top).rglob("*.py")) for tops in AREAS.values() for top in tops)


def test_each_area_has_as_many(monkeypatch):
    monkeypatch.setattr("tests.mutations.__main__.AREAS", PARTS)
    chosen = pick(seed=3, count=24)
    assert len(set(chosen)) == 24
    assert Counter(map(area_of, chosen)) == dict.fromkeys(AREAS, 4)
    assert len({mutation.operator for mutation in chosen}) >= 8


def test_a_seed_picks_the_same_and_another_others():
    first, again, other = (pick(seed, count=10, only="app/job/") for seed in (1, 1, 2))
    assert first == again != other
    assert all(mutation.path.startswith("app/job/") for mutation in first)


def test_there_are_no_more_than_there_are():
    every = pick(seed=1, count=10**6, only="app/job/messages.py")
    assert len(every) == len(set(every)) < 10**6
