"""A slice of what ``python -m tests.faults.store`` does by the hundred."""

import pytest

from tests.faults import powercut, store
from tests.faults.powercut import BOOK, Call


def test_a_power_cut_loses_nothing_that_was_said_to_be_kept():
    assert list(store.cuts(seed=5, count=12)) == []


def test_what_is_not_synchronised_may_be_lost_here(tmp_path):
    """Without it the test above could not fail."""
    import numpy as np

    calls = [Call("write", BOOK, 0, b"x" * 4096), Call("say", "", 0, b"kept\n")]
    sizes = set()
    for seed in range(20):
        disk = powercut._Disk(np.random.default_rng(seed))
        for call in calls:
            disk.take(call)
        sizes.add(sum(content.count(b"x") for _, content in disk.left()))
    assert 0 in sizes
    assert 4096 in sizes
    assert len(sizes) > 2
    disk.take(Call("sync", BOOK))
    assert list(disk.left()) == [(BOOK, b"x" * 4096)]


def test_a_damaged_book_is_answered_in_a_sentence_and_no_wrong_record_is_given_out():
    assert list(store.damaged(seed=5, count=6)) == []


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_hundred_power_cuts_and_damaged_books():
    assert list(store.cuts(seed=6, count=100)) == []
    assert list(store.damaged(seed=6, count=100)) == []
