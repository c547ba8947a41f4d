"""Whole jobs go as they were recorded."""

import pytest

from tests.recorded.jobs import NET
from tests.recorded.keeping import moved


@pytest.mark.parametrize("subject", NET.subjects)
@pytest.mark.few(20)
def test_nothing_has_moved(subject):
    # Where a change moves something on purpose, python -m tests.recorded tells what.
    assert list(moved(NET.kept()[subject], NET.now(subject))) == []
