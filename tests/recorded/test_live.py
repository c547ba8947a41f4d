"""What is made of an open source is what was recorded."""

import pytest

from tests.recorded.keeping import moved
from tests.recorded.live import NET


@pytest.mark.parametrize("subject", NET.subjects)
@pytest.mark.few(16)
def test_nothing_has_moved(subject):
    # Where a change moves something on purpose, python -m tests.recorded tells what.
    assert list(moved(NET.kept()[subject], NET.now(subject))) == []
