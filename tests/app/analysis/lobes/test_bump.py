"""What rises between two lobes is foreign where it is more than noise may make."""

from types import SimpleNamespace

import numpy as np
import pytest

from app.analysis.lobes.character import _has_bump
from app.analysis.lobes.heights import TURN_BINS

TURNS = (np.arange(TURN_BINS) + 0.5) / TURN_BINS


@pytest.mark.parametrize(
    ("bump", "u_v2", "told"),
    [(0.3, 1e-4, True), (0.3, 0.2, False), (0.05, 1e-4, False), (0.0, 1e-4, False)],
)
def test_a_bump_is_one_that_is_high_and_sure(bump, u_v2, told):
    lobes = np.abs(np.sin(2.0 * np.pi * TURNS))
    foreign = bump * np.exp(-0.5 * ((TURNS - 0.5) / 0.01) ** 2)
    turn = SimpleNamespace(power_v2=lobes**2 + foreign**2, u_v2=np.full(TURN_BINS, u_v2))
    layout = SimpleNamespace(centres=(0.25, 0.75))
    assert _has_bump(turn, layout, 0, 1.0) is told
