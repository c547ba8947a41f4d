"""What is slow is taken out of a strand to its very ends."""

import numpy as np
import pytest

from app.analysis.envelope.setup import Columns, Setup
from app.analysis.track.strands import ready_values
from tests.app.analysis.running import block_of


@pytest.mark.parametrize("frames", [2, 40, 1999, 20_000])
def test_a_steady_voltage_is_taken_out_to_the_ends(frames):
    steady = np.full((frames, 1), 3.0, dtype=np.float32)
    ready = ready_values(block_of(steady), Setup(Columns(differential=0), 1, 1e6, 5e5))
    assert ready.values_v.shape == (frames,)
    assert ready.values_v == pytest.approx(np.zeros(frames), abs=1e-9)
