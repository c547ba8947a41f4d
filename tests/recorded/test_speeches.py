"""The virtual scope answers as it was recorded."""

import pytest

from tests.recorded.keeping import moved
from tests.recorded.speeches import NET


@pytest.mark.parametrize("subject", NET.subjects)
@pytest.mark.few(18)
def test_nothing_has_moved(subject):
    # Where a change moves something on purpose, python -m tests.recorded tells what.
    assert list(moved(NET.kept()[subject], NET.now(subject))) == []
