"""Some seconds of random hands: nothing fails, and all that was opened is closed."""

import threading

import pytest

pytestmark = pytest.mark.xdist_group("window")


def test_some_seconds_of_random_hands(tmp_path, qapp):
    from tests.soak.monkey import run

    before = set(threading.enumerate())
    soak = run(tmp_path, 3.0, seed=5)
    assert soak.faults == []
    assert soak.actions > 3
    left = {each.name for each in set(threading.enumerate()) - before}
    assert not left & {"analysis", "acquisition", "black-box", "book"}
