"""Groups in a scope's pairs of extremes, cut at a rail between the steps of a coarse converter."""

import numpy as np
import pytest

from app.analysis.envelope.peakdetect import MinMaxPath
from app.analysis.envelope.setup import Columns
from tests.app.analysis.running import block_of

PAIRS, SAMPLES, TURNS = 1500, 160, 2.5
TALL, LOW = 40.0, 26.0
"""Heights of the groups, in steps."""


def record(noise, limit=np.inf, step_v=4e-3, cut=np.inf):
    """Return rows of lowest and highest: six groups a turn in steps, their rows in volts.

    Ahead of the converter they are limited, behind it they are cut.
    """
    rng = np.random.default_rng(7)
    place = np.arange(PAIRS) / PAIRS * TURNS * 6.0
    height = np.where(place.astype(int) % 2, LOW, TALL) * (np.abs(place % 1.0 - 0.5) < 0.4)
    phase = 2.0 * np.pi * 0.0618034 * np.arange(PAIRS * SAMPLES).reshape(PAIRS, -1)
    wave = height[:, None] * np.sin(phase) + noise * rng.standard_normal(phase.shape)
    codes = np.clip(np.round(np.clip(wave, -limit, limit) + 0.3), -cut, cut)
    rows = np.stack([codes.min(axis=1), codes.max(axis=1)], axis=1).reshape(-1, 1)
    return (step_v * rows).astype(np.float32)


def is_clipped(rows):
    path = MinMaxPath(Columns(differential=0), 2.0 * PAIRS * 5.0 / TURNS, inputs=1)
    path.push(block_of(rows).samples_v, 0)
    return path.clipped_between(0.0, float(len(rows)))


@pytest.mark.parametrize("limit", [34.0, 39.0])
@pytest.mark.parametrize("noise", [1.5, 3.0])
def test_a_rail_holds_the_noise_that_moves_all_lower_extremes(noise, limit):
    assert is_clipped(record(noise, limit))


@pytest.mark.parametrize("cut", [30.4, 33.75, 38.2])
@pytest.mark.parametrize("noise", [0.3, 0.6, 1.5])
def test_a_rail_between_two_steps_is_behind_the_converter(noise, cut):
    assert is_clipped(record(noise, cut=cut))


@pytest.mark.parametrize("noise", [0.0, 0.03, 0.3, 0.6, 1.5, 3.0])
def test_flat_groups_end_at_one_step_without_being_cut(noise):
    assert not is_clipped(record(noise))
