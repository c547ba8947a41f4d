"""A kill at any instant loses at most what is in hand; 200 of them: tests.benchmarks kills."""

import numpy as np
import pytest

from tests.integration.killing import kill_once

KILLS = 15


@pytest.mark.timeout(240)
def test_a_killed_book_opens_clean_with_all_that_was_said_to_be_kept(tmp_path):
    rng = np.random.default_rng(4)
    said = 0
    for number in range(KILLS):
        left = kill_once(tmp_path / f"{number % 3}.sqlite3", rng)
        said += left.said
        # What was being written may have been kept and not yet said.
        assert left.said <= left.kept <= left.said + 1
    assert said > KILLS
