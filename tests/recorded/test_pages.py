"""The window's pages are those that were recorded."""

import pytest

from tests.recorded.keeping import moved
from tests.recorded.pages import NET, in_words


@pytest.mark.parametrize("subject", NET.subjects)
def test_nothing_has_moved(qapp, subject):
    # Where a change moves something on purpose, python -m tests.recorded tells what.
    kept, now = NET.kept()[subject], NET.now(subject)
    if kept[0] == now[0]:
        assert list(moved(kept, now)) == []
    # With another font all stands elsewhere; the words and the colours are the same.
    assert in_words(kept) == in_words(now)
